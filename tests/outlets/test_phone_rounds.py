"""Phones over time, through the real forwarder and at a real receiver: outages, new phones, refusals, unusable addresses."""

from __future__ import annotations

import logging
import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC

import pytest

from tests.outlets.book import T0, Book, alarm, push
from tests.services import HOST, Answer, HttpReceiver, wait_until
from vatwatch.outlets.forwarder import Forwarder
from vatwatch.outlets.phone import PhoneOutlet, PhoneTarget
from vatwatch.outlets.rounds import Lane, Wishes
from vatwatch.records import Delivery
from vatwatch.terms import AlarmState, Stream, Urgency

HOUR = 3_600_000
NIGHT = Wishes(UTC, quiet_from_minute=0, quiet_until_minute=7 * 60)


@pytest.fixture
def receiver() -> Iterator[HttpReceiver]:
    with HttpReceiver() as made:
        yield made


class Wall:
    """A wall clock that a test sets."""

    def __init__(self) -> None:
        self.ms = T0


@contextmanager
def phone(
    book: Book, url: str, wall: Wall, wishes: Wishes | None = None, known: bool = True
) -> Iterator[list[Forwarder]]:
    """Both lanes of one phone."""
    target = PhoneTarget("ida", wishes or Wishes(UTC), url)
    outlets = [PhoneOutlet(target, lane, lambda: wall.ms, book.open) for lane in Lane]
    if known:
        for outlet in outlets:
            book.record_delivery(Delivery(outlet.name, Stream.PUSHES))
    forwarders = [Forwarder(outlet, book.open, book, lambda: wall.ms) for outlet in outlets]
    for forwarder in forwarders:
        forwarder.start()
    try:
        yield forwarders
    finally:
        assert all(forwarder.stop(10) for forwarder in forwarders)


def positions(book: Book) -> set[int]:
    return {book.delivery(name, Stream.PUSHES).position for name in ("phone-ida", "danger-phone-ida")}


def test_after_an_outage_there_is_one_message_and_the_newest_danger(receiver: HttpReceiver) -> None:
    book, wall = Book(), Wall()
    wall.ms = T0 + 100 * HOUR
    book.add(*(push(i, T0 + i * HOUR, vat=f"vat-{i % 3}") for i in range(40)))
    book.add(*(push(90 + i, T0 + 41 * HOUR + i, Urgency.DANGER) for i in range(30)))
    with phone(book, f"json://{HOST}:{receiver.port}/hook", wall):
        wait_until(lambda: positions(book) == {70}, "both lanes are through")
    titles = sorted(heard.json["title"] for heard in receiver.heard)
    assert len(titles) == 2, titles
    assert titles == ["Madder Lane: the liquor is losing its reduction (119)", titles[1]]
    assert titles[1].startswith("Sent late: ")


def test_quiet_hours_hold_in_the_store_and_danger_passes(receiver: HttpReceiver) -> None:
    book, wall = Book(), Wall()
    wall.ms = T0 + 2 * HOUR
    book.add(alarm(1, AlarmState.UNACKNOWLEDGED, name="off-reduction-low"))
    with phone(book, f"json://{HOST}:{receiver.port}/hook", wall, NIGHT) as (_danger, others):
        book.add(push(1, wall.ms), push(2, wall.ms, Urgency.DANGER))
        wait_until(lambda: receiver.heard, "the danger")
        wait_until(lambda: others.held is not None, "the other is held")
        assert others.held == (T0 + 7 * HOUR, 1)
        assert book.delivery("phone-ida", Stream.PUSHES).last_error == "", "holding is no failure"
    assert [heard.json["title"] for heard in receiver.heard] == [push(2).title]
    wall.ms = T0 + 7 * HOUR
    with phone(book, f"json://{HOST}:{receiver.port}/hook", wall, NIGHT, known=False):
        wait_until(lambda: len(receiver.heard) == 2, "what was held")
    assert receiver.heard[1].json["message"].startswith("Held since 02:00 for your quiet hours.")
    assert positions(book) == {2}


def test_a_new_phone_is_not_told_the_season_behind(receiver: HttpReceiver) -> None:
    book, wall = Book(), Wall()
    book.add(*(push(i, T0, urgency) for i in range(50) for urgency in (Urgency.ACT, Urgency.DANGER)))
    with phone(book, f"json://{HOST}:{receiver.port}/hook", wall, known=False):
        wait_until(lambda: positions(book) == {100}, "both lanes begin at the end")
        book.add(push(77, T0, Urgency.ACT), push(78, T0, Urgency.DANGER))
        wait_until(lambda: len(receiver.heard) == 2, "what comes after")
    assert {heard.json["title"] for heard in receiver.heard} == {push(77).title, push(78).title}


def test_where_nothing_was_pushed_yet_the_first_push_reaches_it_also_after_a_kill(receiver: HttpReceiver) -> None:
    book, wall = Book(), Wall()
    with phone(book, f"json://{HOST}:{receiver.port}/hook", wall, known=False):
        wait_until(lambda: len(book.kept) == 2, "both lanes have begun")
    book.add(push(1))
    with phone(book, f"json://{HOST}:{receiver.port}/hook", wall, known=False):
        wait_until(lambda: receiver.heard, "the first push")


@pytest.mark.parametrize("status", [429, 503])
def test_a_receiver_that_asks_for_time_is_given_it(
    receiver: HttpReceiver, status: int, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.WARNING)
    receiver.respond = lambda _: Answer(status, {"Retry-After": "1"}) if len(receiver.heard) == 1 else Answer()
    book, wall = Book(), Wall()
    book.add(push(1))
    with phone(book, f"json://{HOST}:{receiver.port}/hook", wall):
        wait_until(lambda: positions(book) == {1}, "it is delivered at the second try")
    assert len(receiver.heard) == 2
    assert "next try in 1 s" in caplog.text
    receiver.respond = lambda _: Answer(status, {"Retry-After": "1800"})
    book.add(push(2))
    with phone(book, f"json://{HOST}:{receiver.port}/hook", wall):
        wait_until(lambda: book.delivery("phone-ida", Stream.PUSHES).failures, "it is refused")
    assert re.search(r"next try in 1[89]\d\d s", caplog.text)


def test_an_address_that_cannot_be_used_is_told_at_the_start(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.WARNING)
    book, wall = Book(), Wall()
    with phone(book, "whistle://s3cret@host", wall):
        wait_until(lambda: book.delivery("phone-ida", Stream.PUSHES).last_error, "it is in the record")
    assert (
        "cannot be used: [phone.ida] url begins with 'whistle'" in book.delivery("phone-ida", Stream.PUSHES).last_error
    )
    assert "cannot be used" in caplog.text
    assert "s3cret" not in caplog.text
