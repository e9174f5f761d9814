"""The MQTT outlet on a healthy broker: life cycle, alerts, leftovers, and a controller that reads it."""

from __future__ import annotations

import time

import pytest
from ebus_sdk.homie import Controller

from tests.outlets.book import T0, Book, alarm, card, measured, scan
from tests.outlets.shed import DEVICE, VAT, deliver, outlet, settings, tree_of
from tests.services import HOST, Mosquitto, wait_until
from vatwatch.outlets.forwarder import Forwarder
from vatwatch.outlets.mqtt import MqttOutlet
from vatwatch.terms import AlarmState, Flag, Stream, VatCondition


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
