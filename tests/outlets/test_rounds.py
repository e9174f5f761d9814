"""What a phone is sent when: quiet hours, much at once, outages, danger past all of it. Hypothesis holds the promises."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vatwatch.outlets.digests import OCCURS, RETURNS, Message
from vatwatch.outlets.rounds import LATE_MS, MINUTE_MS, Lane, Round, Wishes, next_round, quiet_until_ms, wants
from vatwatch.records import AlarmEvent, Numbered, Push
from vatwatch.terms import AlarmState, Urgency
from vatwatch.vat.alarms import Trigger
from vatwatch.vat.wording import _push_id

HOUR = 60 * MINUTE_MS
EVENING = int(datetime(2026, 6, 1, 20, 0, tzinfo=UTC).timestamp() * 1000)
PLAIN = Wishes(UTC)
QUIET = Wishes(UTC, quiet_from_minute=22 * 60, quiet_until_minute=7 * 60)
MORNING = EVENING + 11 * HOUR


def push(
    at_ms: int,
    alarm: str = "off-cold",
    how: str = "occurs",
    urgency: Urgency = Urgency.ACT,
    vat: str = "tub",
    n: int = 1,
) -> Push:
    title = f"Tub: {alarm}" if how != "returns-to-normal" else f"Tub: no longer {alarm}"
    return Push(
        f"{vat}-{alarm}-{n}-{how}-{at_ms}",
        at_ms,
        vat,
        alarm,
        urgency,
        title,
        f"Seen at {at_ms}.\nWhat to do: mend {alarm}.",
    )


def rows(*pushes: Push) -> list[Numbered]:
    return [Numbered(n, one) for n, one in enumerate(pushes, start=1)]


def run(
    given: list[Numbered],
    wishes: Wishes = PLAIN,
    lane: Lane = Lane.OTHERS,
    now: int = EVENING,
    sent: tuple[int, ...] = (),
    standing: frozenset[tuple[str, str]] | None = frozenset({("tub", "off-cold")}),
) -> Round:
    return next_round(given, wishes, lane, now, sent, standing)


def test_the_marks_in_an_id_are_those_of_the_judgement() -> None:
    event = AlarmEvent(5, "tub", "off-cold", 2, "", AlarmState.NORMAL, AlarmState.NORMAL)
    assert RETURNS in _push_id(replace(event, transition=Trigger.RETURNS.value))
    assert OCCURS in _push_id(replace(event, transition=Trigger.OCCURS.value))


def test_one_push_goes_out_as_it_is() -> None:
    one = push(EVENING)
    found = run(rows(one))
    assert (found.through, found.message) == (1, Message(one.title, one.body, "", one.push_id, Urgency.ACT))


def test_quiet_hours_hold_all_but_danger_and_say_until_when() -> None:
    night = EVENING + 4 * HOUR
    ordinary, danger = push(night), push(night, "overheat", urgency=Urgency.DANGER)
    held = run(rows(ordinary, danger), QUIET, now=night)
    assert (held.through, held.message, held.held_until_ms, held.held) == (0, None, MORNING, 1)
    told = run(rows(ordinary, danger), QUIET, Lane.DANGER, night)
    assert told.message is not None
    assert (told.through, told.message.title) == (2, danger.title)


def test_the_morning_brings_one_message_of_what_still_matters() -> None:
    night = EVENING + 4 * HOUR
    given = rows(
        push(night, "off-cold"),
        push(night + HOUR, "off-ph-low", n=7),
        push(night + 2 * HOUR, "off-ph-low", "returns-to-normal", Urgency.TELL, n=7),
    )
    found = run(given, QUIET, now=MORNING)
    assert found.through == 3
    assert found.message is not None
    assert found.message.title == "Tub: off-cold"
    assert found.message.body == (
        "In your quiet hours:\n00:00  Tub: off-cold\nWhat to do: mend off-cold.\n"
        "Over by now:\n01:00 to 02:00  Tub: off-ph-low"
    )
    assert found.message.urgency is Urgency.ACT


def test_the_morning_report_goes_with_it_and_is_the_title_where_nothing_lasts() -> None:
    night = EVENING + 4 * HOUR
    words = "Tub: fine.\nOther: off."
    report = Push("morning-1", MORNING, "", "morning", Urgency.TELL, "This morning: Tub is dyeable", words)
    back = push(night, "off-ph-low", "returns-to-normal", Urgency.TELL, n=7)
    found = run(rows(back, report), QUIET, now=MORNING, standing=frozenset()).message
    assert found is not None
    assert found.title == "This morning: Tub is dyeable"
    assert words in found.body
    assert found.body.endswith("00:00  Tub: no longer off-ph-low")


def test_what_came_and_went_in_the_quiet_hours_is_not_told_but_the_end_of_what_was_told_is() -> None:
    night = EVENING + 4 * HOUR
    back = push(night + HOUR, "off-ph-low", "returns-to-normal", Urgency.TELL, n=7)
    nothing = run(rows(push(night, "off-ph-low", n=7), back), QUIET, now=MORNING, standing=frozenset())
    assert (nothing.through, nothing.message) == (2, None)
    told = run(rows(back), QUIET, now=MORNING, standing=frozenset()).message
    assert told is not None
    assert told.title == "Tub: no longer off-ph-low"
    assert told.body.startswith("Held since 01:00 for your quiet hours.\n")
    again = push(night, "off-ph-low", "re-alarms", n=7)
    end = run(rows(again, back), QUIET, now=MORNING, standing=frozenset()).message
    assert end is not None
    assert "no longer off-ph-low" in end.title + end.body, "its beginning was told before the quiet hours"


def test_the_fourth_within_ten_minutes_waits_and_comes_with_the_others_as_one() -> None:
    sent = tuple(EVENING + n * MINUTE_MS for n in range(3))
    now = EVENING + 4 * MINUTE_MS
    given = rows(*(push(now, f"off-{n}") for n in range(3)))
    held = run(given, now=now, sent=sent)
    assert (held.message, held.held_until_ms, held.held) == (None, EVENING + 10 * MINUTE_MS, 3)
    found = run(given, now=EVENING + 10 * MINUTE_MS, sent=sent, standing=None)
    assert found.through == 3
    assert found.message is not None
    assert found.message.title == "Tub: off-0, and 2 more"
    assert found.message.body.count("What to do:") == 1, "one vat: its first trouble first"


def test_four_at_once_are_one_message_at_once() -> None:
    found = run(rows(*(push(EVENING, f"off-{n}") for n in range(4))), standing=None)
    assert found.through == 4
    assert found.message is not None
    assert found.message.reference.startswith("digest-")


def test_a_week_without_the_phone_is_one_message() -> None:
    given = rows(*(push(EVENING + n * HOUR, f"off-{n % 12}", vat=f"vat-{n % 3}") for n in range(160)))
    found = run(given, now=EVENING + 170 * HOUR, standing=frozenset({("vat-0", "off-0")}))
    assert found.through == 160
    assert found.message is not None
    assert found.message.title.startswith("Sent late: ")
    assert len(found.message.body) < 1500
    assert "more; the page has them all" in found.message.body


def test_old_dangers_are_overtaken_by_their_own_repetition_and_told_whole() -> None:
    given = rows(*(push(EVENING + n * 10 * MINUTE_MS, "overheat", "re-alarms", Urgency.DANGER) for n in range(72)))
    now = EVENING + 13 * HOUR
    found = run(given, QUIET, Lane.DANGER, now, standing=frozenset({("tub", "overheat")}))
    assert found.through == 72
    assert found.message is not None
    assert found.message.title == "Tub: overheat"
    assert found.message.body.startswith("Sent late: written at 07:50. Look at the vat")
    over = run(given, QUIET, Lane.DANGER, now, standing=frozenset()).message
    assert over is not None
    assert "It is over by now." in over.body


def test_many_dangers_at_once_are_one_message_that_says_what_to_do_about_each() -> None:
    given = rows(*(push(EVENING, "overheat", urgency=Urgency.DANGER, vat=f"vat-{n}") for n in range(5)))
    found = run(given, QUIET, Lane.DANGER, standing=None)
    assert found.message is not None
    assert (found.through, found.message.urgency) == (5, Urgency.DANGER)
    assert found.message.body.count("What to do:") == 5


def test_a_phone_may_want_some_vats_only() -> None:
    wishes = Wishes(UTC, vats=frozenset({"tub"}), shed=False)
    evening = Push("evening-1", EVENING, "", "evening", Urgency.ACT, "Tonight", "x")
    given = rows(push(EVENING, vat="other"), evening, push(EVENING))
    assert run(given, wishes).through == 3
    trouble = Push("store-trouble-1", EVENING, "", "store-trouble", Urgency.DANGER, "cannot write", "x")
    assert wants(wishes, Lane.DANGER, trouble), "danger about the shed concerns everybody"


@pytest.mark.parametrize(
    ("zone", "local", "until"),
    [
        ("UTC", "2026-06-01T21:59", None),
        ("UTC", "2026-06-01T22:00", "2026-06-02T07:00"),
        ("UTC", "2026-06-02T06:59", "2026-06-02T07:00"),
        ("UTC", "2026-06-02T07:00", None),
        ("Europe/Lisbon", "2026-03-28T23:00", "2026-03-29T07:00"),  # the night in which an hour is left out
        ("Europe/Lisbon", "2026-10-24T23:00", "2026-10-25T07:00"),  # and the one in which it comes twice
    ],
)
def test_quiet_hours_follow_the_local_clock(zone: str, local: str, until: str | None) -> None:
    place = ZoneInfo(zone)

    def ms(text: str) -> int:
        return int(datetime.fromisoformat(text).replace(tzinfo=place).timestamp() * 1000)

    assert quiet_until_ms(replace(QUIET, timezone=place), ms(local)) == (None if until is None else ms(until))


PUSHES = st.lists(
    st.builds(
        push,
        at_ms=st.integers(0, 24 * 60).map(lambda m: EVENING + m * MINUTE_MS),
        alarm=st.sampled_from(["off-cold", "off-ph-low", "overheat", "silent-ph"]),
        how=st.sampled_from(["occurs", "re-alarms", "returns-to-normal"]),
        urgency=st.sampled_from(list(Urgency)),
        vat=st.sampled_from(["tub", "other", ""]),
    ),
    max_size=25,
).map(lambda found: sorted(found, key=lambda one: one.slot_ms))
WISHES = st.builds(
    Wishes,
    st.just(UTC),
    at_least=st.sampled_from(list(Urgency)),
    vats=st.sampled_from([frozenset(), frozenset({"tub"})]),
    quiet_from_minute=st.just(22 * 60),
    quiet_until_minute=st.sampled_from([7 * 60, 22 * 60]),
    at_once=st.integers(1, 4),
)


@given(PUSHES, WISHES, st.sampled_from(list(Lane)), st.lists(st.integers(0, 40), max_size=40))
@settings(max_examples=200, deadline=None)
def test_whatever_comes_when(pushes: list[Push], wishes: Wishes, lane: Lane, down: list[int]) -> None:
    """A day minute by minute, the phone away now and then: every promise at once."""
    given = rows(*pushes)
    position = 0
    sent: list[int] = []
    messages: list[tuple[int, Message]] = []
    covered: dict[int, int] = {}
    for minute in range(0, 36 * 60, 5):
        now = EVENING + minute * MINUTE_MS
        while True:
            waiting = [row for row in given if row.number > position and row.record.slot_ms <= now]  # type: ignore[union-attr]
            if not waiting:
                break
            found = next_round(waiting, wishes, lane, now, sent, None)
            assert position <= found.through <= waiting[-1].number
            if found.message is not None:
                if minute // 60 in down:
                    break
                again = next_round(waiting, wishes, lane, now, sent, None)
                assert again == found, "the same again, with the same id"
                messages.append((now, found.message))
                sent.append(now)
            elif found.through == position:
                assert found.held_until_ms is not None
                assert found.held_until_ms > now
                assert lane is Lane.OTHERS, "danger is never held"
                break
            for row in waiting:
                if position < row.number <= found.through:
                    covered[row.number] = now
            position = found.through
    assert position == len(given), "nothing waits for ever"
    for now, message in messages:
        assert (message.urgency is Urgency.DANGER) is (lane is Lane.DANGER)
        if lane is Lane.OTHERS:
            assert quiet_until_ms(wishes, now) is None
            assert sum(1 for other, _ in messages if now <= other < now + wishes.gather_ms) <= wishes.at_once
    if lane is Lane.DANGER:
        for row in given:
            one = row.record
            assert isinstance(one, Push)
            fresh = covered[row.number] - one.slot_ms <= LATE_MS
            if wants(wishes, lane, one) and fresh and not down:
                alone = any(message.reference == one.push_id for _, message in messages)
                listed = any(one.title in message.body for _, message in messages)
                assert alone or listed, "every fresh danger is told"
