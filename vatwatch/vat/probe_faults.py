"""Faults that a vat's probes show over time and against each other, from slot to slot. Pure; recognises, never repairs.

Once a minute each probe's last minutes are looked at, alone (`probe_signs`) and beside the others. A finding stands until
its sign is gone. A slow drift of the reference is not among them: see `probe_fault_names.NOT_SEPARABLE`. Thresholds are
judgement of this project, tuned on simulated vats that the tests do not use.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations
from typing import Any, NamedTuple

from vatwatch.records import EntryKind, Flag, JournalEntry, Quantity, Sample
from vatwatch.vat.probe_answers import (
    IN_A_ROW,
    TOGETHER_MINUTES,
    Answers,
    Watch,
    answers_from_plain,
    is_over,
    judged,
    watch_from_plain,
    watched,
)
from vatwatch.vat.probe_comparing import alkaline_error, apart_by, reads_fahrenheit
from vatwatch.vat.probe_fault_names import FaultName, Finding, Seen, sentence_for
from vatwatch.vat.probe_signs import (
    EMPTY,
    KEPT_MINUTES,
    Filling,
    Minutes,
    all_of_last,
    base_of,
    filled,
    is_railed,
    is_wild,
    minutes_from_plain,
    shows_fault_value,
    stays_near,
)
from vatwatch.vat.probe_stuck import NEW_RUN, Run, extend_run, is_stuck
from vatwatch.vat.scan import ProbeMemory
from vatwatch.vat.settings import MINUTE_MS, ProbeSettings, VatSettings

SOAK_MINUTES = 3
"""A probe put back needs this long in the liquor before it is compared. Common practice, no source."""
DISTURBED_MS = 20 * MINUTE_MS
WATCHED_DEEDS = (EntryKind.FEED, EntryKind.STIR, EntryKind.DIP, EntryKind.TOP_UP)
APART_MINUTES = 10
LATEST_MINUTES = 6
ANSWER_LEAST = {Quantity.PH: 0.03, Quantity.ORP: 6.0}
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


class Standing(NamedTuple):
    """One fault of one probe (or a pair) as long as it stands. `before` and `level`: the value before it, and with it."""

    name: str
    probe: str
    other: str
    since_ms: int
    before: float | None
    level: float | None
    firm: bool = True
    gone_minutes: int = 0
    quiet_minutes: int = 0


@dataclass(frozen=True, slots=True)
class FaultMemory:
    """What is carried from slot to slot, in JSON-able fields; `findings` is what stands now, worst first."""

    period: int | None = None
    filling: dict[str, Filling] = field(default_factory=dict)
    minutes: dict[str, Minutes] = field(default_factory=dict)
    heard_ms: dict[str, int] = field(default_factory=dict)
    runs: dict[str, Run] = field(default_factory=dict)
    apart: dict[str, int] = field(default_factory=dict)
    answers: dict[str, Answers] = field(default_factory=dict)
    watch: Watch | None = None
    fed_ms: int | None = None
    topped_ms: int | None = None
    standing: tuple[Standing, ...] = ()
    findings: tuple[Finding, ...] = ()


def step_faults(
    settings: VatSettings,
    memory: FaultMemory,
    slot_ms: int,
    samples: Sequence[Sample],
    journal: Sequence[JournalEntry],
    probes: Mapping[str, ProbeMemory],
) -> FaultMemory:
    """The memory after the slot that ends at `slot_ms`, with its flagged samples and journal; `.findings` stands in it.

    `probes` says which probes are out on purpose: what they give is not looked at, and what was found of them is
    forgotten. Slots must come in increasing order.
    """
    period_ms = max(MINUTE_MS, settings.scan_ms)
    filling = dict(memory.filling)
    for sample in samples:
        if sample.flag is not Flag.NOT_EVALUATED:
            filling[sample.probe] = filled(filling.get(sample.probe, EMPTY), sample)
    period = slot_ms // period_ms
    if memory.period is None:
        memory = replace(memory, period=period)
    if journal:
        memory = _heed(memory, settings, journal, slot_ms)
    if period == memory.period:
        return _refilled(memory, filling)
    return _close(settings, memory, slot_ms, period, filling, probes)


def _refilled(m: FaultMemory, filling: dict[str, Filling]) -> FaultMemory:
    # Spelt out: `replace` takes three times as long, and this runs in every slot.
    return FaultMemory(
        m.period, filling, m.minutes, m.heard_ms, m.runs, m.apart, m.answers, m.watch, m.fed_ms, m.topped_ms,
        m.standing, m.findings,
    )  # fmt: skip


def _heed(memory: FaultMemory, settings: VatSettings, journal: Sequence[JournalEntry], slot_ms: int) -> FaultMemory:
    for entry in journal:
        if entry.kind is EntryKind.REMADE:
            # Another liquor: jumps away from the old one mean nothing any more.
            kept = tuple(
                s for s in memory.standing if s.name not in (FaultName.OUT_OF_LIQUOR, FaultName.ALKALINE_ERROR)
            )
            memory = replace(memory, minutes={}, watch=None, standing=kept)
        if entry.kind is EntryKind.FEED:
            memory = replace(memory, fed_ms=max(memory.fed_ms or 0, entry.time_ms))
        if entry.kind is EntryKind.TOP_UP or entry.kind is EntryKind.REMADE:
            memory = replace(memory, topped_ms=max(memory.topped_ms or 0, entry.time_ms))
        if entry.kind in WATCHED_DEEDS:
            memory = _watch(memory, settings, entry, slot_ms)
    return memory


def _watch(memory: FaultMemory, settings: VatSettings, entry: JournalEntry, slot_ms: int) -> FaultMemory:
    """A watch begins at the deed's own time, when that is not long ago; one that has just begun goes on."""
    late = max(0, slot_ms - entry.time_ms) // MINUTE_MS
    if late > LATEST_MINUTES:
        return memory
    running = memory.watch
    if running is not None and max(map(len, running.values.values()), default=0) - late < TOGETHER_MINUTES:
        return memory
    memory = _judge_answers(memory, settings)
    base: dict[str, float] = {}
    values: dict[str, tuple[float, ...]] = {}
    for probe in settings.probes:
        if probe.signal.quantity not in ANSWER_LEAST:
            continue
        minutes = memory.minutes.get(probe.probe, ())
        before = base_of(minutes, late + 1, late + 5)
        since = [m.mean for m in minutes[len(minutes) - late :]] if late else []
        if before is not None:
            base[probe.probe] = before
            values[probe.probe] = tuple(mean for mean in since if mean is not None)
    deed = f"{entry.kind.value} {entry.what.strip().lower()}" if entry.kind is EntryKind.FEED else entry.kind.value
    return replace(memory, watch=Watch(deed, base, values) if base else None)


def _judge_answers(memory: FaultMemory, settings: VatSettings) -> FaultMemory:
    """The running watch ends, and each probe's answer is judged."""
    watch = memory.watch
    if watch is None:
        return memory
    answers = dict(memory.answers)
    for probe in settings.probes:
        if probe.probe in watch.values:
            answers[probe.probe] = judged(
                answers.get(probe.probe, Answers()),
                watch.deed,
                watch.base[probe.probe],
                watch.values[probe.probe],
                ANSWER_LEAST[probe.signal.quantity],
            )
    return replace(memory, answers=answers, watch=None)


def _close(
    settings: VatSettings,
    memory: FaultMemory,
    slot_ms: int,
    period: int,
    filling: Mapping[str, Filling],
    probes: Mapping[str, ProbeMemory],
) -> FaultMemory:
    """A minute is over: every probe's is closed, then everything is looked at."""
    minutes: dict[str, Minutes] = {}
    runs: dict[str, Run] = {}
    heard = dict(memory.heard_ms)
    hole = memory.period is not None and period - memory.period > KEPT_MINUTES
    gone: set[str] = set()
    for probe in settings.probes:
        name = probe.probe
        known = probes.get(name)
        if known is not None and known.out_until_ms is not None:
            if slot_ms < known.out_until_ms + SOAK_MINUTES * MINUTE_MS:
                gone.add(name)
                continue
        before = () if hole else memory.minutes.get(name, ())
        fill = filling.get(name, EMPTY)
        if fill.good:
            heard[name] = slot_ms
        carried = before[-1].mean if before and slot_ms - heard.get(name, 0) <= probe.stale_after_ms else None
        minute = fill.closed(carried)
        minutes[name] = (*before[1 - KEPT_MINUTES :], minute)
        runs[name] = extend_run(memory.runs.get(name, NEW_RUN), minute, slot_ms)
    watch = None if hole or memory.watch is None else watched(memory.watch, {p: m[-1].mean for p, m in minutes.items()})
    memory = FaultMemory(
        period, {}, minutes, heard, runs, memory.apart, memory.answers, watch, memory.fed_ms, memory.topped_ms,
        tuple(s for s in memory.standing if s.probe not in gone and s.other not in gone), memory.findings,
    )  # fmt: skip
    if watch is not None and is_over(watch):
        memory = _judge_answers(memory, settings)
    return _look(settings, memory, slot_ms)


def _look(settings: VatSettings, memory: FaultMemory, slot_ms: int) -> FaultMemory:
    before = memory.standing
    standing = [s for s in (_aged(s, settings, memory) for s in before) if s is not None]
    taken = {s.probe for s in standing if s.name in _CERTAIN}
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
    findings = memory.findings if kept == before else _findings(settings, memory, kept)
    return replace(memory, standing=kept, findings=findings, apart=apart)


def _settings_of(settings: VatSettings, name: str) -> ProbeSettings | None:
    return next((probe for probe in settings.probes if probe.probe == name), None)


def _aged(s: Standing, settings: VatSettings, memory: FaultMemory) -> Standing | None:
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
    if _still(name, s, probe, settings, memory, minutes):
        return s if not s.gone_minutes and s.quiet_minutes == quiet else s._replace(gone_minutes=0, quiet_minutes=quiet)
    if s.gone_minutes + 1 >= _CLEARS_AFTER[name]:
        return None
    return s._replace(gone_minutes=s.gone_minutes + 1, quiet_minutes=quiet)


def _still(
    name: FaultName, s: Standing, probe: ProbeSettings, settings: VatSettings, memory: FaultMemory, minutes: Minutes
) -> bool:
    last = minutes[-1]
    quantity = probe.signal.quantity
    match name:
        case FaultName.OUT_OF_LIQUOR | FaultName.WRONG_UNIT:
            if last.mean is None or s.before is None or s.level is None:
                return (
                    name is FaultName.OUT_OF_LIQUOR
                    or last.mean is None
                    or reads_fahrenheit(settings, probe, memory.minutes, True)
                )
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
            return memory.answers[s.probe].quick < IN_A_ROW
        case FaultName.DISAGREE:
            other = _settings_of(settings, s.other)
            return other is not None and apart_by(probe, other, memory.minutes) > 0.7
        case FaultName.ALKALINE_ERROR:
            return alkaline_error(settings, probe, last.mean, 11.9) > 0.0


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
        elif quantity is Quantity.PH and stays_near(minutes, 7.0, 0.35, 0.2):
            base = base_of(minutes)
            # A souring vat may pass 7 in days; one that steps there, or is found there, has a dead electrode.
            if base is None or abs(base - 7.0) >= 0.7:
                name, firm = FaultName.SHORTED, base is not None
        elif quantity is Quantity.ORP and stays_near(minutes, 0.0, 10.0, 10.0):
            base = base_of(minutes)
            if base is not None and abs(base) >= 80.0:
                name = FaultName.SHORTED
        if name is not None:
            found.append(Standing(name, probe.probe, "", slot_ms - 2 * MINUTE_MS, base_of(minutes), level, firm))
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
    one, two = last[0].mean or 0.0, last[1].mean or 0.0
    match probe.signal.quantity:
        case Quantity.PH:
            fall = base - max(one, two)
            if fall < PH_OUT or max(one, two) > PH_OUT_MOST:
                return None
            if all(abs((m.mean or 0.0) - 7.0) <= 0.35 and m.span <= 0.1 for m in last):
                return None  # resting at 0 mV: a minute more, and it is known as shorted
            noisy = all(m.span >= 0.2 for m in last)
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
        if answers is not None and answers.slow >= IN_A_ROW:
            found.append(Standing(FaultName.SLOW, name, "", slot_ms, None, last))
        if probe.signal.quantity is Quantity.PH and alkaline_error(settings, probe, last, 12.0) > 0.0:
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
        if apart_by(a, b, memory.minutes) > 1.0:
            key = f"{a.probe}|{b.probe}"
            apart[key] = memory.apart.get(key, 0) + 1
            if apart[key] >= APART_MINUTES:
                since = slot_ms - apart[key] * MINUTE_MS
                found.append(Standing(FaultName.DISAGREE, a.probe, b.probe, since, None, None))
    return apart, found


_FAILS = (FaultName.OUT_OF_LIQUOR, FaultName.SHORTED, FaultName.OPEN, FaultName.FAULT_VALUE, FaultName.WRONG_UNIT)


def _findings(settings: VatSettings, memory: FaultMemory, standing: tuple[Standing, ...]) -> tuple[Finding, ...]:
    """What stands, in words; probes out of the liquor are told together."""
    groups: dict[tuple[str, str], list[Standing]] = {}
    for s in standing:
        groups.setdefault((s.name, "" if s.name == FaultName.OUT_OF_LIQUOR else s.probe), []).append(s)
    found = []
    for (name, _), members in groups.items():
        fault = FaultName(name)
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
                    low_by = alkaline_error(settings, probe, now, 0.0)
        firm = all(s.firm for s in members)
        since = min(s.since_ms for s in members)
        flag = Flag.FAIL if fault in _FAILS and firm else Flag.SUSPECT
        sentence = sentence_for(fault, seen, since, settings.timezone, settings.warmed, firm)
        found.append(Finding(fault, tuple(one.probe for one in seen), flag, sentence, since, low_by))
    return tuple(sorted(found, key=lambda finding: (-finding.flag, finding.since_ms, finding.name)))


def faults_from_plain(raw: Mapping[str, Any]) -> FaultMemory:
    """The memory back from its JSON form (`dataclasses.asdict`, through `json`). Raises KeyError, TypeError, ValueError."""
    return FaultMemory(
        period=raw["period"],
        filling={name: Filling(*one) for name, one in raw["filling"].items()},
        minutes={name: minutes_from_plain(one) for name, one in raw["minutes"].items()},
        heard_ms=dict(raw["heard_ms"]),
        runs={name: Run(*one) for name, one in raw["runs"].items()},
        apart=dict(raw["apart"]),
        answers={name: answers_from_plain(one) for name, one in raw["answers"].items()},
        watch=watch_from_plain(raw["watch"]),
        fed_ms=raw["fed_ms"],
        topped_ms=raw["topped_ms"],
        standing=tuple(Standing(*one) for one in raw["standing"]),
        findings=tuple(
            Finding(
                **{**one, "name": FaultName(one["name"]), "flag": Flag(one["flag"]), "probes": tuple(one["probes"])}
            )
            for one in raw["findings"]
        ),
    )
