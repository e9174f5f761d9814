"""The MQTT outlet when things go wrong: absent, frozen and forgetful brokers, refusals, its own death."""

from __future__ import annotations

import gc
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.outlets.book import Book, alarm, scan
from tests.outlets.shed import DEVICE, VAT, deliver, outlet, settings, tree_of
from tests.services import HOST, Mosquitto, free_port, wait_until
from vatwatch.errors import ConfigError, OutletError, OutletRetryable
from vatwatch.outlets.mqtt import MqttOutlet, MqttSettings
from vatwatch.outlets.mqtt_link import Session
from vatwatch.records import Numbered
from vatwatch.terms import AlarmState, Stream


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


def test_two_daemons_with_one_site_id_are_told_so(book: Book, broker: Mosquitto) -> None:
    said: list[str] = []

    def both_fight() -> bool:
        for each in (one, two):
            try:
                each.deliver(Stream.SCANS, book.rows[Stream.SCANS])
            except OutletRetryable as error:
                said.append(str(error))
        return any("another vatwatch using the site id 'dye-shed'" in text for text in said)

    with outlet(book, broker.port) as one, outlet(book, broker.port) as two:
        wait_until(both_fight, "the namesake is suspected", within_s=60)


def test_settings_are_checked() -> None:
    with pytest.raises(ConfigError, match=r"\[site\] id"):
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


_CHILD = """
import sys, time
from tests.outlets.book import T0, Book, card, scan
from vatwatch.outlets.mqtt import MqttOutlet, MqttSettings
from vatwatch.terms import Stream
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
