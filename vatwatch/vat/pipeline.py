"""One vat, one slot: samples and journal in, scan, flags, alarm events and pushes out. Pure and replayable.

No clock, thread, file, log or environment: time arrives as data. The same settings, state, samples and journal give the
same records bit for bit; restart, back-test and the tests all rest on that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from vatwatch.chemistry.alkali import ph_equivalent_25c
from vatwatch.chemistry.electrodes import ReferenceElectrode, eh_mv_from_orp, reference_potential_sigma_mv
from vatwatch.errors import RangeError
from vatwatch.records import AlarmAction, JournalEntry, Measured, Reduction, Sample, Scan, StepResult
from vatwatch.terms import EntryKind, Flag, Quantity, VatCondition
from vatwatch.vat import window
from vatwatch.vat.alarm_set import run_alarms, situations
from vatwatch.vat.doings import DISTURBING, age_belief, read_journal
from vatwatch.vat.estimate import Couple, couple_from_readings, estimate_reduction
from vatwatch.vat.history import extend
from vatwatch.vat.limits import Limit
from vatwatch.vat.probe_faults import doubted, step_faults, withheld
from vatwatch.vat.quality import flag_samples
from vatwatch.vat.scan import heed_notices, measure, quantities_out, remember
from vatwatch.vat.settings import MINUTE_MS, VatSettings
from vatwatch.vat.state import VatState
from vatwatch.vat.tiring import look_ahead, values_by_quantity

GAP_MS = 2 * MINUTE_MS
"""A hole in the record longer than this starts alarm delays afresh: nobody knows what happened in it."""

WARMEST_ALKALI_C = 60.0
"""Where the alkali model of chemistry.alkali ends."""
MOST_DOUBT_PH = 0.03
"""More doubt than this would warn for ever; what is left of it is for a calibration to settle."""
FAILED = "the judgement of this slot failed; this is a defect of the program"


def step(
    settings: VatSettings,
    state: VatState,
    slot_ms: int,
    samples: Sequence[Sample] = (),
    journal: Sequence[JournalEntry] = (),
    actions: Sequence[AlarmAction] = (),
) -> tuple[VatState, StepResult]:
    """Judge the slot that ends at `slot_ms`. `samples`, `journal` and `actions` are what was taken in during it.

    Slots must come in increasing order. Samples older than the slot are kept and flagged, not judged.
    """
    state = after_gap(state, settings, slot_ms)
    heeded = heed_notices(state.probes, settings, journal)
    series, flagged = flag_samples(state.series, samples, slot_ms - settings.scan_ms, heeded)
    probes = remember(heeded, settings, flagged)
    faults = step_faults(settings, state.faults, slot_ms, flagged, journal, probes)
    state = replace(state, probes=probes, series=series, faults=faults, slot_ms=slot_ms)
    measured = measure(withheld(probes, faults.findings), settings, slot_ms)
    ph, orp, temperature = doubted(measured, faults.findings, settings)
    reference = _orp_reference(settings)
    ph_25c = _equivalent_25c(ph, temperature, settings)
    couple = _couple(ph, orp, temperature, reference, settings)
    state = read_journal(state, settings, slot_ms, journal, couple)
    state = age_belief(state, slot_ms)
    reduction = None if couple is None else estimate_reduction(couple, state.belief, settings.window.reduction_low)
    state, values, limits = _hold_against_limits(state, settings, ph_25c, reduction, temperature.value)
    settling = state.settled_from_ms is not None and slot_ms < state.settled_from_ms
    condition, shortfalls = window.judge(ph, orp, temperature, reduction, state.beyond, settling)
    eh_mv, eh_sigma = _eh(orp, temperature, reference)
    scan = Scan(
        slot_ms=slot_ms,
        vat=settings.vat,
        ph=ph,
        orp_mv=orp,
        temperature_c=temperature,
        eh_mv=eh_mv,
        eh_mv_sigma=eh_sigma,
        ph_25c=ph_25c,
        reduction=reduction,
        condition=condition,
        shortfalls=shortfalls,
        settled_from_ms=state.settled_from_ms if settling else None,
    )
    state = replace(
        state,
        history=extend(state.history, scan),
        ahead=look_ahead(
            state.ahead,
            settings,
            slot_ms,
            values_by_quantity(None if couple is None else couple.margin_mv, ph_25c, temperature.value),
            limits,
            state.belief,
            min(ph.sigma or 0.0, MOST_DOUBT_PH),
            max((doing.time_ms for doing in state.doings), default=None),
            any(entry.kind in DISTURBING for entry in journal),
            any(entry.kind in (EntryKind.FEED, EntryKind.REMADE) for entry in journal),
        ),
    )
    out = quantities_out(state.probes, settings, slot_ms)
    at = {name: limit.at for name, limit in limits.items()}
    judged = situations(state, settings, scan, values, at, settling, out)
    state, events, pushes = run_alarms(state, settings, scan, judged, actions)
    return state, StepResult(scan, flagged, tuple(events), tuple(pushes))


def step_or_unknown(
    settings: VatSettings,
    state: VatState,
    slot_ms: int,
    samples: Sequence[Sample] = (),
    journal: Sequence[JournalEntry] = (),
    actions: Sequence[AlarmAction] = (),
) -> tuple[VatState, StepResult, Exception | None]:
    """`step`, but a defect costs this vat this slot and nothing else: unknown, samples kept, state as it was.

    As pure as `step`: the same input fails the same way in a replay.
    """
    try:
        return *step(settings, state, slot_ms, samples, journal, actions), None
    except Exception as error:  # noqa: BLE001 - the other vats and the next slot must go on
        nothing = Measured(None, None, Flag.NOT_EVALUATED, FAILED)
        scan = Scan(
            slot_ms=slot_ms,
            vat=settings.vat,
            ph=nothing,
            orp_mv=nothing,
            temperature_c=nothing,
            eh_mv=None,
            eh_mv_sigma=None,
            ph_25c=None,
            reduction=None,
            condition=VatCondition.UNKNOWN,
            shortfalls=(window.NO_ESTIMATE,),
        )
        return replace(state, slot_ms=slot_ms), StepResult(scan, tuple(samples)), error


def after_gap(state: VatState, settings: VatSettings, slot_ms: int) -> VatState:
    if state.slot_ms is None:
        return replace(state, first_slot_ms=slot_ms)
    if slot_ms - state.slot_ms <= max(GAP_MS, 3 * settings.scan_ms):
        return state
    alarms = {
        name: replace(memory, beyond_since_ms=None, inside_since_ms=None) for name, memory in state.alarms.items()
    }
    return replace(state, alarms=alarms)


def _orp_reference(settings: VatSettings) -> ReferenceElectrode | None:
    for probe in settings.probes:
        if probe.signal.quantity is Quantity.ORP:
            return probe.reference
    return None


def _equivalent_25c(ph: Measured, temperature: Measured, settings: VatSettings) -> float | None:
    if ph.value is None or temperature.value is None:
        return None
    if not 0.0 <= temperature.value <= WARMEST_ALKALI_C:
        return (
            None  # what the liquor would show at 25 °C is not known there; raw, it would be another number altogether
        )
    try:
        return ph_equivalent_25c(ph.value, temperature.value, settings.alkali)
    except RangeError:
        # Below pH 7 no alkali is left to shift it, above what the alkali can show something else is in the vat: either
        # way the reading itself says on which side of the window it lies, and must not be passed over.
        return ph.value


def _couple(
    ph: Measured,
    orp: Measured,
    temperature: Measured,
    reference: ReferenceElectrode | None,
    settings: VatSettings,
) -> Couple | None:
    if ph.value is None or orp.value is None or temperature.value is None or reference is None:
        return None
    try:
        eh_mv = eh_mv_from_orp(orp.value, reference, temperature.value)
        return couple_from_readings(
            eh_mv, orp.sigma or 0.0, ph.value, ph.sigma or 0.0, temperature.value, reference, settings.e7_mv
        )
    except RangeError:
        return None


def _eh(
    orp: Measured, temperature: Measured, reference: ReferenceElectrode | None
) -> tuple[float | None, float | None]:
    if orp.value is None or temperature.value is None or reference is None:
        return None, None
    try:
        eh_mv = eh_mv_from_orp(orp.value, reference, temperature.value)
        return eh_mv, ((orp.sigma or 0.0) ** 2 + reference_potential_sigma_mv(reference, temperature.value) ** 2) ** 0.5
    except RangeError:
        return None, None


def _hold_against_limits(
    state: VatState,
    settings: VatSettings,
    ph_25c: float | None,
    reduction: Reduction | None,
    temperature_c: float | None,
) -> tuple[VatState, dict[str, float | None], dict[str, Limit]]:
    limits = window.limits_of(settings, temperature_c)
    values = window.values_of(ph_25c, reduction, temperature_c)
    beyond = dict(state.beyond)
    inside = set(state.been_inside)
    for name, limit in limits.items():
        value = values[name]
        if value is None:
            continue
        beyond[name] = limit.beyond(value, beyond.get(name, False))
        if not beyond[name]:
            inside.add(name)
    return replace(state, beyond=beyond, been_inside=tuple(sorted(inside))), values, limits
