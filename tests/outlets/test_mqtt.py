"""The MQTT outlet against a real broker: life cycle, outages, leftovers, and a controller that reads it."""

from __future__ import annotations

import gc
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from ebus_sdk.homie import Controller

from tests.outlets.book import T0, Book, alarm, card, measured, scan
from tests.services import HOST, Mosquitto, free_port, retained_tree, wait_until
from vatwatch.errors import ConfigError, OutletError, OutletRetryable
from vatwatch.outlets.forwarder import Forwarder
from vatwatch.outlets.mqtt import MqttOutlet, MqttSettings
from vatwatch.outlets.mqtt_link import Session
from vatwatch.records import AlarmState, Flag, Numbered, Stream, VatCondition

DEVICE = "homie/5/dye-shed/"
VAT = DEVICE + "madder-lane/"


def settings(port: int, **more: object) -> MqttSettings:
    return MqttSettings(HOST, port, "dye-shed", "The dye shed", **more)  # type: ignore[arg-type]


@contextmanager
def outlet(book: Book, port: int, **more: object) -> Iterator[MqttOutlet]:
    made = MqttOutlet(settings(port, **more), book.open, lambda: T0)
    try:
        yield made
    finally:
        made.close()


def deliver(made: MqttOutlet, book: Book, stream: Stream = Stream.SCANS, within_s: float = 20.0) -> None:
    """Deliver the newest row, trying again as a forwarder would."""
    newest = book.rows[stream][-1]

    def taken() -> bool:
        try:
            made.deliver(stream, [newest])
        except OutletRetryable:
            return False
        return True

    wait_until(taken, "the broker takes the row", within_s)


def tree_of(port: int, ready: Callable[[dict[str, str]], bool], within_s: float = 15.0) -> dict[str, str]:
    """The retained tree as soon as it looks as wanted."""
    found: dict[str, str] = {}

    def look() -> bool:
        nonlocal found
        with retained_tree(port, DEVICE + "#") as tree:
            found = dict(tree)
        return ready(found)

    wait_until(look, f"a tree as wanted on the broker; last seen {sorted(found.items())}", within_s)
    return found


@pytest.fixture
def book() -> Book:
    made = Book()
    made.vats = [card(), card("woad-2", "Woad")]
    made.add(scan(1))
    return made


@pytest.fixture
def broker() -> Iterator[Mosquitto]:
    with Mosquitto() as running:
        yield running


def test_the_life_of_a_device(book: Book, broker: Mosquitto) -> None:
    with outlet(book, broker.port) as made:
        deliver(made, book)
        tree = tree_of(broker.port, lambda t: t.get(DEVICE + "$state") == "ready")
        assert tree[VAT + "ph"] == "11.02"
        assert tree[DEVICE + "woad-2/condition"] == "unknown"
        assert DEVICE + "woad-2/ph" not in tree
        book.add(scan(2, condition=VatCondition.TOO_HOT, ph=measured(None, Flag.MISSING)))
        deliver(made, book)
        tree = tree_of(broker.port, lambda t: VAT + "ph" not in t)
        assert tree[VAT + "ph-status"] == "missing"
        assert tree[VAT + "condition"] == "too hot"
        assert tree[VAT + "read-at"] == "2026-01-01T00:00:20.000Z"
        assert tree[VAT + "orp"] == "-742.4"
    assert tree_of(broker.port, lambda _: True)[DEVICE + "$state"] == "disconnected"


def test_alerts_come_and_go(book: Book, broker: Mosquitto) -> None:
    topic = DEVICE + "$alert/madder-lane-overheat"
    with outlet(book, broker.port) as made:
        deliver(made, book)
        book.add(alarm(2, AlarmState.UNACKNOWLEDGED))
        deliver(made, book, Stream.ALARM_EVENTS)
        assert tree_of(broker.port, lambda t: topic in t)[topic].startswith("Madder Lane: overheat since")
        book.add(alarm(3, AlarmState.NORMAL))
        deliver(made, book, Stream.ALARM_EVENTS)
        tree_of(broker.port, lambda t: topic not in t)


def test_announcements_keep_the_order_of_the_convention_and_only_changes_follow(book: Book, broker: Mosquitto) -> None:
    import paho.mqtt.client as mqtt
    from paho.mqtt.enums import CallbackAPIVersion

    seen: list[tuple[str, str]] = []
    listener = mqtt.Client(CallbackAPIVersion.VERSION2)
    listener.on_message = lambda _c, _u, m: seen.append((m.topic.removeprefix(DEVICE), m.payload.decode()))
    listener.connect(HOST, broker.port)
    listener.subscribe(DEVICE + "#", qos=2)
    listener.loop_start()
    try:
        with outlet(book, broker.port) as made:
            deliver(made, book)
            wait_until(lambda: ("$state", "ready") in seen, "the device is ready")
            topics = [topic for topic, _ in seen]
            assert seen[0] == ("$state", "init")
            assert topics[1] == "$description"
            assert topics.index("madder-lane/ph") < seen.index(("$state", "ready"))
            time.sleep(0.2)
            seen.clear()
            book.add(scan(5))
            deliver(made, book)
            wait_until(lambda: len(seen) > 0, "the change arrives")
            time.sleep(0.2)
            assert seen == [("madder-lane/read-at", "2026-01-01T00:00:50.000Z")]
    finally:
        listener.disconnect()
        listener.loop_stop()


@pytest.mark.filterwarnings("ignore:Callback API version 1:DeprecationWarning")  # the controller's own client
def test_a_controller_reads_the_tree(book: Book, broker: Mosquitto) -> None:
    controller = Controller(mqtt_cfg={"host": HOST, "port": broker.port}, homie_domain="homie")
    try:
        controller.start_discovery()
        with outlet(book, broker.port) as made:
            deliver(made, book)

            def complete() -> bool:
                device = controller.get_device("dye-shed")
                return (
                    device is not None
                    and device.state == "ready"
                    and bool(device.get_property("madder-lane", "read-at"))
                )

            wait_until(complete, "the controller knows the device")
            device = controller.get_device("dye-shed")
            assert device is not None
            assert sorted(device.get_nodes()) == ["madder-lane", "woad-2"]
            known = device.get_node_properties("madder-lane")
            assert known["condition"]["datatype"] == "enum"
            assert device.get_property("madder-lane", "reduction") == "96.4"
            wait_until(lambda: device.get_property("woad-2", "condition") == "unknown", "the other vat is read too")
    finally:
        controller.stop()


def test_no_broker_is_retryable_and_a_late_broker_is_found(book: Book) -> None:
    late = Mosquitto()
    try:
        with outlet(book, late.port) as made:
            with pytest.raises(OutletRetryable, match=f"no broker answers at {HOST}:{late.port}") as caught:
                made.deliver(Stream.SCANS, [Numbered(1, scan(1))])
            assert caught.value.retry_after_s == 5.0
            late.start()
            deliver(made, book)
            tree_of(late.port, lambda t: t.get(DEVICE + "$state") == "ready")
    finally:
        late.__exit__(None, None, None)


def test_a_broker_that_lost_everything_is_told_everything_again_without_a_new_row(
    book: Book, broker: Mosquitto
) -> None:
    with outlet(book, broker.port) as made:
        deliver(made, book)
        book.add(alarm(2, AlarmState.UNACKNOWLEDGED), scan(2))
        broker.restart()
        tree = tree_of(broker.port, lambda t: t.get(DEVICE + "$state") == "ready", within_s=30)
        assert tree[VAT + "read-at"] == "2026-01-01T00:00:20.000Z", "the newest state, not the last one delivered"
        assert DEVICE + "$alert/madder-lane-overheat" in tree
        assert DEVICE + "$description" in tree


def test_a_broker_that_hangs_is_noticed_and_found_again(
    book: Book, broker: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    patient = Session.publish

    def impatient(self: Session, messages: object, timeout_s: float = 1.0) -> None:
        patient(self, messages, timeout_s=1.0)  # type: ignore[arg-type]

    with outlet(book, broker.port) as made:
        deliver(made, book)
        monkeypatch.setattr(Session, "publish", impatient)
        book.add(scan(2))
        broker.freeze()
        began = time.monotonic()
        with pytest.raises(OutletRetryable, match="has not acknowledged"):
            made.deliver(Stream.SCANS, book.rows[Stream.SCANS][-1:])
        assert time.monotonic() - began < 3
        broker.thaw()
        deliver(made, book)
        tree = tree_of(broker.port, lambda t: t.get(DEVICE + "$state") == "ready")
        assert tree[VAT + "read-at"] == "2026-01-01T00:00:20.000Z"


def test_what_an_earlier_run_left_behind_is_cleared(book: Book, broker: Mosquitto) -> None:
    book.vats = [card(), card("old-vat", "Old")]
    book.add(scan(1, "old-vat"), alarm(1, AlarmState.UNACKNOWLEDGED))
    with outlet(book, broker.port) as made:
        deliver(made, book)
    later = Book()
    later.vats = [card()]
    later.add(scan(3, ph=measured(None, Flag.FAIL)))
    with outlet(later, broker.port) as made:
        deliver(made, later)
        tree = tree_of(broker.port, lambda t: t.get(DEVICE + "$state") == "ready")
        assert not [topic for topic in tree if "old-vat" in topic or "$alert" in topic]
        assert VAT + "ph" not in tree
        assert '"old-vat"' not in tree[DEVICE + "$description"]


def test_a_vat_that_is_new_in_the_settings_is_described(book: Book, broker: Mosquitto) -> None:
    with outlet(book, broker.port) as made:
        deliver(made, book)
        book.vats.append(card("weld-3", "Weld"))
        book.add(scan(2, "weld-3"))
        deliver(made, book)
        tree = tree_of(broker.port, lambda t: t.get(DEVICE + "weld-3/ph") == "11.02")
        assert '"weld-3"' in tree[DEVICE + "$description"]
        assert tree[DEVICE + "$state"] == "ready"


def test_a_living_device_called_lost_says_that_it_is_ready(book: Book, broker: Mosquitto) -> None:
    import paho.mqtt.publish as publish

    with outlet(book, broker.port) as made:
        deliver(made, book)
        publish.single(DEVICE + "$state", "lost", qos=1, retain=True, hostname=HOST, port=broker.port)
        tree_of(broker.port, lambda t: t.get(DEVICE + "$state") == "ready")


def test_a_failing_callback_does_not_kill_the_connection(
    book: Book, broker: Mosquitto, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(self: MqttOutlet, session: Session, topic: str, payload: str, retained: bool) -> None:
        raise KeyError("a bug in hearing")

    monkeypatch.setattr(MqttOutlet, "_hear", broken)
    with outlet(book, broker.port) as made:
        deliver(made, book)
        book.add(scan(2))
        made.deliver(Stream.SCANS, book.rows[Stream.SCANS][-1:])
        tree = tree_of(broker.port, lambda t: t.get(DEVICE + "$state") == "ready")
        assert tree[VAT + "read-at"] == "2026-01-01T00:00:20.000Z"
    assert "a callback failed" in caplog.text


def test_password(book: Book) -> None:
    right, wrong = "indigo blue", "ochre"
    with Mosquitto(user=("ida", right)) as guarded:
        with outlet(book, guarded.port, username="ida", password=wrong) as made:
            with pytest.raises(OutletError, match="username and password") as caught:
                made.deliver(Stream.SCANS, book.rows[Stream.SCANS])
            assert wrong not in str(caught.value)
        with outlet(book, guarded.port, username="ida", password=right) as made:
            deliver(made, book)
        assert right not in repr(settings(1883, username="ida", password=right))


# paho leaves the socket of a refused handshake to the garbage collector.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning", "ignore::ResourceWarning")
def test_tls(book: Book) -> None:
    with Mosquitto(tls=True) as sealed:
        with outlet(book, sealed.port, tls=True) as made, pytest.raises(OutletRetryable, match="certificate"):
            made.deliver(Stream.SCANS, book.rows[Stream.SCANS])
        gc.collect()
        with outlet(book, sealed.port, tls=True, ca_file=str(sealed.ca_file)) as made:
            deliver(made, book)


def test_settings_are_checked() -> None:
    with pytest.raises(ConfigError, match="site_id"):
        MqttSettings(HOST, 1883, "Dye Shed", "x")
    with pytest.raises(ConfigError, match="ca_file"):
        MqttSettings(HOST, 1883, "shed", "x", ca_file="/nowhere/ca.pem")
    with pytest.raises(ConfigError, match="port"):
        MqttSettings(HOST, 0, "shed", "x")


def test_closing_is_prompt_without_a_broker(book: Book) -> None:
    with outlet(book, free_port()) as made:
        with pytest.raises(OutletRetryable):
            made.deliver(Stream.SCANS, book.rows[Stream.SCANS])
        began = time.monotonic()
        made.close()
        assert time.monotonic() - began < 3


def test_the_forwarder_carries_state_to_the_broker(book: Book, broker: Mosquitto) -> None:
    forwarder = Forwarder(
        MqttOutlet(settings(broker.port), book.open, lambda: T0), book.open, book, lambda: int(time.time() * 1000)
    )
    forwarder.start()
    try:
        tree_of(broker.port, lambda t: t.get(DEVICE + "$state") == "ready")
        book.add(*(scan(slot) for slot in range(2, 40)))
        forwarder.notify()
        tree_of(broker.port, lambda t: t.get(VAT + "read-at") == "2026-01-01T00:06:30.000Z")
    finally:
        assert forwarder.stop(10)
    assert book.delivery("mqtt", Stream.SCANS).position == 39
    assert tree_of(broker.port, lambda _: True)[DEVICE + "$state"] == "disconnected"


_CHILD = """
import sys, time
from tests.outlets.book import T0, Book, card, scan
from vatwatch.outlets.mqtt import MqttOutlet, MqttSettings
from vatwatch.records import Stream
book = Book()
book.vats = [card()]
book.add(scan(1))
made = MqttOutlet(MqttSettings("127.0.0.1", int(sys.argv[1]), "dye-shed", "The dye shed"), book.open, lambda: T0)
made.deliver(Stream.SCANS, book.rows[Stream.SCANS])
print("delivered", flush=True)
time.sleep(600)
"""


def test_kill_minus_nine_leaves_lost_behind(broker: Mosquitto) -> None:
    root = Path(__file__).parents[2]
    child = subprocess.Popen(
        [sys.executable, "-c", _CHILD, str(broker.port)],
        stdout=subprocess.PIPE,
        cwd=root,
        env=os.environ | {"PYTHONPATH": str(root)},
    )
    try:
        assert child.stdout is not None
        assert child.stdout.readline() == b"delivered\n"
        tree_of(broker.port, lambda t: t.get(DEVICE + "$state") == "ready")
        child.send_signal(signal.SIGKILL)
        child.wait(10)
        tree_of(broker.port, lambda t: t.get(DEVICE + "$state") == "lost")
    finally:
        child.kill()
        child.wait(10)
        assert child.stdout is not None
        child.stdout.close()
