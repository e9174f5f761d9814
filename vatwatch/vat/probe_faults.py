"""Faults that a vat's probes show over time and against each other, from slot to slot. Pure; repairs nothing.

`step_faults` takes in a slot; once a minute everything is looked at (`probe_recognising`). A finding stands until its
sign is gone. `withheld` and `doubted` make of the findings what the judgement must know: failed readings are withdrawn,
suspect ones are judged and say so. A slow drift of the reference is not among the findings: see
`probe_fault_names.NOT_SEPARABLE`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from vatwatch.records import JournalEntry, Measured, Sample
from vatwatch.terms import EntryKind, Flag, Quantity
from vatwatch.vat.probe_answers import TOGETHER_MINUTES, UNPOISED, Answers, Watch, is_over, judged, watched
from vatwatch.vat.probe_fault_memory import FaultMemory, faults_from_plain
from vatwatch.vat.probe_fault_names import FaultName, Finding
from vatwatch.vat.probe_recognising import look
from vatwatch.vat.probe_signs import EMPTY, KEPT_MINUTES, NOTHING, Filling, Minutes, base_of, filled
from vatwatch.vat.probe_stuck import NEW_RUN, Run, extend_run
from vatwatch.vat.scan import ProbeMemory
from vatwatch.vat.settings import MINUTE_MS, VatSettings

__all__ = ["FaultMemory", "FaultName", "Finding", "doubted", "faults_from_plain", "step_faults", "withheld"]

SOAK_MINUTES = 3
"""A probe put back needs this long in the liquor before it is compared. Common practice, no source."""
WATCHED_DEEDS = (EntryKind.FEED, EntryKind.STIR, EntryKind.DIP, EntryKind.TOP_UP)
LATEST_MINUTES = 6
"""A deed written down later than this is not watched for its answer."""
ANSWER_LEAST = {Quantity.PH: 0.05, Quantity.ORP: 6.0}
"""What a deed must move to be an answer: several times the noise of a minute's mean. Judgement."""


def withheld(probes: Mapping[str, ProbeMemory], findings: Iterable[Finding]) -> Mapping[str, ProbeMemory]:
    """The probes' memory as `scan.measure` should see it: nothing of a probe whose readings fail, but the reason."""
    failed = {
        probe: finding.name.value for finding in findings if finding.flag is Flag.FAIL for probe in finding.probes
    }
    if not failed:
        return probes
    return {
        name: replace(memory, value=None, trouble=failed[name], trouble_flag=Flag.FAIL) if name in failed else memory
        for name, memory in probes.items()
    }


def doubted(
    measured: tuple[Measured, Measured, Measured], findings: Iterable[Finding], settings: VatSettings
) -> tuple[Measured, Measured, Measured]:
    """pH, ORP and temperature as `scan.measure` gave them, marked where a probe behind them is suspect, with its sentence.

    A one-sided error (alkaline) is added to the pH's standard uncertainty: it says how wrong the number may be, not
    that the number is to be corrected.
    """
    suspect = [finding for finding in findings if finding.flag is Flag.SUSPECT]
    if not suspect:
        return measured
    quantity_of = {probe.probe: probe.signal.quantity for probe in settings.probes}
    after = []
    for quantity, one in zip((Quantity.PH, Quantity.ORP, Quantity.TEMPERATURE), measured, strict=True):
        mine = [f for f in suspect if any(quantity_of.get(probe) is quantity for probe in f.probes)]
        if mine and one.value is not None:
            sigma = None if one.sigma is None else math.hypot(one.sigma, *(f.reads_low_by for f in mine))
            told = " ".join(f.sentence for f in mine)
            reason = f"{one.reason}. {told}" if one.reason else told
            one = replace(one, flag=Flag.SUSPECT, reason=reason, sigma=sigma)
        after.append(one)
    return after[0], after[1], after[2]


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
    period = slot_ms // period_ms
    if memory.period is not None and period - memory.period > KEPT_MINUTES:
        # Nobody knows what happened in such a hole: nothing before it is compared with anything after it.
        memory = replace(memory, period=period, filling={}, minutes={}, watch=None, apart={})
    filling = dict(memory.filling)
    for sample in samples:
        if sample.flag is not Flag.NOT_EVALUATED:
            filling[sample.probe] = filled(filling.get(sample.probe, EMPTY), sample)
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
                UNPOISED.get(probe.signal.quantity, math.inf),
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
    skipped = (NOTHING,) * (period - (memory.period or period) - 1)
    gone: set[str] = set()
    for probe in settings.probes:
        name = probe.probe
        known = probes.get(name)
        until = None if known is None else known.out_until_ms
        if until is not None and slot_ms < until + SOAK_MINUTES * MINUTE_MS:
            gone.add(name)
            continue
        before = (*memory.minutes.get(name, ()), *skipped)
        fill = filling.get(name, EMPTY)
        if fill.values:
            heard[name] = slot_ms
        carried = before[-1].mean if before and slot_ms - heard.get(name, 0) <= probe.stale_after_ms else None
        minute = fill.closed(carried)
        minutes[name] = (*before[1 - KEPT_MINUTES :], minute)
        runs[name] = extend_run(memory.runs.get(name, NEW_RUN), minute, slot_ms)
    watch = None if memory.watch is None else watched(memory.watch, {p: m[-1].mean for p, m in minutes.items()})
    memory = FaultMemory(
        period, {}, minutes, heard, runs, memory.apart, memory.answers, watch, memory.fed_ms, memory.topped_ms,
        tuple(s for s in memory.standing if s.probe not in gone and s.other not in gone), memory.findings,
    )  # fmt: skip
    if watch is not None and is_over(watch):
        memory = _judge_answers(memory, settings)
    return look(settings, memory, slot_ms)
