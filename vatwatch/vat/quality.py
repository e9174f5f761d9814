"""Which of a slot's samples can be believed: range, known fault values, spike, rate, flat line, lateness, probe out.

Flags: 1 pass, 2 not evaluated, 3 suspect, 4 fail, 9 missing (IOOS QARTOD manuals; the tests are in `qartod`). A bad
value keeps its number in the record, with the flag and the reason; a failed one never reaches the judgement, a suspect
one does and says so. What several probes or several minutes show together is `probe_faults`' business.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

from vatwatch.chemistry.thermometers import is_digital_fault
from vatwatch.records import Sample
from vatwatch.terms import Flag, Signal
from vatwatch.vat.qartod import LIMITS, SeriesMemory, step_series
from vatwatch.vat.scan import ProbeMemory

GROSS_RANGE = {signal: limits.fail_span for signal, limits in LIMITS.items()}
"""What each signal can be in a working vat; outside it the sample fails."""

_UNIT = {
    Signal.PH: "", Signal.PH_MV: " mV", Signal.ORP_MV: " mV", Signal.TEMPERATURE_C: " °C", Signal.PT100_OHM: " Ω",
}  # fmt: skip
_NEW = SeriesMemory()
_NONE_OUT: Mapping[str, ProbeMemory] = MappingProxyType({})


def flag_sample(sample: Sample, slot_start_ms: int) -> Sample:
    """One sample judged by itself: value there, finite, in time, not a sensor's own fault value, within the range.

    A sample older than its slot came too late for the scan it belongs to: it is kept, not evaluated and not judged.
    """
    value = sample.value
    if value is None:
        return sample if sample.reason else replace(sample, flag=Flag.MISSING, reason="no value")
    if not math.isfinite(value):
        return replace(sample, value=None, flag=Flag.FAIL, reason="not a finite number")
    if sample.time_ms < slot_start_ms:
        return replace(sample, flag=Flag.NOT_EVALUATED, reason="late")
    if sample.signal is Signal.TEMPERATURE_C and is_digital_fault(value):
        return replace(sample, flag=Flag.FAIL, reason=f"{value:g} °C is the sensor's own fault value")
    low, high = GROSS_RANGE[sample.signal]
    if not low <= value <= high:
        return replace(
            sample, flag=Flag.FAIL, reason=f"{value:g} is outside {low:g} to {high:g}, what a working vat can show"
        )
    return Sample(sample.time_ms, sample.vat, sample.probe, sample.signal, value, Flag.PASS)


def flag_samples(
    memory: Mapping[str, SeriesMemory],
    samples: Sequence[Sample],
    slot_start_ms: int,
    probes: Mapping[str, ProbeMemory] = _NONE_OUT,
) -> tuple[dict[str, SeriesMemory], tuple[Sample, ...]]:
    """A slot's samples with their flags, and what each probe's tests carry on. Samples of a probe come in time order.

    The spike test needs the sample after: within the slot it has it. The newest of a slot is marked suspect when it
    stands a failing spike's height from the one before, until the next slot shows whether it was one. `probes` says
    which are out of the liquor on purpose: their samples are kept, not evaluated.
    """
    after = dict(memory)
    flagged: list[Sample] = []
    newest: dict[str, int] = {}
    for given in samples:
        sample = flag_sample(given, slot_start_ms)
        if sample.flag is Flag.FAIL and _passes_85(sample, after.get(sample.probe)):
            sample = replace(sample, flag=Flag.PASS, reason="")
        known = probes.get(sample.probe)
        if known is not None and known.out_until_ms is not None and known.is_out(sample.time_ms):
            flagged.append(replace(sample, flag=Flag.NOT_EVALUATED, reason=f"out for {known.out_for}"))
            after.pop(sample.probe, None)
            continue
        if sample.flag is Flag.PASS:
            sample = _step(after, flagged, newest, sample)
        elif sample.flag is not Flag.NOT_EVALUATED and sample.probe in after:
            before = after[sample.probe]
            after[sample.probe] = SeriesMemory(
                max(before.time_ms or 0, sample.time_ms), None, before.value, before.line
            )
        flagged.append(sample)
    for probe, at in newest.items():
        last, before_value = flagged[at], after[probe].before
        if last.flag is Flag.PASS and before_value is not None and last.value is not None:
            limit = LIMITS[last.signal].spike_fail
            if abs(last.value - before_value) > limit:
                reason = f"jumped from {_said(before_value, last.signal)}; the next reading must confirm it"
                flagged[at] = replace(last, flag=Flag.SUSPECT, reason=reason)
    return after, tuple(flagged)


def _passes_85(sample: Sample, before: SeriesMemory | None) -> bool:
    """A liquor that really climbs past 85 °C shows that number too: no reason to lose sight of it there."""
    if sample.signal is not Signal.TEMPERATURE_C or sample.value is None or sample.value < 80.0:
        return False
    return is_digital_fault(sample.value) and before is not None and (before.value or 0.0) >= 80.0


def _step(after: dict[str, SeriesMemory], flagged: list[Sample], newest: dict[str, int], sample: Sample) -> Sample:
    """One believable sample through the tests that need its neighbours; may fail the one before it as a spike."""
    before = after.get(sample.probe, _NEW)
    if before.time_ms is not None and sample.time_ms <= before.time_ms:
        return sample
    limits = LIMITS[sample.signal]
    now, flags = step_series(before, limits, sample.time_ms, sample.value)
    after[sample.probe] = now
    at = newest.get(sample.probe)
    if at is not None and flags.spike_before >= Flag.SUSPECT and flags.spike_before is not Flag.MISSING:
        last = flagged[at]
        if flags.spike_before > last.flag:
            flagged[at] = replace(
                last, flag=flags.spike_before, reason=f"{_said(last.value, last.signal)} stands out from its neighbours"
            )
    newest[sample.probe] = len(flagged)
    if flags.rate_of_change is not Flag.PASS and flags.rate_of_change is not Flag.MISSING:
        seconds = (sample.time_ms - (before.time_ms or 0)) / 1000.0
        reason = (
            f"went from {_said(before.value, sample.signal)} to {_said(sample.value, sample.signal)} in {seconds:g} s"
        )
        return replace(sample, flag=flags.rate_of_change, reason=reason)
    if flags.flat_line is not Flag.PASS:
        hours = now.line.flat_ms(sample.time_ms) / 3_600_000
        reason = f"has shown {_said(sample.value, sample.signal)} and nothing else for {hours:.0f} h"
        return replace(sample, flag=flags.flat_line, reason=reason)
    return sample


def _said(value: float | None, signal: Signal) -> str:
    return "nothing" if value is None else f"{value:g}{_UNIT[signal]}"
