"""Alarm actions through a real broker: what is taken, what is refused and told, and whatever bytes anybody sends."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager

import paho.mqtt.client as paho
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from paho.mqtt.enums import CallbackAPIVersion

from tests.outlets.book import T0, Book, alarm, card, scan
from tests.outlets.shed import DEVICE, deliver
from tests.outlets.shed import settings as at
from tests.services import HOST, Mosquitto, retained_tree, wait_until
from vatwatch.errors import Refused
from vatwatch.outlets.homie import SHED_NODE, description
from vatwatch.outlets.ledger import Actions
from vatwatch.outlets.mqtt import ACTIONS, MqttOutlet
from vatwatch.outlets.mqtt_actions import LARGEST_BYTES, node_of, read_action, set_topic
from vatwatch.records import AlarmAction
from vatwatch.terms import ActionVerb, AlarmState

GOOD = {"verb": "acknowledge", "alarm": "overheat"}


class Watch:
    """Stands for the recorder: takes what names an alarm it knows."""

    def __init__(self, book: Book) -> None:
        self.book = book
        self.taken: list[AlarmAction] = []

    def take(self, action: AlarmAction) -> None:
        if action.alarm not in ("overheat", "disk-low"):
            raise Refused(f"there is no alarm {action.alarm!r}")
        self.taken.append(action)


class Talker:
    """Another client of the broker: publishes, and hears what the device says aloud."""

    def __init__(self, port: int) -> None:
        self.heard: list[str] = []
        self.client = paho.Client(CallbackAPIVersion.VERSION2)
        self.client.on_message = lambda _c, _u, message: self.heard.append(message.payload.decode())
        ready = threading.Event()
        self.client.on_subscribe = lambda *_: ready.set()
        self.client.connect(HOST, port)
        self.client.loop_start()
        self.client.subscribe(DEVICE + "$log/#")
        assert ready.wait(10)

    def say(self, node: str, payload: bytes | str | Mapping[str, object], retain: bool = False) -> None:
        given = payload if isinstance(payload, (bytes, str)) else json.dumps(payload)
        self.client.publish(set_topic("dye-shed", node), given, qos=1, retain=retain).wait_for_publish(10)

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@contextmanager
def shed(book: Book, port: int) -> Iterator[tuple[MqttOutlet, Watch, Talker]]:
    watch = Watch(book)
    outlet = MqttOutlet(at(port), book.open, lambda: T0, Actions(watch.take, book.record_delivery))
    talker = Talker(port)
    try:
        deliver(outlet, book)
        yield outlet, watch, talker
    finally:
        talker.close()
        outlet.close()


def refused(outlet: MqttOutlet) -> int:
    return 0 if outlet._tally is None else outlet._tally.dropped


def test_actions_are_taken_for_a_vat_and_for_the_shed(book: Book, broker: Mosquitto) -> None:
    with shed(book, broker.port) as (_, watch, talker):
        talker.say("madder-lane", {"verb": "shelve", "alarm": "overheat", "minutes": 30, "by": "Ida"})
        talker.say(SHED_NODE, {"verb": "acknowledge", "alarm": "disk-low"})
        wait_until(lambda: len(watch.taken) == 2, "both actions")
    first, second = watch.taken
    assert (first.vat, first.alarm, first.verb, first.until_ms, first.by) == (
        "madder-lane", "overheat", ActionVerb.SHELVE, T0 + 1_800_000, "Ida",
    )  # fmt: skip
    assert (second.vat, second.by) == ("", "mqtt")
    assert first.action_id != second.action_id


def test_what_is_refused_is_counted_told_and_kept(book: Book, broker: Mosquitto) -> None:
    with shed(book, broker.port) as (outlet, watch, talker):
        for node, payload, retain in (
            ("madder-lane", {"verb": "acknowledge", "alarm": "too-blue"}, False),
            ("madder-lane", "not json", False),
            ("nowhere", GOOD, False),
            ("madder-lane", GOOD, True),
        ):
            talker.say(node, payload, retain)
        # Retained for whoever is subscribed already arrives as fresh; what a broker still holds comes at the next start.
        wait_until(lambda: refused(outlet) == 3, "three refusals")
        wait_until(lambda: len(talker.heard) >= 3, "they are told")
        assert any("there is no vat 'nowhere' here" in text for text in talker.heard)
        wait_until(lambda: book.delivery("mqtt", ACTIONS).dropped > 0, "the count is in the record")  # type: ignore[arg-type]
        taken = len(watch.taken)
    with shed(book, broker.port) as (outlet, watch, talker):
        wait_until(lambda: any("retained" in text for text in talker.heard) or refused(outlet) > 0, "the old command")
        assert watch.taken == [], "an old command does not act again"
        with retained_tree(broker.port, DEVICE + "+/alarm-action/set") as tree:
            assert tree == {}, "and is taken off the broker"
    assert taken == 1


def test_too_many_at_once_are_refused_and_the_rest_is_taken(book: Book, broker: Mosquitto) -> None:
    with shed(book, broker.port) as (outlet, watch, talker):
        gate = threading.Event()
        plain = watch.take
        watch.take = lambda action: (gate.wait(20), plain(action))[1]  # type: ignore[method-assign]
        outlet._actions = Actions(watch.take, book.record_delivery)
        for _ in range(60):
            talker.say("madder-lane", GOOD)
        gate.set()
        wait_until(lambda: len(watch.taken) + refused(outlet) == 60, "every one is dealt with")
        assert refused(outlet) >= 30
        assert len(watch.taken) >= 20


def test_nothing_is_taken_where_it_is_not_allowed(book: Book, broker: Mosquitto) -> None:
    outlet = MqttOutlet(at(broker.port), book.open, lambda: T0)
    talker = Talker(broker.port)
    try:
        deliver(outlet, book)
        talker.say("madder-lane", GOOD)
        deliver(outlet, book)
        with retained_tree(broker.port, DEVICE + "#") as tree:
            assert "alarm-action" not in tree[DEVICE + "$description"]
            assert tree[DEVICE + "$state"] == "ready"
    finally:
        talker.close()
        outlet.close()


def test_the_description_says_what_can_be_set() -> None:
    nodes = json.loads(description("Shed", [card()], 1, takes_actions=True))["nodes"]
    for node in ("madder-lane", SHED_NODE):
        entry = nodes[node]["properties"]["alarm-action"]
        assert (entry["settable"], entry["retained"], entry["datatype"]) == (True, False, "json")
        assert json.loads(entry["format"])["required"] == ["verb", "alarm"]
    assert SHED_NODE not in json.loads(description("Shed", [card()], 1))["nodes"]


def test_alarms_of_the_shed_are_alerts_of_their_own(book: Book, broker: Mosquitto) -> None:
    book.add(alarm(2, AlarmState.UNACKNOWLEDGED, vat="", name="disk-low"))
    with shed(book, broker.port), retained_tree(broker.port, DEVICE + "$alert/#") as tree:
        assert tree[DEVICE + "$alert/shed-disk-low"].startswith("The shed: disk low since ")


@pytest.mark.parametrize(
    ("payload", "words"),
    [
        (b'{"verb":"sing","alarm":"overheat"}', "verb: expected one of acknowledge"),
        (b'{"verb":"acknowledge","alarm":"Over heat"}', "alarm: expected"),
        (b'{"verb":"acknowledge","alarm":"overheat","minutes":5}', "belongs to shelve"),
        (b'{"verb":"shelve","alarm":"overheat","minutes":1e9}', "above 0, up to 1440"),
        (b'{"verb":"shelve","alarm":"overheat","minutes":true}', "above 0"),
        (b'{"verb":"shelve","alarm":"overheat","minutes":NaN}', "not JSON"),
        (b'{"verb":"acknowledge","alarm":"overheat","by":"\\u0000"}', "by: expected"),
        (b'{"verb":"acknowledge","alarm":"overheat","and":1}', "expected an object"),
        (b"[" * 400, "not JSON"),
        (b"x" * (LARGEST_BYTES + 1), "longer than"),
        (b"\xff", "not JSON"),
    ],
)
def test_why_it_is_refused(payload: bytes, words: str) -> None:
    with pytest.raises(Refused, match=words):
        read_action("tub", payload, False, "id", T0)


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20) | st.sampled_from(list(ActionVerb)),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)
OBJECTS = st.dictionaries(st.sampled_from(["verb", "alarm", "minutes", "by", "x"]), VALUES, max_size=5)
PAYLOADS = (
    st.binary(max_size=700) | OBJECTS.map(lambda one: json.dumps(one).encode()) | st.just(json.dumps(GOOD).encode())
)


@given(PAYLOADS, st.booleans())
@settings(max_examples=300, deadline=None)
def test_any_bytes_give_an_action_or_a_refusal(payload: bytes, retained: bool) -> None:
    said = ""
    try:
        action = read_action("tub", payload, retained, "id", T0)
    except Refused as error:
        said = str(error)
        action = None
    if action is None:
        assert 0 < len(said) < 400
    else:
        assert not retained
        assert action.until_ms is None or T0 < action.until_ms <= T0 + 86_400_000


def test_any_bytes_through_the_broker_leave_it_well(book: Book, broker: Mosquitto) -> None:
    with shed(book, broker.port) as (outlet, watch, talker):
        sent = 0

        @given(PAYLOADS.filter(bool))
        @settings(max_examples=150, deadline=None, database=None, suppress_health_check=list(HealthCheck))
        def anything(payload: bytes) -> None:
            nonlocal sent
            talker.say("madder-lane", payload)
            sent += 1
            wait_until(lambda: len(watch.taken) + refused(outlet) == sent, "it is taken or refused")

        anything()
        assert sent > 50
        assert watch.taken
        book.add(scan(7))
        deliver(outlet, book)
        assert outlet._link.alive


@pytest.mark.parametrize(
    "topic", ["homie/5/dye-shed/a/b/alarm-action/set", "homie/5/other/a/alarm-action/set", "x", ""]
)
def test_other_topics_are_no_actions(topic: str) -> None:
    assert node_of("dye-shed", topic) is None
