"""The evening outlook and the morning report, worded from real states of the judgement."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from hypothesis import given
from hypothesis import strategies as st

from tests.vat.vats import SCAN_MS, Run, samples
from vatwatch.records import JournalEntry
from vatwatch.terms import EntryKind, Urgency
from vatwatch.vat.night import UNFORESEEN, NightSettings, VatNow, due, evening_outlook, morning_report

NIGHT = NightSettings(UTC, 20 * 60, 7 * 60)
HOUR = 3_600_000


def now_of(run: Run) -> VatNow:
    return VatNow(run.settings, run.state, run.last.scan)


def good(minutes: int = 200) -> Run:
    run = Run()
    run.slot(journal=[JournalEntry("l", run.slot_ms, run.slot_ms, "plain", EntryKind.CHECK, "amber")])
    run.minutes(minutes)
    return run


def tiring() -> Run:
    run = Run()
    look = JournalEntry("l", run.slot_ms, run.slot_ms, "plain", EntryKind.CHECK, "yellow-green")
    run.slot(samples(run.slot_ms + SCAN_MS, orp=-605.0), journal=[look])
    for number in range(3 * 360):
        run.slot(samples(run.slot_ms + SCAN_MS, orp=-605.0 + number / 90))
    return run


def test_a_vat_that_holds_and_one_that_does_not() -> None:
    run = good()
    push = evening_outlook(NIGHT, [now_of(run)], run.slot_ms)
    assert push is not None
    assert push.title == "Tonight: every vat should hold"
    assert push.urgency is Urgency.TELL
    assert "should hold until" in push.body
    assert push.body.endswith(UNFORESEEN), "a night's mishaps are not promised away"
    tired = tiring()
    push = evening_outlook(NIGHT, [now_of(run), now_of(tired)], tired.slot_ms)
    assert push is not None
    assert push.title == "Tonight: Plain will not hold"
    assert push.urgency is Urgency.ACT
    assert "hydrosulfite" in push.body


def test_a_vat_just_begun_is_not_promised_a_night() -> None:
    run = good(minutes=60)
    push = evening_outlook(NightSettings(UTC, 20 * 60, 7 * 60, silent_when_well=True), [now_of(run)], run.slot_ms)
    assert push is not None
    assert push.title == "Tonight: look at Plain before bed"
    assert "too short to foretell a night. Look at the liquor before bed." in push.body
    assert push.urgency is Urgency.TELL


def test_a_vat_of_which_nobody_can_be_sure_is_not_promised() -> None:
    run = Run()
    for _ in range(4 * 360):
        run.slot(samples(run.slot_ms + SCAN_MS, orp=-600.0))
    push = evening_outlook(NIGHT, [now_of(run), now_of(good())], run.slot_ms)
    assert push is not None
    assert push.title == "Tonight: look at Plain before bed"
    assert "may hold until" in push.body
    assert "nobody can be sure" in push.body
    assert "should hold until" in push.body, "the other one, which is sure"


def test_silence_when_there_is_nothing_to_say() -> None:
    run = good()
    quiet = NightSettings(UTC, 20 * 60, 7 * 60, silent_when_well=True)
    assert evening_outlook(quiet, [now_of(run)], run.slot_ms) is None
    assert morning_report(quiet, [now_of(run)], run.slot_ms - 12 * HOUR, run.slot_ms) is None


def test_the_morning_says_what_happened() -> None:
    run = good()
    for t in (*range(30, 64), *range(63, 29, -1)):  # a liquor warms and cools by degrees
        run.minutes(2, t=float(t))
    run.minutes(30)
    push = morning_report(NIGHT, [now_of(run)], run.slot_ms - 12 * HOUR, run.slot_ms)
    assert push is not None
    assert push.title == "This morning: Plain is dyeable"
    assert "TOO HOT at" in push.body


@given(st.integers(0, 2 * 365 * 86_400), st.sampled_from(["UTC", "Europe/Lisbon", "America/St_Johns"]))
def test_the_hour_strikes_once_a_day(start_s: int, zone: str) -> None:
    """Over two days of 10 s slots, clock changes included, the evening comes at most once a day and at least once."""
    tz = ZoneInfo(zone)
    base = int(datetime(2026, 1, 1, tzinfo=UTC).timestamp() + start_s) * 1000
    struck = [t for t in range(base, base + 48 * HOUR, 600_000) if due(20 * 60, tz, t - 600_000, t)]
    assert len(struck) == 2
