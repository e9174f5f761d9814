"""Alarms about no single vat: a calibration due, messages that do not get through, a full disk, a clock nobody has set.

The same table and timing as the vats' alarms. What is so comes in as data (`ShedFacts`), once a minute or so; state and
timers live in `ShedState`, whose exact text survives a restart. Pure.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import tzinfo
from typing import Any

from vatwatch.records import AlarmAction, AlarmEvent, Push
from vatwatch.terms import AlarmState, Urgency
from vatwatch.vat.alarms import STANDING, AlarmDefinition, AlarmMemory, Situation, Trigger, step_alarm
from vatwatch.vat.phrases import clock_words
from vatwatch.vat.settings import DAY_MS, MINUTE_MS, AlarmTiming

SHED_FORMAT = 1
CALIBRATION_DUE, OUTLET_UNDELIVERED, DISK_LOW, CLOCK_UNSET = (
    "calibration-due",
    "outlet-undelivered",
    "disk-low",
    "clock-unset",
)
LITTLE_ROOM_BYTES = 200_000_000
ROOM_AGAIN_BYTES = 250_000_000
BEHIND_MS = MINUTE_MS
"""A clock that lies this far behind the record is wrong; less is the drift of a cheap crystal between two settings."""
DEFINITIONS = {
    one.alarm: one
    for one in (
        # A calibration is weeks late, not minutes: once is enough, and a further probe is told when its turn comes.
        AlarmDefinition(CALIBRATION_DUE, Urgency.TELL, AlarmTiming(0, 0, None)),
        AlarmDefinition(OUTLET_UNDELIVERED, Urgency.TELL, AlarmTiming(0, 10 * MINUTE_MS, DAY_MS)),
        AlarmDefinition(DISK_LOW, Urgency.ACT, AlarmTiming(5 * MINUTE_MS, 5 * MINUTE_MS, DAY_MS)),
        AlarmDefinition(CLOCK_UNSET, Urgency.TELL, AlarmTiming(30 * MINUTE_MS, 5 * MINUTE_MS, None)),
    )
}
"""The alarms of the shed, in the order in which they are judged. None is a danger to anybody."""


@dataclass(frozen=True, slots=True)
class Overdue:
    """A probe whose calibration is due: its short name, its vat's name, and since when in words."""

    probe: str
    vat_name: str
    words: str


@dataclass(frozen=True, slots=True)
class Undelivered:
    """A destination that has had something waiting for too long. `is_phone`: people depend on it."""

    name: str
    since_ms: int
    why: str
    is_phone: bool


@dataclass(frozen=True, slots=True)
class ShedFacts:
    """What is so now. None: it cannot be told, and nothing is concluded from it."""

    overdue: tuple[Overdue, ...] | None = None
    undelivered: tuple[Undelivered, ...] | None = None
    free_bytes: int | None = None
    clock_set: bool | None = None
    behind_ms: int | None = None


@dataclass(frozen=True, slots=True)
class ShedState:
    """`told` names, by alarm, what it was last told about: anything further is news."""

    alarms: dict[str, AlarmMemory] = field(default_factory=dict)
    told: dict[str, tuple[str, ...]] = field(default_factory=dict)
    little_room: bool = False


def step_shed(
    state: ShedState, slot_ms: int, facts: ShedFacts, actions: Sequence[AlarmAction], zone: tzinfo
) -> tuple[ShedState, list[AlarmEvent], list[Push]]:
    """Judge the shed at `slot_ms`. Steps must come in increasing order."""
    state = replace(state, little_room=_little_room(state.little_room, facts.free_bytes))
    memories, told = dict(state.alarms), dict(state.told)
    events: list[AlarmEvent] = []
    pushes: list[Push] = []
    for name, (situation, subjects) in _situations(state, facts).items():
        definition = DEFINITIONS[name]
        memory, fired = step_alarm(
            definition,
            memories.get(name, AlarmMemory()),
            slot_ms,
            "",
            situation,
            [action for action in actions if action.alarm == name],
        )
        memories[name] = memory
        if any(event.to_state is AlarmState.UNACKNOWLEDGED for event in fired):
            told[name] = subjects
        elif subjects != told.get(name, ()) and situation.beyond is not None:
            # One that went and comes again is news again.
            told[name] = tuple(one for one in told.get(name, ()) if one in subjects)
        events += fired
        pushes += [push for event in fired if (push := _push(event, definition, facts, zone)) is not None]
    return replace(state, alarms=memories, told=told), events, pushes


def _little_room(before: bool, free_bytes: int | None) -> bool:
    if free_bytes is None:
        return before
    return free_bytes < (ROOM_AGAIN_BYTES if before else LITTLE_ROOM_BYTES)


def _situations(state: ShedState, facts: ShedFacts) -> dict[str, tuple[Situation, tuple[str, ...]]]:
    def of(name: str, subjects: tuple[str, ...] | None) -> tuple[Situation, tuple[str, ...]]:
        if subjects is None:
            return Situation(beyond=None), state.told.get(name, ())
        memory = state.alarms.get(name)
        stands = memory is not None and memory.state in STANDING
        further = stands and not set(subjects) <= set(state.told.get(name, ()))
        return Situation(beyond=bool(subjects), value=float(len(subjects)), further=further), subjects

    room = facts.free_bytes
    unset = None
    if facts.clock_set is not None or facts.behind_ms is not None:
        unset = facts.clock_set is False or (facts.behind_ms or 0) > BEHIND_MS
    return {
        CALIBRATION_DUE: of(
            CALIBRATION_DUE, _names(None if facts.overdue is None else [o.probe for o in facts.overdue])
        ),
        OUTLET_UNDELIVERED: of(
            OUTLET_UNDELIVERED, _names(None if facts.undelivered is None else [u.name for u in facts.undelivered])
        ),
        DISK_LOW: (
            Situation(
                beyond=None if room is None else state.little_room,
                value=None if room is None else room / 1e6,
                limit=LITTLE_ROOM_BYTES / 1e6,
            ),
            (),
        ),
        CLOCK_UNSET: (Situation(beyond=unset), ()),
    }


def _names(found: list[str] | None) -> tuple[str, ...] | None:
    return None if found is None else tuple(found)


def _push(event: AlarmEvent, definition: AlarmDefinition, facts: ShedFacts, zone: tzinfo) -> Push | None:
    back = event.transition == Trigger.RETURNS.value
    if back and (event.from_state not in STANDING or event.alarm == CALIBRATION_DUE):
        return None  # who has calibrated a probe knows it
    if not back and event.transition not in (Trigger.OCCURS.value, Trigger.RE_ALARMS.value):
        return None
    title, body = _over(event, facts) if back else _words(event, facts, zone)
    urgency = Urgency.TELL if back else definition.urgency
    if event.alarm == OUTLET_UNDELIVERED and any(one.is_phone for one in facts.undelivered or ()):
        urgency = Urgency.ACT
    push_id = f"shed-{event.alarm}-{event.occurrence}-{event.transition.replace(' ', '-')}-{event.slot_ms}"
    return Push(push_id, event.slot_ms, "", event.alarm, urgency, title, body)


def _words(event: AlarmEvent, facts: ShedFacts, zone: tzinfo) -> tuple[str, str]:
    match event.alarm:
        case "calibration-due":
            overdue = facts.overdue or ()
            lines = [f"{one.probe} ({one.vat_name}): {one.words}." for one in overdue]
            todo = "What to do: on a quiet day, with fresh buffers, run "
            todo += " and ".join(f"`vatwatch calibrate {one.probe}`" for one in overdue[:3])
            todo += ". Until then the vat is judged as before, only a little less surely each week."
            return f"Calibration due: {_and([one.probe for one in overdue])}", "\n".join([*lines, todo])
        case "outlet-undelivered":
            waiting = facts.undelivered or ()
            lines = [
                f"{one.name[:1].upper()}{one.name[1:]}: nothing since {clock_words(one.since_ms, event.slot_ms, zone)}"
                + (f" ({one.why})." if one.why else ".")
                for one in waiting
            ]
            lines.append(
                "What to do: see whether it is switched on and on the network; `vatwatch check` says more. "
                "Nothing is lost: what waits goes out when it answers again."
            )
            return f"Nothing gets through to {_and([one.name for one in waiting])}", "\n".join(lines)
        case "disk-low":
            left = "" if facts.free_bytes is None else f": {facts.free_bytes / 1e6:.0f} MB left"
            return (
                f"The disk is nearly full{left}",
                (
                    "What to do: make room on the disk that holds the record. Once it is full the vats are still watched and "
                    "danger is still told, but nothing more can be written down."
                ),
            )
        case _:
            found = "No time server has set this computer's clock."
            if (facts.behind_ms or 0) > BEHIND_MS:
                minutes = max(1, round((facts.behind_ms or 0) / MINUTE_MS))
                found = f"It is {minutes} min behind the end of the record, so the watch goes on from there."
            return (
                "The computer's clock may be wrong",
                (
                    f"{found} Times on the page and in messages may be off.\n"
                    "What to do: connect it to the network or set its clock, then restart vatwatch."
                ),
            )


def _over(event: AlarmEvent, facts: ShedFacts) -> tuple[str, str]:
    match event.alarm:
        case "outlet-undelivered":
            return "Everything gets through again", "What had waited is on its way."
        case "disk-low":
            room = "" if facts.free_bytes is None else f": {facts.free_bytes / 1e6:.0f} MB"
            return f"There is room on the disk again{room}", "The record is written as usual."
        case _:
            return "The computer's clock is set", "Times are right again from here on."


def _and(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def moved(state: ShedState, by_ms: int) -> ShedState:
    """The state with every time in it moved: the clock they were read from was wrong by so much."""

    def later(time_ms: int | None) -> int | None:
        return None if time_ms is None else time_ms + by_ms

    alarms = {
        name: replace(
            one,
            beyond_since_ms=later(one.beyond_since_ms),
            inside_since_ms=later(one.inside_since_ms),
            last_raised_ms=later(one.last_raised_ms),
            shelved_until_ms=later(one.shelved_until_ms),
        )
        for name, one in state.alarms.items()
    }
    return replace(state, alarms=alarms)


def shed_to_json(state: ShedState) -> str:
    return json.dumps({"format": SHED_FORMAT, **asdict(state)}, separators=(",", ":"), sort_keys=True)


def shed_from_json(text: str) -> ShedState:
    """Raises ValueError, KeyError or TypeError when the text is not a state of this format."""
    raw: dict[str, Any] = json.loads(text)
    if raw.pop("format") != SHED_FORMAT:
        raise ValueError("a shed's state of another format")
    alarms: Mapping[str, Any] = raw["alarms"]
    return ShedState(
        alarms={name: AlarmMemory(**{**one, "state": AlarmState(one["state"])}) for name, one in alarms.items()},
        told={name: tuple(subjects) for name, subjects in raw["told"].items()},
        little_room=bool(raw["little_room"]),
    )
