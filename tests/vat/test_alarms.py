"""The alarm's life against ISA-18.2 / IEC 62682 (states and transitions as named in OPC UA Part 9)."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.vat.alarm_diagram import PAGE, diagram, put_in
from vatwatch.records import AlarmAction, AlarmEvent
from vatwatch.terms import ActionVerb, AlarmState, Urgency
from vatwatch.vat.alarms import (
    DANGER_AGAIN_MS,
    LATCHED_ON_RETURN,
    LONGEST_DANGER_SHELVE_MS,
    STANDING,
    TRANSITIONS,
    AlarmDefinition,
    AlarmMemory,
    Situation,
    Trigger,
    step_alarm,
)
from vatwatch.vat.settings import AlarmTiming

TICK = 10_000
PLAIN = AlarmDefinition("off-ph-low", Urgency.ACT, AlarmTiming(30_000, 20_000, 120_000))
LATCHING = AlarmDefinition("overheat", Urgency.DANGER, AlarmTiming(0, 0, None), latching=True)
BEYOND, INSIDE, UNKNOWN = Situation(beyond=True), Situation(beyond=False), Situation(beyond=None)


@dataclass
class Drive:
    definition: AlarmDefinition
    memory: AlarmMemory = field(default_factory=AlarmMemory)
    now: int = 1_000_000
    events: list[AlarmEvent] = field(default_factory=list)

    def tick(self, situation: Situation, *verbs: ActionVerb, until_ms: int | None = None) -> AlarmState:
        self.now += TICK
        actions = [
            AlarmAction(f"{self.now}{verb}", self.now, "v", self.definition.alarm, verb, until_ms) for verb in verbs
        ]
        self.memory, fired = step_alarm(self.definition, self.memory, self.now, "v", situation, actions)
        self.events += fired
        return self.memory.state


def test_isa_transitions_are_all_there() -> None:
    """The lettered transitions of the ISA-18.2 state diagram, one by one."""
    s, t = AlarmState, Trigger
    for start, trigger, end in (
        (s.NORMAL, t.OCCURS, s.UNACKNOWLEDGED),
        (s.UNACKNOWLEDGED, t.ACKNOWLEDGE, s.ACKNOWLEDGED),
        (s.ACKNOWLEDGED, t.RETURNS, s.NORMAL),
        (s.UNACKNOWLEDGED, t.RETURNS, s.RETURNED),
        (s.RETURNED, t.ACKNOWLEDGE, s.NORMAL),
        (s.RETURNED, t.OCCURS, s.UNACKNOWLEDGED),
        (s.ACKNOWLEDGED, t.RE_ALARMS, s.UNACKNOWLEDGED),
        (s.LATCHED_ACKNOWLEDGED, t.RESET, s.NORMAL),
    ):
        assert TRANSITIONS[start, trigger] is end
    assert LATCHED_ON_RETURN[s.UNACKNOWLEDGED] is s.LATCHED_UNACKNOWLEDGED


def test_no_state_is_a_dead_end_and_every_state_can_be_reached() -> None:
    targets = set(TRANSITIONS.values()) | set(LATCHED_ON_RETURN.values())
    assert targets == set(AlarmState)
    assert {start for start, _ in TRANSITIONS} == set(AlarmState)


def test_on_delay_needs_the_whole_time() -> None:
    drive = Drive(PLAIN)
    assert [drive.tick(BEYOND) for _ in range(3)] == [AlarmState.NORMAL] * 3
    drive.tick(INSIDE)
    assert [drive.tick(BEYOND) for _ in range(3)] == [AlarmState.NORMAL] * 3
    assert drive.tick(BEYOND) is AlarmState.UNACKNOWLEDGED
    assert [e.transition for e in drive.events] == ["occurs"]


def test_off_delay_and_unknown_clears_nothing() -> None:
    drive = Drive(PLAIN)
    for _ in range(4):
        drive.tick(BEYOND)
    for _ in range(50):
        assert drive.tick(UNKNOWN) is AlarmState.UNACKNOWLEDGED
    drive.tick(INSIDE)
    assert drive.tick(INSIDE) is AlarmState.UNACKNOWLEDGED
    assert drive.tick(INSIDE) is AlarmState.RETURNED
    assert drive.tick(INSIDE, ActionVerb.ACKNOWLEDGE) is AlarmState.NORMAL


def test_re_alarm_while_unacknowledged_only_where_no_time_is_set_for_acknowledged() -> None:
    drive = Drive(PLAIN)
    for _ in range(4 + 12):
        drive.tick(BEYOND)
    assert [e.transition for e in drive.events] == ["occurs", "re-alarms"]
    drive.tick(BEYOND, ActionVerb.ACKNOWLEDGE)
    for _ in range(60):
        drive.tick(BEYOND)
    assert [e.transition for e in drive.events][2:] == ["acknowledge"]


def test_latched_overheat_is_kept_until_reset() -> None:
    drive = Drive(LATCHING)
    assert drive.tick(BEYOND) is AlarmState.UNACKNOWLEDGED
    assert drive.tick(BEYOND, ActionVerb.RESET) is AlarmState.UNACKNOWLEDGED, "no reset while it is too hot"
    assert drive.tick(INSIDE) is AlarmState.LATCHED_UNACKNOWLEDGED
    assert drive.tick(INSIDE, ActionVerb.ACKNOWLEDGE) is AlarmState.LATCHED_ACKNOWLEDGED
    assert drive.tick(INSIDE) is AlarmState.LATCHED_ACKNOWLEDGED
    assert drive.tick(BEYOND) is AlarmState.UNACKNOWLEDGED, "a second excursion is told again"
    drive.tick(INSIDE, ActionVerb.ACKNOWLEDGE)
    drive.tick(INSIDE)
    assert drive.tick(INSIDE, ActionVerb.RESET) is AlarmState.NORMAL


def test_timed_shelve_ends_by_itself_and_a_limit_still_passed_is_raised_again() -> None:
    drive = Drive(PLAIN)
    for _ in range(4):
        drive.tick(BEYOND)
    assert drive.tick(BEYOND, ActionVerb.SHELVE, until_ms=drive.now + 5 * TICK) is AlarmState.SHELVED
    states = [drive.tick(BEYOND) for _ in range(5)]
    assert states[:3] == [AlarmState.SHELVED] * 3
    assert states[-1] is AlarmState.UNACKNOWLEDGED
    assert drive.memory.occurrence == 2


def test_suppression_holds_only_what_is_quiet() -> None:
    suppressed = Situation(beyond=True, suppressed=True)
    quiet = Drive(PLAIN)
    for _ in range(10):
        assert quiet.tick(suppressed) is AlarmState.SUPPRESSED
    assert quiet.tick(BEYOND) is AlarmState.UNACKNOWLEDGED, "released while beyond for longer than the on-delay"
    loud = Drive(PLAIN)
    for _ in range(4):
        loud.tick(BEYOND)
    assert loud.tick(suppressed) is AlarmState.UNACKNOWLEDGED


SITUATIONS = st.builds(
    lambda beyond, suppressed: Situation(beyond=beyond, suppressed=suppressed),
    st.sampled_from([True, False, None]),
    st.booleans(),
)
VERBS = st.lists(st.sampled_from(list(ActionVerb)), max_size=3)


@given(st.lists(st.tuples(SITUATIONS, VERBS), max_size=60), st.sampled_from([PLAIN, LATCHING]))
@settings(max_examples=300, deadline=None)
def test_whatever_comes_the_story_is_whole(story: list[tuple[Situation, list[ActionVerb]]], d: AlarmDefinition) -> None:
    drive = Drive(d)
    for situation, verbs in story:
        drive.tick(situation, *verbs)
    state = AlarmState.NORMAL
    for event in drive.events:
        assert event.from_state is state, "every event starts where the one before ended"
        state = event.to_state
    assert state is drive.memory.state
    numbers = [e.occurrence for e in drive.events if e.transition == Trigger.OCCURS]
    assert numbers == list(range(1, len(numbers) + 1))


@given(st.lists(st.tuples(st.sampled_from([True, False, None]), st.sampled_from([None, *ActionVerb])), max_size=60))
@settings(max_examples=300, deadline=None)
def test_an_unacknowledged_alarm_is_only_lost_by_a_person(story: list[tuple[bool | None, ActionVerb | None]]) -> None:
    """From an unacknowledged state only acknowledge, reset, shelve or out of service lead to silence."""
    drive = Drive(LATCHING)
    loud = {AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED, AlarmState.LATCHED_UNACKNOWLEDGED}
    for beyond, verb in story:
        drive.tick(Situation(beyond=beyond), *([verb] if verb else []))
    for event in drive.events:
        if event.from_state in loud and event.to_state not in loud:
            assert event.transition in {"acknowledge", "reset", "shelve", "out of service"}


@pytest.mark.parametrize("verb", [ActionVerb.ACKNOWLEDGE, ActionVerb.RESET, ActionVerb.UNSHELVE])
def test_a_danger_that_lasts_stays_standing(verb: ActionVerb) -> None:
    drive = Drive(LATCHING)
    drive.tick(BEYOND)
    for _ in range(20):
        assert drive.tick(BEYOND, verb) in STANDING


def test_the_diagram_in_the_developers_page_is_the_table() -> None:
    page = PAGE.read_text(encoding="utf-8")
    assert put_in(page) == page, "stale: python -m tests.vat.alarm_diagram"
    drawn = diagram()
    assert all(f"{trigger.value}" in drawn for trigger in Trigger)


HOUR = 3_600_000
SLOW_TICK = 300_000
DANGERS = st.builds(
    AlarmDefinition,
    st.just("overheat"),
    st.just(Urgency.DANGER),
    st.builds(
        AlarmTiming,
        on_delay_ms=st.sampled_from([0, SLOW_TICK]),
        off_delay_ms=st.just(SLOW_TICK),
        re_alarm_ms=st.sampled_from([None, 600_000, 24 * HOUR]),
        re_alarm_acknowledged_ms=st.sampled_from([None, HOUR, 24 * HOUR]),
    ),
    latching=st.booleans(),
)
ACTIONS = st.lists(st.tuples(st.sampled_from(list(ActionVerb)), st.sampled_from([None, 60_000, 30 * HOUR])), max_size=4)


@given(DANGERS, st.lists(st.tuples(st.sampled_from([True, False, None]), ACTIONS), max_size=20), st.data())
@settings(max_examples=60, deadline=None)
def test_nobody_can_silence_a_danger_while_it_lasts(
    d: AlarmDefinition, before: list[tuple[bool | None, list[tuple[ActionVerb, int | None]]]], data: st.DataObject
) -> None:
    """Whatever came before and whatever is done meanwhile: it is told at least every 4 h for as long as it lasts."""
    drive = Drive(d)
    for beyond, actions in before:
        _slow_tick(drive, Situation(beyond=beyond), actions)
    longest = max(DANGER_AGAIN_MS, LONGEST_DANGER_SHELVE_MS) + d.timing.on_delay_ms + SLOW_TICK
    began = drive.now
    already = len(drive.events)
    for _ in range(150):
        _slow_tick(drive, BEYOND, data.draw(ACTIONS))
        assert drive.memory.state is not AlarmState.OUT_OF_SERVICE
    told = [e.slot_ms for e in drive.events[already:] if e.transition in (Trigger.OCCURS, Trigger.RE_ALARMS)]
    # One told just before the danger was seen to last counts too.
    times = [began, *told, drive.now]
    assert max(b - a for a, b in pairwise(times)) <= longest


def _slow_tick(drive: Drive, situation: Situation, actions: list[tuple[ActionVerb, int | None]]) -> None:
    drive.now += SLOW_TICK
    taken = [
        AlarmAction(f"{drive.now}-{n}", drive.now, "v", "overheat", verb, None if until is None else drive.now + until)
        for n, (verb, until) in enumerate(actions)
    ]
    drive.memory, fired = step_alarm(drive.definition, drive.memory, drive.now, "v", situation, taken)
    drive.events += fired


@given(
    st.lists(st.tuples(SITUATIONS, VERBS), max_size=60),
    st.sampled_from([PLAIN, LATCHING]),
)
@settings(max_examples=150, deadline=None)
def test_no_unacknowledged_alarm_is_lost(story: list[tuple[Situation, list[ActionVerb]]], d: AlarmDefinition) -> None:
    """With suppression, unknown values and every verb in any order: only what a person did leads out of it."""
    drive = Drive(d)
    loud = {AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED, AlarmState.LATCHED_UNACKNOWLEDGED}
    quieting = {
        "acknowledge": ActionVerb.ACKNOWLEDGE,
        "shelve": ActionVerb.SHELVE,
        "out of service": ActionVerb.OUT_OF_SERVICE,
    }
    for situation, verbs in story:
        seen = len(drive.events)
        drive.tick(situation, *verbs)
        for event in drive.events[seen:]:
            if event.from_state in loud and event.to_state not in loud:
                assert quieting[event.transition] in verbs, "nobody did that"


def test_shelving_again_does_not_lengthen_it_and_a_danger_is_never_out_of_service() -> None:
    drive = Drive(LATCHING)
    drive.tick(BEYOND)
    assert drive.tick(BEYOND, ActionVerb.OUT_OF_SERVICE) is AlarmState.UNACKNOWLEDGED
    drive.tick(BEYOND, ActionVerb.SHELVE)
    first = drive.memory.shelved_until_ms
    assert first == drive.now + LONGEST_DANGER_SHELVE_MS
    drive.tick(BEYOND, ActionVerb.SHELVE, until_ms=drive.now + 10 * HOUR)
    assert drive.memory.shelved_until_ms == first
    assert drive.tick(BEYOND, ActionVerb.UNSHELVE, ActionVerb.SHELVE) is AlarmState.UNACKNOWLEDGED, "told first"


def test_what_stands_is_told_again_when_something_joins_it() -> None:
    drive = Drive(PLAIN)
    for _ in range(4):
        drive.tick(BEYOND)
    drive.tick(BEYOND, ActionVerb.ACKNOWLEDGE)
    assert drive.tick(Situation(beyond=True, further=True)) is AlarmState.UNACKNOWLEDGED
    assert drive.events[-1].transition == "re-alarms"
