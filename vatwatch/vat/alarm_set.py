"""All alarms of one vat in one slot: which there are, what each has to judge, and what is told. Pure.

The life of a single alarm is in `alarms.py`, limits in `window.py`, the alarms that look ahead in `tiring.py`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from vatwatch.records import AlarmAction, AlarmEvent, Measured, Push, Scan
from vatwatch.terms import Quantity, Urgency
from vatwatch.vat import tiring, window
from vatwatch.vat.alarms import (
    NOT_BEYOND,
    STANDING,
    AlarmDefinition,
    AlarmMemory,
    Situation,
    stays_as_it_is,
    step_alarm,
)
from vatwatch.vat.settings import VatSettings
from vatwatch.vat.state import VatState
from vatwatch.vat.wording import pushes_for
from vatwatch.vat.worked_out import Once

SILENT = {
    Quantity.TEMPERATURE: "silent-temperature",
    Quantity.PH: "silent-ph",
    Quantity.ORP: "silent-orp",
}
_NEW = AlarmMemory()
UNTAUGHT_MAYBE = 0.1
"""An untaught vat is told to be too little reduced only when the chance that it is fit has sunk below this."""


def alarm_definitions(settings: VatSettings) -> dict[str, AlarmDefinition]:
    """Every alarm of one vat by name, in the order in which they are judged.

    A quantity without a probe has no silence to tell: `check` says once that it is missing.
    """
    have = {probe.signal.quantity for probe in settings.probes}
    danger, act, tell = Urgency.DANGER, Urgency.ACT, Urgency.TELL
    temperature = danger if settings.warmed else act
    definitions = [
        AlarmDefinition(window.OVERHEAT, danger, settings.overheat_timing, latching=True),
        *([AlarmDefinition(tiring.HEATING, danger, settings.heating_timing)] if settings.warmed else []),
        *(
            AlarmDefinition(name, temperature if quantity is Quantity.TEMPERATURE else act, settings.silent_timing)
            for quantity, name in SILENT.items()
            if quantity in have
        ),
        *(AlarmDefinition(name, act, settings.off_timing) for name in window.OFF_LIMITS),
        AlarmDefinition(tiring.TIRING_REDUCTION, act, settings.tiring_timing),
        AlarmDefinition(tiring.TIRING_PH, act, settings.tiring_timing),
        *([AlarmDefinition(tiring.COOLING, act, settings.tiring_timing)] if settings.warmed else []),
        AlarmDefinition(tiring.DOUBTFUL, act, settings.doubtful_timing),
        AlarmDefinition(tiring.UNLOGGED, tell, settings.unlogged_timing),
    ]
    return {definition.alarm: definition for definition in definitions}


@Once
def _in_order(settings: VatSettings) -> tuple[AlarmDefinition, ...]:
    return tuple(alarm_definitions(settings).values())


def situations(
    state: VatState,
    settings: VatSettings,
    scan: Scan,
    values: Mapping[str, float | None],
    limits: Mapping[str, float],
    settling: bool,
    out: frozenset[Quantity],
) -> dict[str, Situation]:
    """What each alarm has to judge in this slot. `out`: quantities whose probe is out of the liquor on purpose."""
    found = {}
    for name, limit in limits.items():
        value = values[name]
        beyond = None if value is None else state.beyond[name]
        # A vat still being made has left nothing; right after a stir or feed ORP and pH swing for a while. Once raised
        # the vat had been inside; if it never was, the liquor the alarm was about has been remade: moot.
        outside = name != window.OVERHEAT and name not in state.been_inside
        found[name] = Situation(beyond, value, limit, outside or (settling and name != window.OVERHEAT), outside)
    if not state.lessons and (scan.reduction is None or scan.reduction.probability_fit > UNTAUGHT_MAYBE):
        # Nobody has ever said how this liquor looks: the estimate may be off by 50 mV, and cannot claim a loss.
        found[window.OFF_REDUCTION] = found[window.OFF_REDUCTION]._replace(suppressed=True)
    elif tiring.look_first(scan.reduction, state.belief.sigma_mv()) or tiring.recovering(
        state.ahead, scan.slot_ms, scan.reduction
    ):
        found[window.OFF_REDUCTION] = found[window.OFF_REDUCTION]._replace(suppressed=True)
    measured: tuple[tuple[Quantity, Measured], ...] = (
        (Quantity.PH, scan.ph),
        (Quantity.ORP, scan.orp_mv),
        (Quantity.TEMPERATURE, scan.temperature_c),
    )
    for quantity, one in measured:
        # A probe taken out on purpose is not silent: its number is withdrawn, and the reason says what it is out for.
        found[SILENT[quantity]] = (
            NOT_BEYOND if one.value is not None else Situation(beyond=True, suppressed=quantity in out)
        )
    standing = {name: state.alarms[name].state in STANDING for name in tiring.LIMIT_AHEAD if name in state.alarms}
    found.update(
        tiring.situations_ahead(
            state.ahead,
            settings,
            scan.slot_ms,
            state.beyond,
            standing,
            settling,
            state.been_inside,
            scan.reduction,
            tiring.Looked(state.lessons[-1].time_ms, state.lessons[-1].margin_mv) if state.lessons else None,
            state.belief.sigma_mv(),
        )
    )
    return found


def run_alarms(
    state: VatState,
    settings: VatSettings,
    scan: Scan,
    judged: Mapping[str, Situation],
    actions: Sequence[AlarmAction],
) -> tuple[VatState, list[AlarmEvent], list[Push]]:
    """One slot of every alarm; the pushes are what is worth telling of it."""
    memories = state.alarms
    events: list[AlarmEvent] = []
    told: list[tuple[AlarmEvent, Urgency]] = []
    for definition in _in_order(settings):
        name = definition.alarm
        before, situation = memories.get(name), judged[name]
        if before is not None and not actions and stays_as_it_is(before, situation):
            continue
        if name == SILENT[Quantity.TEMPERATURE] and _is_hot(memories):
            # The thermometer of a vat that was too hot when last heard: as urgent as the heat itself.
            definition = replace(definition, urgency=Urgency.DANGER, timing=settings.overheat_timing)
        memory, fired = step_alarm(
            definition,
            _NEW if before is None else before,
            scan.slot_ms,
            settings.vat,
            situation,
            [action for action in actions if action.alarm == name],
        )
        if memory is not before:
            memories = {**memories, name: memory}
        if not situation.moot:
            told.extend((event, definition.urgency) for event in fired)
        events.extend(fired)
    if memories is not state.alarms:
        state = replace(state, alarms=memories)
    return state, events, pushes_for(told, settings, scan, state) if told else []


def _is_hot(memories: Mapping[str, AlarmMemory]) -> bool:
    return window.OVERHEAT in memories and memories[window.OVERHEAT].state in STANDING
