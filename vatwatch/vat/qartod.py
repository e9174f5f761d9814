"""The IOOS QARTOD tests for one series, sample by sample: gross range, spike, rate of change, flat line, silence.

Source: U.S. Integrated Ocean Observing System, QARTOD manuals (for example "Manual for Real-Time Quality Control of
In-situ Temperature and Salinity Data", version 2.0, 2016): tests 1, 4, 6, 7 and 8, and the flags. Memory is bounded,
time is data, and the same samples give the same flags. What the flags mean for a vat is `quality`'s business.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from vatwatch.terms import Flag, Signal

Span = tuple[float, float]
LONGEST_LINE = 64
"""Turning points kept of a line that may be flat; beyond it the line counts as younger than it is, never older."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of one signal, in its own unit; rates per second, times in ms. `source` says where they come from.

    A value outside `fail_span` fails, one outside `suspect_span` is suspect. `silent_gap_ms` without a sample breaks a
    line and the neighbourhood that spike and rate rest on.
    """

    fail_span: Span
    spike_suspect: float
    spike_fail: float
    rate_suspect_per_s: float
    rate_fail_per_s: float
    flat_tolerance: float
    flat_suspect_ms: int
    flat_fail_ms: int
    silent_gap_ms: int
    source: str
    suspect_span: Span | None = None


_HOUR_MS = 3_600_000
_JUDGEMENT = (
    "judgement of this project. Range: what a working vat can show. Spike and rate: several times what a feed of "
    "strong alkali or reductant does through an electrode that settles within seconds. Flat line: longer than a sound "
    "meter of coarse resolution rests in a quiet vat"
)

LIMITS: dict[Signal, Limits] = {
    Signal.PH: Limits((0.0, 14.0), 0.5, 1.0, 0.2, 0.6, 0.005, 12 * _HOUR_MS, 48 * _HOUR_MS, 5 * 60_000, _JUDGEMENT),
    # 7 pH units of Nernst slope at 60 °C is 463 mV; an offset beyond ±60 mV is a broken electrode.
    Signal.PH_MV: Limits(
        (-525.0, 525.0), 30.0, 60.0, 12.0, 36.0, 0.05, 12 * _HOUR_MS, 48 * _HOUR_MS, 5 * 60_000, _JUDGEMENT
    ),
    # Zinc in strong alkali is the most reducing vat there is (down to about −1250 mV); ZoBell's +430 mV is the check.
    Signal.ORP_MV: Limits(
        (-1500.0, 1000.0), 60.0, 150.0, 40.0, 120.0, 0.05, 3 * _HOUR_MS, 24 * _HOUR_MS, 5 * 60_000, _JUDGEMENT
    ),
    # A water vat neither freezes solid nor boils.
    Signal.TEMPERATURE_C: Limits(
        (-5.0, 100.0), 2.0, 5.0, 1.0, 3.0, 0.001, 12 * _HOUR_MS, 72 * _HOUR_MS, 5 * 60_000, _JUDGEMENT
    ),
    # IEC 60751: 98.04 Ω at −5 °C, 138.51 Ω at 100 °C; 0.385 Ω per °C.
    Signal.PT100_OHM: Limits(
        (98.0, 138.6), 0.8, 2.0, 0.4, 1.2, 0.0004, 12 * _HOUR_MS, 72 * _HOUR_MS, 5 * 60_000, _JUDGEMENT
    ),
}

_WORSE = {Flag.MISSING: 0, Flag.NOT_EVALUATED: 1, Flag.PASS: 2, Flag.SUSPECT: 3, Flag.FAIL: 4}


def overall(flags: Iterable[Flag]) -> Flag:
    """The flag of a sample from those of its tests: the worst that was found; 9 and 2 only if nothing else was."""
    return max(flags, key=_WORSE.__getitem__, default=Flag.NOT_EVALUATED)


def gross_range(value: float | None, fail_span: Span, suspect_span: Span | None = None) -> Flag:
    """Test 4. Both ends of a span belong to it."""
    if value is None:
        return Flag.MISSING
    if not fail_span[0] <= value <= fail_span[1]:
        return Flag.FAIL
    if suspect_span is not None and not suspect_span[0] <= value <= suspect_span[1]:
        return Flag.SUSPECT
    return Flag.PASS


def spike(before: float | None, value: float | None, after: float | None, suspect: float, fail: float) -> Flag:
    """Test 6: how far a value stands from the middle of its two neighbours. Not evaluated without both of them."""
    if value is None:
        return Flag.MISSING
    if before is None or after is None:
        return Flag.NOT_EVALUATED
    height = abs(value - (before + after) / 2.0)
    return Flag.FAIL if height > fail else Flag.SUSPECT if height > suspect else Flag.PASS


def rate_of_change(
    before: float | None, value: float | None, elapsed_ms: int, suspect_per_s: float, fail_per_s: float | None = None
) -> Flag:
    """Test 7: the step from the sample just before, per second. A value without such a neighbour passes."""
    if value is None:
        return Flag.MISSING
    if before is None or elapsed_ms <= 0:
        return Flag.PASS
    rate = abs(value - before) * 1000.0 / elapsed_ms
    if fail_per_s is not None and rate > fail_per_s:
        return Flag.FAIL
    return Flag.SUSPECT if rate > suspect_per_s else Flag.PASS


def silence(newest_ms: int | None, now_ms: int, stale_after_ms: int) -> Flag:
    """Test 1 (gap): missing once nothing has come for longer than `stale_after_ms`."""
    return Flag.PASS if newest_ms is not None and now_ms - newest_ms <= stale_after_ms else Flag.MISSING


Turn = tuple[int, float]

# Three of these are made for every sample of a season: a named tuple costs a third of a frozen dataclass.


class FlatLine(NamedTuple):
    """How long a series has stayed within a tolerance, exactly, from its turning points alone.

    `lows` and `highs` are the (time, value) that can still become the lowest or highest of a line that ends now;
    `broken_ms` is the newest sample that no longer fits the line, `first_ms` the oldest sample heard.
    """

    first_ms: int | None = None
    broken_ms: int | None = None
    lows: tuple[Turn, ...] = ()
    highs: tuple[Turn, ...] = ()

    def flat_ms(self, now_ms: int) -> int:
        """For how long, up to `now_ms`, no sample has left the line (ms)."""
        if self.first_ms is None:
            return 0
        return now_ms - (self.first_ms if self.broken_ms is None else self.broken_ms + 1)


def extend_line(line: FlatLine, time_ms: int, value: float | None, tolerance: float, kept_ms: int) -> FlatLine:
    """The line with one sample more; a missing one (None) neither bends nor breaks it. Times must not go back.

    Samples older than `kept_ms` are forgotten. `tolerance` must be above 0.
    """
    first_ms = time_ms if line.first_ms is None else line.first_ms
    if value is None:
        return line if line.first_ms is not None else FlatLine(first_ms)
    broken_ms, lows, highs = line.broken_ms, line.lows, line.highs
    oldest = time_ms - kept_ms
    new = (time_ms, value)
    end = len(lows)
    while end and lows[end - 1][1] >= value:
        end -= 1
    lows = (*lows[:end], new)
    end = len(highs)
    while end and highs[end - 1][1] <= value:
        end -= 1
    highs = (*highs[:end], new)
    low_from = high_from = 0
    while highs[high_from][1] - lows[low_from][1] >= tolerance:
        if lows[low_from][0] < highs[high_from][0]:
            broken_ms = lows[low_from][0]
            low_from += 1
        else:
            broken_ms = highs[high_from][0]
            high_from += 1
    while lows[low_from][0] < oldest:
        low_from += 1
    while highs[high_from][0] < oldest:
        high_from += 1
    if low_from or high_from:
        lows, highs = lows[low_from:], highs[high_from:]
    if len(lows) + len(highs) > LONGEST_LINE:
        cut = min(lows[0][0], highs[0][0])
        broken_ms = cut if broken_ms is None else max(broken_ms, cut)
        lows, highs = tuple(t for t in lows if t[0] > cut), tuple(t for t in highs if t[0] > cut)
    return FlatLine(first_ms, broken_ms, lows, highs)


def flat_line(line: FlatLine, time_ms: int, value: float | None, suspect_ms: int, fail_ms: int) -> Flag:
    """Test 8 for the newest sample of `line`: whether it has been flat over the whole of a threshold up to now."""
    if value is None:
        return Flag.MISSING
    flat_ms = line.flat_ms(time_ms)
    return Flag.FAIL if flat_ms >= fail_ms else Flag.SUSPECT if flat_ms >= suspect_ms else Flag.PASS


class SeriesMemory(NamedTuple):
    """What the tests carry from sample to sample of one probe. `value` is None after a missing or failed sample."""

    time_ms: int | None = None
    value: float | None = None
    before: float | None = None
    line: FlatLine = FlatLine()


class SeriesFlags(NamedTuple):
    """What one sample got from each test. `spike_before` is the spike test of the sample before it, known only now."""

    gross_range: Flag
    rate_of_change: Flag
    flat_line: Flag
    spike_before: Flag


def step_series(
    memory: SeriesMemory, limits: Limits, time_ms: int, value: float | None
) -> tuple[SeriesMemory, SeriesFlags]:
    """One sample through every test. Times must not go back; one out of range is missing to the rest."""
    in_range = gross_range(value, limits.fail_span, limits.suspect_span)
    if in_range is Flag.FAIL:
        value = None
    if memory.time_ms is not None and time_ms - memory.time_ms > limits.silent_gap_ms:
        memory = SeriesMemory()
    last = memory.value
    line = extend_line(memory.line, time_ms, value, limits.flat_tolerance, limits.flat_fail_ms)
    elapsed_ms = 0 if memory.time_ms is None else time_ms - memory.time_ms
    flags = SeriesFlags(
        in_range,
        rate_of_change(last, value, elapsed_ms, limits.rate_suspect_per_s, limits.rate_fail_per_s),
        flat_line(line, time_ms, value, limits.flat_suspect_ms, limits.flat_fail_ms),
        spike(memory.before, last, value, limits.spike_suspect, limits.spike_fail),
    )
    return SeriesMemory(time_ms, value, last, line), flags


def series_from_plain(raw: Sequence[Any]) -> SeriesMemory:
    """The memory back from its JSON form (named tuples become lists there)."""
    time_ms, value, before, (first_ms, broken_ms, lows, highs) = raw
    line = FlatLine(first_ms, broken_ms, tuple((t, v) for t, v in lows), tuple((t, v) for t, v in highs))
    return SeriesMemory(time_ms, value, before, line)
