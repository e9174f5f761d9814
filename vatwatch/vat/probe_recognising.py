"""Once a minute: which faults a vat's probes show, alone, against what they showed before, and beside each other. Pure.

Thresholds are judgement of this project, tuned on simulated vats that the tests do not use. What one probe's minutes
say is read in `probe_signs`, `probe_stuck`, `probe_answers`; what two say in `probe_comparing`.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from typing import NamedTuple

from vatwatch.terms import Flag, Quantity
from vatwatch.vat.probe_comparing import alkaline_error, apart_by, reads_fahrenheit
from vatwatch.vat.probe_fault_memory import FaultMemory, Standing
from vatwatch.vat.probe_fault_names import FaultName, Finding, Seen, sentence_for
from vatwatch.vat.probe_signs import (
    Minutes,
    all_of_last,
    base_of,
    is_railed,
    is_wild,
    shows_fault_value,
    stays_near,
)
from vatwatch.vat.probe_stuck import is_stuck
from vatwatch.vat.settings import MINUTE_MS, ProbeSettings, VatSettings

DISTURBED_MS = 20 * MINUTE_MS
APART_MINUTES = 10
WILD = {Quantity.PH: 0.8, Quantity.ORP: 80.0, Quantity.TEMPERATURE: 3.0}
PH_OUT, ORP_OUT_MV, TEMPERATURE_OUT_C = 0.5, 100.0, 2.5
PH_OUT_ALONE, ORP_OUT_ALONE_MV, TEMPERATURE_OUT_ALONE_C = 1.0, 250.0, 5.0
PH_OUT_MOST, ORP_OUT_LEAST_MV = 9.0, -150.0
QUIET_CLEARS_MINUTES = 60

_CERTAIN = (FaultName.OUT_OF_LIQUOR, FaultName.SHORTED, FaultName.OPEN, FaultName.FAULT_VALUE, FaultName.WRONG_UNIT)
"""While one of these stands, nothing else is said of that probe."""
_CLEARS_AFTER = {
    FaultName.OUT_OF_LIQUOR: 3,
    FaultName.SHORTED: 2,
    FaultName.OPEN: 3,
    FaultName.FAULT_VALUE: 2,
    FaultName.STUCK: 1,
    FaultName.SLOW: 1,
    FaultName.DISAGREE: 5,
    FaultName.ALKALINE_ERROR: 10,
    FaultName.WRONG_UNIT: 3,
}


def look(settings: VatSettings, memory: FaultMemory, slot_ms: int) -> FaultMemory:
    before = memory.standing
    standing = [s for s in (_aged(s, settings, memory, slot_ms) for s in before) if s is not None]
    taken = {s.probe for s in standing if s.name in _CERTAIN}
    mended = {s.probe for s in before if s.name in _CERTAIN} - taken
    if mended:
        # What it showed while it was broken is nothing to compare with.
        cut = {name: minutes[-1:] if name in mended else minutes for name, minutes in memory.minutes.items()}
        memory = replace(memory, minutes=cut)
    for new in _alone(settings, memory, slot_ms, taken):
        standing = [s for s in standing if s.probe != new.probe and s.other != new.probe]
        standing.append(new)
        taken.add(new.probe)
    out = _out_of_liquor(settings, memory, slot_ms, taken)
    for new in out:
        standing = [s for s in standing if s.probe != new.probe and s.other != new.probe]
        standing.append(new)
        taken.add(new.probe)
    have = {(s.name, s.probe) for s in standing}
    standing.extend(s for s in _doubts(settings, memory, slot_ms, taken) if (s.name, s.probe) not in have)
    apart, pairs = _apart(settings, memory, slot_ms, taken)
    standing.extend(s for s in pairs if (s.name, s.probe) not in have)
    if not standing and not memory.findings and apart == memory.apart:
        return memory
    kept = tuple(standing)
    findings = memory.findings if kept == before else _findings(settings, memory, kept, slot_ms)
    return replace(memory, standing=kept, findings=findings, apart=apart)


def _settings_of(settings: VatSettings, name: str) -> ProbeSettings | None:
    return next((probe for probe in settings.probes if probe.probe == name), None)


def _aged(s: Standing, settings: VatSettings, memory: FaultMemory, slot_ms: int) -> Standing | None:
    """A standing fault one minute on, or None once its sign has been gone for long enough."""
    probe = _settings_of(settings, s.probe)
    minutes = memory.minutes.get(s.probe, ())
    if probe is None or not minutes:
        return None
    name, last = FaultName(s.name), minutes[-1]
    quiet = s.quiet_minutes
    if name is FaultName.OUT_OF_LIQUOR:
        noise = {Quantity.PH: 0.1, Quantity.ORP: 8.0}.get(probe.signal.quantity, 0.0)
        quiet = quiet + 1 if last.good and last.span < noise else 0
        if quiet >= QUIET_CLEARS_MINUTES:
            return None
    if last.mean is None and not last.railed and not last.fault_values:
        return s if s.quiet_minutes == quiet else s._replace(quiet_minutes=quiet)
    if _still(name, s, probe, settings, memory, minutes, slot_ms):
        return s if not s.gone_minutes and s.quiet_minutes == quiet else s._replace(gone_minutes=0, quiet_minutes=quiet)
    if s.gone_minutes + 1 >= _CLEARS_AFTER[name]:
        return None
    return s._replace(gone_minutes=s.gone_minutes + 1, quiet_minutes=quiet)


def _still(
    name: FaultName,
    s: Standing,
    probe: ProbeSettings,
    settings: VatSettings,
    memory: FaultMemory,
    minutes: Minutes,
    slot_ms: int,
) -> bool:
    last = minutes[-1]
    quantity = probe.signal.quantity
    match name:
        case FaultName.OUT_OF_LIQUOR | FaultName.WRONG_UNIT:
            if last.mean is None or s.before is None or s.level is None:
                return True
            return abs(last.mean - s.level) < abs(last.mean - s.before)
        case FaultName.SHORTED:
            level = 7.0 if quantity is Quantity.PH else 0.0
            within = 0.5 if quantity is Quantity.PH else 15.0
            return last.mean is not None and abs(last.mean - level) <= within
        case FaultName.OPEN:
            return (
                is_railed(minutes) or last.railed > 0 or last.span >= WILD[quantity] or is_wild(minutes, WILD[quantity])
            )
        case FaultName.FAULT_VALUE:
            return last.fault_values > 0
        case FaultName.STUCK:
            return memory.runs[s.probe].changed_ms == s.since_ms
        case FaultName.SLOW:
            return not memory.answers[s.probe].is_quick_again
        case FaultName.DISAGREE:
            other = _settings_of(settings, s.other)
            return other is not None and apart_by(probe, other, memory.minutes, slot_ms) > 0.7
        case FaultName.ALKALINE_ERROR:
            return alkaline_error(settings, probe, memory.minutes, slot_ms, 11.9) > 0.0


def _alone(settings: VatSettings, memory: FaultMemory, slot_ms: int, taken: set[str]) -> list[Standing]:
    """Faults one probe shows by itself, whatever the others do."""
    found: list[Standing] = []
    for probe in settings.probes:
        minutes = memory.minutes.get(probe.probe)
        if not minutes or probe.probe in taken:
            continue
        quantity, last = probe.signal.quantity, minutes[-1]
        name, level, firm = None, last.mean, True
        if shows_fault_value(minutes):
            name, level = FaultName.FAULT_VALUE, None
        elif is_railed(minutes) or is_wild(minutes, WILD[quantity]):
            name = FaultName.OPEN
            level = None if is_railed(minutes) else level
        elif quantity is Quantity.TEMPERATURE:
            if reads_fahrenheit(settings, probe, memory.minutes, True):
                name = FaultName.WRONG_UNIT
            elif reads_fahrenheit(settings, probe, memory.minutes, False):
                name, firm = FaultName.WRONG_UNIT, False
        elif quantity is Quantity.PH and stays_near(minutes, 7.0, 0.35, 0.2, 0.07):
            base = base_of(minutes)
            # A souring vat may pass 7 in days; one that steps there, or is found there, has a dead electrode.
            if base is None or abs(base - 7.0) >= 0.7:
                name, firm = FaultName.SHORTED, base is not None
        elif quantity is Quantity.ORP and stays_near(minutes, 0.0, 10.0, 10.0, 5.0):
            base = base_of(minutes)
            if base is not None and abs(base) >= 80.0:
                name = FaultName.SHORTED
        if name is not None:
            before = base_of(minutes)
            if name is FaultName.WRONG_UNIT and before is None and level is not None:
                before = (level - 32.0) / 1.8
            found.append(Standing(name, probe.probe, "", slot_ms - 2 * MINUTE_MS, before, level, firm))
    return found


class _Away(NamedTuple):
    probe: ProbeSettings
    base: float
    now: float
    alone: bool


def _out_of_liquor(settings: VatSettings, memory: FaultMemory, slot_ms: int, taken: set[str]) -> list[Standing]:
    """Probes that left together, or one that left further and faster than any liquor can move."""
    fed = memory.fed_ms is not None and slot_ms - memory.fed_ms < DISTURBED_MS
    topped = memory.topped_ms is not None and slot_ms - memory.topped_ms < DISTURBED_MS
    away: list[_Away] = []
    for probe in settings.probes:
        if probe.probe in taken:
            continue
        sign = _leaves(probe, memory.minutes.get(probe.probe, ()), fed, topped)
        if sign is not None:
            away.append(sign)
    quantities = {one.probe.signal.quantity for one in away}
    already = any(s.name == FaultName.OUT_OF_LIQUOR and slot_ms - s.since_ms < 8 * MINUTE_MS for s in memory.standing)
    if len(quantities) < 2 and not already and not any(one.alone for one in away):
        return []
    return [
        Standing(FaultName.OUT_OF_LIQUOR, one.probe.probe, "", slot_ms - 3 * MINUTE_MS, one.base, one.now)
        for one in away
    ]


def _leaves(probe: ProbeSettings, minutes: Minutes, fed: bool, topped: bool) -> _Away | None:
    last = all_of_last(minutes, 2)
    base = base_of(minutes)
    if last is None or base is None:
        return None
    if last[1].span >= WILD[probe.signal.quantity]:
        return None  # still moving, or wild: a minute later it will be clear which
    one, two = last[0].mean or 0.0, last[1].mean or 0.0
    match probe.signal.quantity:
        case Quantity.PH:
            fall = base - max(one, two)
            if fall < PH_OUT or max(one, two) > PH_OUT_MOST:
                return None
            noisy = all(m.span >= 0.2 for m in last)
            if abs(two - 7.0) <= 0.45 and not (noisy and abs(two - one) < 0.5):
                return None  # on its way to rest at 0 mV: in a minute or two it is known as shorted
            if (fed or topped) and not noisy and two > 8.2:
                return None
            return _Away(probe, base, two, fall >= PH_OUT_ALONE)
        case Quantity.ORP:
            rise = min(one, two) - base
            if rise < ORP_OUT_MV * (3.0 if topped else 1.0) or min(one, two) < ORP_OUT_LEAST_MV:
                return None
            if abs(two) <= 10.0 and last[1].span <= 10.0:
                return None  # the same
            return _Away(probe, base, two, rise >= ORP_OUT_ALONE_MV and min(one, two) > 0.0)
        case _:
            fall = base - max(one, two)
            if topped or fall < TEMPERATURE_OUT_C:
                return None
            return _Away(probe, base, two, fall >= TEMPERATURE_OUT_ALONE_C)


def _doubts(settings: VatSettings, memory: FaultMemory, slot_ms: int, taken: set[str]) -> list[Standing]:
    """What makes a probe suspect without saying that it is broken: stuck, slow, alkaline error."""
    found: list[Standing] = []
    for probe in settings.probes:
        name = probe.probe
        minutes = memory.minutes.get(name)
        if not minutes or name in taken:
            continue
        last, run = minutes[-1].mean, memory.runs[name]
        if is_stuck(run, probe.signal.quantity, slot_ms):
            found.append(Standing(FaultName.STUCK, name, "", run.changed_ms or slot_ms, None, last))
        answers = memory.answers.get(name)
        if answers is not None and answers.is_slow:
            found.append(Standing(FaultName.SLOW, name, "", slot_ms, None, last))
        steady = all_of_last(minutes, 3)
        calm = steady is not None and all(m.span < 0.3 for m in steady)
        if calm and alkaline_error(settings, probe, memory.minutes, slot_ms, 12.0) > 0.0:
            found.append(Standing(FaultName.ALKALINE_ERROR, name, "", slot_ms, None, last))
    return found


def _apart(
    settings: VatSettings, memory: FaultMemory, slot_ms: int, taken: set[str]
) -> tuple[dict[str, int], list[Standing]]:
    """Two probes of one quantity, and for how many minutes in a row they have been too far apart."""
    apart: dict[str, int] = {}
    found: list[Standing] = []
    if len(settings.probes) <= len({probe.signal.quantity for probe in settings.probes}):
        return apart, found
    for a, b in combinations(settings.probes, 2):
        if a.signal.quantity is not b.signal.quantity or {a.probe, b.probe} & taken:
            continue
        if apart_by(a, b, memory.minutes, slot_ms) > 1.0:
            key = f"{a.probe}|{b.probe}"
            apart[key] = memory.apart.get(key, 0) + 1
            if apart[key] >= APART_MINUTES:
                since = slot_ms - apart[key] * MINUTE_MS
                found.append(Standing(FaultName.DISAGREE, a.probe, b.probe, since, None, None))
    return apart, found


FAILS = (FaultName.OUT_OF_LIQUOR, FaultName.SHORTED, FaultName.OPEN, FaultName.FAULT_VALUE, FaultName.WRONG_UNIT)


def _findings(
    settings: VatSettings, memory: FaultMemory, standing: tuple[Standing, ...], slot_ms: int
) -> tuple[Finding, ...]:
    """What stands, in words; probes out of the liquor are told together."""
    groups: dict[tuple[str, str], list[Standing]] = {}
    for s in standing:
        groups.setdefault((s.name, "" if s.name == FaultName.OUT_OF_LIQUOR else s.probe), []).append(s)
    found = []
    order = [probe.probe for probe in settings.probes]
    for (name, _), members in groups.items():
        fault = FaultName(name)
        members.sort(key=lambda s: order.index(s.probe) if s.probe in order else 0)
        seen: list[Seen] = []
        low_by = 0.0
        for s in members:
            for one in (s.probe, s.other):
                probe = _settings_of(settings, one)
                if probe is None:
                    continue
                minutes = memory.minutes.get(one, ())
                now = s.level if fault is not FaultName.DISAGREE else minutes[-1].mean if minutes else None
                seen.append(Seen(one, probe.signal.quantity, s.before, now))
                if fault is FaultName.ALKALINE_ERROR:
                    low_by = alkaline_error(settings, probe, memory.minutes, slot_ms, 0.0)
        firm = all(s.firm for s in members)
        since = min(s.since_ms for s in members)
        flag = Flag.FAIL if fault in FAILS and firm else Flag.SUSPECT
        sentence = sentence_for(fault, seen, since, settings.timezone, settings.warmed, firm)
        found.append(Finding(fault, tuple(one.probe for one in seen), flag, sentence, since, low_by))
    return tuple(sorted(found, key=lambda finding: (-finding.flag, finding.since_ms, finding.name)))
