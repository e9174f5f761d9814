"""One walk through a vat's scans: hours by condition, and what the stored curves do not hold. Pure.

The 90 % interval of the reduction and the 25 °C equivalent of the pH are averaged into equal buckets on the way, so
that a season is read once and memory stays flat.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import chain, islice

from vatwatch.records import Scan
from vatwatch.season.hours import HoursTally, TimeShares, slot_length_ms

_LOOKED_AT = 500


@dataclass(frozen=True, slots=True)
class Averages:
    """Bucket averages, None where the bucket had no value. Buckets divide the span equally."""

    share_low: tuple[float | None, ...]
    share_high: tuple[float | None, ...]
    ph_25c: tuple[float | None, ...]


@dataclass(frozen=True, slots=True)
class Passage:
    """What one walk through the scans of one vat gives."""

    scans: int
    times: TimeShares
    averages: Averages


class _Mean:
    __slots__ = ("_counts", "_sums")

    def __init__(self, buckets: int) -> None:
        self._sums = [0.0] * buckets
        self._counts = [0] * buckets

    def add(self, bucket: int, value: float) -> None:
        self._sums[bucket] += value
        self._counts[bucket] += 1

    def averages(self) -> tuple[float | None, ...]:
        return tuple(total / count if count else None for total, count in zip(self._sums, self._counts, strict=True))


def passage_of(scans: Iterable[Scan], from_ms: int, to_ms: int, buckets: int) -> Passage:
    """Walk scans in slot order whose slots end in (from_ms, to_ms]."""
    walking = iter(scans)
    beginning = list(islice(walking, _LOOKED_AT))
    tally = HoursTally(from_ms, to_ms, slot_length_ms(beginning))
    share_low, share_high, ph_25c = _Mean(buckets), _Mean(buckets), _Mean(buckets)
    width = (to_ms - from_ms) / buckets
    count = 0
    for scan in chain(beginning, walking):
        tally.add(scan)
        count += 1
        bucket = min(buckets - 1, max(0, int((scan.slot_ms - from_ms) / width)))
        if scan.reduction is not None:
            share_low.add(bucket, scan.reduction.share_low)
            share_high.add(bucket, scan.reduction.share_high)
        if scan.ph_25c is not None:
            ph_25c.add(bucket, scan.ph_25c)
    return Passage(count, tally.shares(), Averages(share_low.averages(), share_high.averages(), ph_25c.averages()))
