"""The alarms of the shed as a whole: told once, again when something joins, over once; exact through a restart."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.vat.vats import SETTINGS
from vatwatch.calibration_due import overdue
from vatwatch.records import AlarmAction, AlarmEvent, Push
from vatwatch.terms import ActionVerb, AlarmState, Urgency
from vatwatch.vat.settings import DAY_MS, HOUR_MS, MINUTE_MS
from vatwatch.vat.shed_alarms import (
    CALIBRATION_DUE,
    CLOCK_UNSET,
    DEFINITIONS,
    DISK_LOW,
    OUTLET_UNDELIVERED,
    Overdue,
    ShedFacts,
    ShedState,
    Undelivered,
    shed_from_json,
    shed_to_json,
    step_shed,
)

NOON = int(datetime(2026, 6, 1, 12, tzinfo=UTC).timestamp() * 1000)
WELL = ShedFacts((), (), 10**11, True, 0)
PH, ORP = Overdue("tub-ph", "Warm tub", "calibrated long ago"), Overdue("tub-orp", "Warm tub", "calibrated long ago")
PHONE = Undelivered("phone ida", NOON - HOUR_MS, "did not take the message", True)
BROKER = Undelivered("the MQTT broker", NOON - HOUR_MS, "no broker answers", False)


@dataclass
class Drive:
    state: ShedState = field(default_factory=ShedState)
    now: int = NOON
    events: list[AlarmEvent] = field(default_factory=list)
    pushes: list[Push] = field(default_factory=list)

    def minutes(self, count: int, facts: ShedFacts, *actions: AlarmAction) -> list[Push]:
        told: list[Push] = []
        for _ in range(count):
            self.now += MINUTE_MS
            # Every step from the kept text: nothing may live outside it.
            self.state, events, pushes = step_shed(
                shed_from_json(shed_to_json(self.state)), self.now, facts, actions, UTC
            )
            actions = ()
            self.events += events
            told += pushes
        self.pushes += told
        return told

    def action(self, alarm: str, verb: ActionVerb, until_ms: int | None = None) -> AlarmAction:
        return AlarmAction(f"a{self.now}", self.now, "", alarm, verb, until_ms)


def well(**changes: object) -> ShedFacts:
    return ShedFacts(**{**{name: getattr(WELL, name) for name in WELL.__slots__}, **changes})


def test_a_calibration_is_told_once_and_again_when_another_probe_joins() -> None:
    drive = Drive()
    assert drive.minutes(60, WELL) == []
    (first,) = drive.minutes(40 * 24 * 60 // 10, well(overdue=(PH,)))
    assert (first.title, first.urgency, first.vat) == ("Calibration due: tub-ph", Urgency.TELL, "")
    assert "`vatwatch calibrate tub-ph`" in first.body
    (second,) = drive.minutes(100, well(overdue=(PH, ORP)))
    assert second.title == "Calibration due: tub-ph and tub-orp"
    assert drive.minutes(100, well(overdue=(ORP,))) == []
    assert drive.minutes(100, well(overdue=())) == [], "who calibrated it knows"
    assert len(drive.minutes(5, well(overdue=(PH,)))) == 1, "due again after years is news"


def test_it_can_be_acknowledged_and_shelved_as_the_vats_alarms_can() -> None:
    drive = Drive()
    drive.minutes(1, well(overdue=(PH,)))
    drive.minutes(1, well(overdue=(PH,)), drive.action(CALIBRATION_DUE, ActionVerb.ACKNOWLEDGE))
    assert drive.state.alarms[CALIBRATION_DUE].state is AlarmState.ACKNOWLEDGED
    until = drive.now + 90 * MINUTE_MS
    drive.minutes(1, well(overdue=(PH,)), drive.action(CALIBRATION_DUE, ActionVerb.SHELVE, until))
    assert drive.minutes(80, well(overdue=(PH, ORP))) == []
    assert [push.title for push in drive.minutes(20, well(overdue=(PH, ORP)))] == [
        "Calibration due: tub-ph and tub-orp"
    ]


def test_an_outlet_that_gets_nothing_through_is_told_with_the_urgency_of_who_depends_on_it() -> None:
    drive = Drive()
    (broker,) = drive.minutes(5, well(undelivered=(BROKER,)))
    assert (broker.title, broker.urgency) == ("Nothing gets through to the MQTT broker", Urgency.TELL)
    (both,) = drive.minutes(5, well(undelivered=(BROKER, PHONE)))
    assert both.urgency is Urgency.ACT
    assert "Phone ida: nothing since 11:00 (did not take the message)." in both.body
    assert drive.minutes(20 * 60, well(undelivered=(BROKER, PHONE))) == []
    assert len(drive.minutes(5 * 60, well(undelivered=(BROKER, PHONE)))) == 1, "once a day"
    (over,) = drive.minutes(30, WELL)
    assert (over.title, over.urgency) == ("Everything gets through again", Urgency.TELL)


def test_little_room_needs_to_be_cleared_by_more_than_a_hair() -> None:
    drive = Drive()
    (low,) = drive.minutes(10, well(free_bytes=180_000_000))
    assert low.title == "The disk is nearly full: 180 MB left"
    assert drive.minutes(60, well(free_bytes=220_000_000)) == []
    assert drive.state.alarms[DISK_LOW].state is AlarmState.UNACKNOWLEDGED
    (over,) = drive.minutes(10, well(free_bytes=900_000_000))
    assert over.title.startswith("There is room on the disk again")


@pytest.mark.parametrize(
    ("facts", "said"),
    [
        (well(clock_set=False), "No time server"),
        (well(behind_ms=5 * MINUTE_MS), "5 min behind the end of the record"),
        (well(clock_set=None, behind_ms=5 * MINUTE_MS), "behind"),
    ],
)
def test_a_clock_nobody_has_set(facts: ShedFacts, said: str) -> None:
    drive = Drive()
    assert drive.minutes(29, facts) == [], "a machine that has just started is given half an hour"
    (told,) = drive.minutes(3 * 24 * 60 // 10, facts)
    assert said in told.body
    assert [push.title for push in drive.minutes(10, WELL)] == ["The computer's clock is set"]


def test_what_cannot_be_found_out_raises_and_clears_nothing() -> None:
    drive = Drive()
    assert drive.minutes(100, ShedFacts()) == []
    drive.minutes(10, well(undelivered=(PHONE,), free_bytes=1))
    assert drive.minutes(100, ShedFacts()) == []
    assert drive.state.alarms[OUTLET_UNDELIVERED].state is AlarmState.UNACKNOWLEDGED
    assert drive.state.alarms[DISK_LOW].state is AlarmState.UNACKNOWLEDGED
    assert CLOCK_UNSET in DEFINITIONS


@pytest.mark.parametrize("hour", range(0, 24, 3))
def test_a_calibration_that_falls_due_at_night_is_told_in_the_morning(hour: int) -> None:
    zone = ZoneInfo("Europe/Lisbon")
    made = datetime(2026, 5, 3, hour, 30, tzinfo=zone)
    probe = SETTINGS.probes[0]
    vat = type(SETTINGS)(
        **{name: getattr(SETTINGS, name) for name in SETTINGS.__slots__}
        | {"probes": (type(probe)(probe.probe, probe.signal, 1, 1.0, calibrated_ms=int(made.timestamp() * 1000)),)}
    )
    first = None
    for minute in range(0, 3 * 24 * 60, 5):
        now_ms = int(made.timestamp() * 1000) + 29 * DAY_MS + minute * MINUTE_MS
        if overdue([vat], now_ms, zone):
            first = datetime.fromtimestamp(now_ms / 1000, zone)
            break
    assert first is not None
    assert (first.hour, first.minute) == (9, 0)
    assert 0 <= (first - made).total_seconds() - 30 * 86_400 < 86_400


FACTS = st.builds(
    ShedFacts,
    overdue=st.sampled_from([None, (), (PH,), (PH, ORP)]),
    undelivered=st.sampled_from([None, (), (PHONE,), (BROKER, PHONE)]),
    free_bytes=st.sampled_from([None, 0, 220_000_000, 10**10]),
    clock_set=st.sampled_from([None, False, True]),
    behind_ms=st.sampled_from([None, 0, DAY_MS]),
)


@given(st.lists(st.tuples(st.integers(1, 90), FACTS, st.sampled_from([None, *ActionVerb])), max_size=15))
@settings(max_examples=25, deadline=None)
def test_the_story_is_whole_whatever_comes(story: list[tuple[int, ShedFacts, ActionVerb | None]]) -> None:
    drive = Drive()
    for minutes, facts, verb in story:
        actions = [] if verb is None else [drive.action(name, verb) for name in DEFINITIONS]
        drive.minutes(minutes, facts, *actions)
    for name in DEFINITIONS:
        state = AlarmState.NORMAL
        for event in drive.events:
            if event.alarm == name:
                assert event.from_state is state
                state = event.to_state
    assert len({push.push_id for push in drive.pushes}) == len(drive.pushes)
