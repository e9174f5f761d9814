"""One alarm's life after ISA-18.2 / IEC 62682: a table of transitions, and the timers around it.

Terms and states as in OPC UA Part 9 (annex on ISA-18.2): on-delay, off-delay, re-alarm, shelve, suppress by design,
out of service, latched. Deadbands belong to the limit and live in `limits.py`. No clock: `now_ms` arrives as data.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import NamedTuple

from vatwatch.records import AlarmAction, AlarmEvent
from vatwatch.terms import ActionVerb, AlarmState, Urgency
from vatwatch.vat.settings import DAY_MS, HOUR_MS, AlarmTiming

LONGEST_SHELVE_MS = DAY_MS
LONGEST_DANGER_SHELVE_MS = HOUR_MS
DANGER_AGAIN_MS = 4 * HOUR_MS
"""A danger that lasts is told again after at most this long, whoever acknowledged it and whatever its timing says."""


class Trigger(StrEnum):
    """What can move an alarm from one state to another."""

    OCCURS = "occurs"
    RETURNS = "returns to normal"
    RE_ALARMS = "re-alarms"
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    SUPPRESS = "suppress"
    RELEASE = "release"
    TAKE_OUT = "out of service"
    PUT_BACK = "return to service"


_S = AlarmState
_T = Trigger
IN_SERVICE = (
    _S.NORMAL,
    _S.UNACKNOWLEDGED,
    _S.ACKNOWLEDGED,
    _S.RETURNED,
    _S.LATCHED_UNACKNOWLEDGED,
    _S.LATCHED_ACKNOWLEDGED,
)

TRANSITIONS: dict[tuple[AlarmState, Trigger], AlarmState] = {
    (_S.NORMAL, _T.OCCURS): _S.UNACKNOWLEDGED,
    (_S.NORMAL, _T.SUPPRESS): _S.SUPPRESSED,
    (_S.UNACKNOWLEDGED, _T.ACKNOWLEDGE): _S.ACKNOWLEDGED,
    (_S.UNACKNOWLEDGED, _T.RETURNS): _S.RETURNED,
    (_S.UNACKNOWLEDGED, _T.RE_ALARMS): _S.UNACKNOWLEDGED,
    (_S.ACKNOWLEDGED, _T.RETURNS): _S.NORMAL,
    (_S.ACKNOWLEDGED, _T.RE_ALARMS): _S.UNACKNOWLEDGED,
    (_S.RETURNED, _T.ACKNOWLEDGE): _S.NORMAL,
    (_S.RETURNED, _T.OCCURS): _S.UNACKNOWLEDGED,
    (_S.LATCHED_UNACKNOWLEDGED, _T.ACKNOWLEDGE): _S.LATCHED_ACKNOWLEDGED,
    (_S.LATCHED_UNACKNOWLEDGED, _T.OCCURS): _S.UNACKNOWLEDGED,
    (_S.LATCHED_UNACKNOWLEDGED, _T.RESET): _S.RETURNED,
    (_S.LATCHED_ACKNOWLEDGED, _T.OCCURS): _S.UNACKNOWLEDGED,
    (_S.LATCHED_ACKNOWLEDGED, _T.RESET): _S.NORMAL,
    (_S.SUPPRESSED, _T.RELEASE): _S.NORMAL,
    (_S.SHELVED, _T.UNSHELVE): _S.NORMAL,
    (_S.OUT_OF_SERVICE, _T.PUT_BACK): _S.NORMAL,
    **{(state, _T.SHELVE): _S.SHELVED for state in IN_SERVICE},
    **{(state, _T.TAKE_OUT): _S.OUT_OF_SERVICE for state in (*IN_SERVICE, _S.SHELVED, _S.SUPPRESSED)},
}
"""Every transition there is. A pair that is not here does not happen: the trigger is ignored in that state.

Shelved, suppressed and out-of-service alarms go back to normal first; a limit still passed raises them again at once.
"""

LATCHED_ON_RETURN = {
    AlarmState.UNACKNOWLEDGED: AlarmState.LATCHED_UNACKNOWLEDGED,
    AlarmState.ACKNOWLEDGED: AlarmState.LATCHED_ACKNOWLEDGED,
}
"""For a latching alarm these replace the plain return to normal."""

STANDING = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)
"""States in which the process itself is beyond its limit."""

_TRIGGER_OF_VERB = {
    ActionVerb.ACKNOWLEDGE: Trigger.ACKNOWLEDGE,
    ActionVerb.RESET: Trigger.RESET,
    ActionVerb.SHELVE: Trigger.SHELVE,
    ActionVerb.UNSHELVE: Trigger.UNSHELVE,
    ActionVerb.OUT_OF_SERVICE: Trigger.TAKE_OUT,
    ActionVerb.RETURN_TO_SERVICE: Trigger.PUT_BACK,
}


@dataclass(frozen=True, slots=True)
class AlarmDefinition:
    """One alarm of one vat: its name within the vat, how loud it is, how it is timed."""

    alarm: str
    urgency: Urgency
    timing: AlarmTiming
    latching: bool = False


@dataclass(frozen=True, slots=True)
class AlarmMemory:
    """What must survive a restart. `beyond_since_ms` and `inside_since_ms` are the running delays."""

    state: AlarmState = AlarmState.NORMAL
    occurrence: int = 0
    beyond_since_ms: int | None = None
    inside_since_ms: int | None = None
    last_raised_ms: int | None = None
    shelved_until_ms: int | None = None


class Situation(NamedTuple):
    """What the process shows in this slot. `beyond` None: it cannot be told; nothing clears.

    Delays start afresh then, except those of a latching alarm: a danger last seen lasts until something else is seen.
    `moot`: what the alarm was about is gone by a person's own doing (a vat made anew): that answers it and ends it.
    `further`: something new has joined what stands already, so it is told again whatever the timing says.
    """

    beyond: bool | None
    value: float | None = None
    limit: float | None = None
    suppressed: bool = False
    moot: bool = False
    further: bool = False


NOT_BEYOND = Situation(beyond=False)


def stays_as_it_is(memory: AlarmMemory, situation: Situation) -> bool:
    """Whether `step_alarm` without actions would change nothing and tell nothing: so it is in nearly every slot of nearly
    every alarm. Errs on the side of no.
    """
    beyond = situation.beyond
    if (memory.beyond_since_ms is not None) is not (beyond is True):
        return False
    if (memory.inside_since_ms is not None) is not (beyond is False):
        return False
    if memory.state is AlarmState.NORMAL:
        return not situation.suppressed and beyond is not True
    return memory.state is AlarmState.SUPPRESSED and situation.suppressed and memory.shelved_until_ms is None


def step_alarm(
    definition: AlarmDefinition,
    memory: AlarmMemory,
    now_ms: int,
    vat: str,
    situation: Situation,
    actions: Sequence[AlarmAction] = (),
) -> tuple[AlarmMemory, list[AlarmEvent]]:
    """One slot of one alarm: people's actions first, then suppression, then the process. Pure.

    What a person may do to a danger is bounded, so that none can be silenced while it lasts: it is shelved for an hour at
    most and not again before it was told again, it is never out of service, and an acknowledged one comes back.
    """
    if not actions and stays_as_it_is(memory, situation):
        return memory, []
    events: list[AlarmEvent] = []

    def fire(memory: AlarmMemory, trigger: Trigger, by: str = "") -> AlarmMemory:
        target = TRANSITIONS.get((memory.state, trigger))
        if trigger is Trigger.RETURNS and definition.latching:
            target = LATCHED_ON_RETURN.get(memory.state, target)
        if target is None:
            return memory
        raised = trigger in (Trigger.OCCURS, Trigger.RE_ALARMS)
        moved = replace(
            memory,
            state=target,
            occurrence=memory.occurrence + (trigger is Trigger.OCCURS),
            last_raised_ms=now_ms if raised else memory.last_raised_ms,
        )
        events.append(
            AlarmEvent(
                slot_ms=now_ms,
                vat=vat,
                alarm=definition.alarm,
                occurrence=moved.occurrence,
                transition=trigger.value,
                from_state=memory.state,
                to_state=target,
                value=situation.value,
                limit=situation.limit,
                by=by,
            )
        )
        return moved

    danger = definition.urgency is Urgency.DANGER
    longest_ms = LONGEST_DANGER_SHELVE_MS if danger else LONGEST_SHELVE_MS
    memory = _run_delays(memory, now_ms, situation, definition.latching)
    for action in actions:
        # A danger may be seen, never silenced by a reset while it lasts: RESET has no entry from a standing state.
        trigger = _TRIGGER_OF_VERB[action.verb]
        if danger and _would_silence(trigger, memory):
            continue
        before = memory.state
        memory = fire(memory, trigger, action.by)
        if trigger is Trigger.SHELVE and memory.state is not before:
            # Shelving what is shelved already does not lengthen it: the trigger does not happen in that state.
            wished_ms = now_ms + longest_ms if action.until_ms is None else action.until_ms
            memory = replace(memory, shelved_until_ms=wished_ms)
    if danger and memory.state is AlarmState.OUT_OF_SERVICE:
        memory = fire(memory, Trigger.PUT_BACK)  # it was none when it was taken out (a thermometer of a hot vat)
    if memory.state is AlarmState.SHELVED:
        until_ms = min(memory.shelved_until_ms or now_ms, now_ms + longest_ms)
        memory = replace(memory, shelved_until_ms=until_ms)
        if now_ms >= until_ms:
            memory = fire(memory, Trigger.UNSHELVE)
    if memory.state is not AlarmState.SHELVED and memory.shelved_until_ms is not None:
        memory = replace(memory, shelved_until_ms=None)
    if situation.moot:
        memory = fire(fire(memory, Trigger.ACKNOWLEDGE), Trigger.RETURNS)
    if situation.suppressed:
        # Only a quiet alarm can be suppressed: one that stands keeps its life until the process is back.
        memory = fire(memory, Trigger.SUPPRESS)
        if memory.state is AlarmState.SUPPRESSED:
            return memory, events
    memory = fire(memory, Trigger.RELEASE)

    timing = definition.timing
    if memory.beyond_since_ms is not None and now_ms - memory.beyond_since_ms >= timing.on_delay_ms:
        if memory.state not in STANDING:
            memory = fire(memory, Trigger.OCCURS)
        elif situation.further or _due_again(timing, memory, now_ms, danger):
            memory = fire(memory, Trigger.RE_ALARMS)
    elif memory.inside_since_ms is not None and now_ms - memory.inside_since_ms >= timing.off_delay_ms:
        memory = fire(memory, Trigger.RETURNS)
    return memory, events


def _would_silence(trigger: Trigger, memory: AlarmMemory) -> bool:
    """Whether a person's action would keep a danger quiet for longer than may be."""
    untold = memory.state is AlarmState.NORMAL and memory.beyond_since_ms is not None
    return trigger is Trigger.TAKE_OUT or (trigger is Trigger.SHELVE and untold)


def _due_again(timing: AlarmTiming, memory: AlarmMemory, now_ms: int, danger: bool) -> bool:
    acknowledged = memory.state is AlarmState.ACKNOWLEDGED
    after_ms = timing.re_alarm_acknowledged_ms if acknowledged else timing.re_alarm_ms
    if danger:
        after_ms = DANGER_AGAIN_MS if after_ms is None else min(after_ms, DANGER_AGAIN_MS)
    return after_ms is not None and memory.last_raised_ms is not None and now_ms - memory.last_raised_ms >= after_ms


def _run_delays(memory: AlarmMemory, now_ms: int, situation: Situation, latching: bool) -> AlarmMemory:
    """Start, keep or forget the on- and off-delay. The condition must hold for the whole delay."""
    if situation.beyond is None and latching:
        return memory if memory.inside_since_ms is None else replace(memory, inside_since_ms=None)
    beyond_since = inside_since = None
    if situation.beyond is True:
        beyond_since = now_ms if memory.beyond_since_ms is None else memory.beyond_since_ms
    elif situation.beyond is False:
        inside_since = now_ms if memory.inside_since_ms is None else memory.inside_since_ms
    if (beyond_since, inside_since) == (memory.beyond_since_ms, memory.inside_since_ms):
        return memory
    return replace(memory, beyond_since_ms=beyond_since, inside_since_ms=inside_since)
