"""A dye shed's MQTT outlet and its retained tree on the broker, for the tests that need both."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from tests.outlets.book import T0, Book
from tests.services import HOST, retained_tree, wait_until
from vatwatch.errors import OutletRetryable
from vatwatch.outlets.mqtt import MqttOutlet, MqttSettings
from vatwatch.terms import Stream

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
