"""The last hours of a vat in coarse steps: enough for a trend in words and a small chart, light to carry."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import median

from vatwatch.records import Scan
from vatwatch.vat.settings import HOUR_MS, MINUTE_MS

BIN_MS = 15 * MINUTE_MS
KEPT_BINS = 49
"""Twelve hours and the bin that is still filling."""


@dataclass(frozen=True, slots=True)
class HistoryBin:
    """Means over one quarter of an hour; None where nothing was known. `count` scans went in."""

    start_ms: int
    count: int = 0
    ph_25c: float | None = None
    margin_mv: float | None = None
    share: float | None = None
    temperature_c: float | None = None


History = tuple[HistoryBin, ...]


def extend(history: History, scan: Scan) -> History:
    """The history with one scan more; bins older than twelve hours fall off."""
    start = scan.slot_ms - scan.slot_ms % BIN_MS
    if history and history[-1].start_ms == start:
        head, last = history[:-1], history[-1]
    else:
        head, last = history[-(KEPT_BINS - 1) :], HistoryBin(start)
    reduction = scan.reduction
    grown = HistoryBin(
        start,
        last.count + 1,
        _running_mean(last.ph_25c, scan.ph_25c, last.count),
        _running_mean(last.margin_mv, None if reduction is None else reduction.margin_mv, last.count),
        _running_mean(last.share, None if reduction is None else reduction.share, last.count),
        _running_mean(last.temperature_c, scan.temperature_c.value, last.count),
    )
    return (*head, grown)


def _running_mean(mean: float | None, value: float | None, count: int) -> float | None:
    if value is None:
        return mean
    return value if mean is None else mean + (value - mean) / (count + 1)


def slope_per_hour(points: list[tuple[int, float]]) -> float | None:
    """Median of pairwise slopes (Theil 1950; Sen 1968, J. Am. Stat. Assoc. 63, 1379), per hour.

    `points` are (time in ms, value); None for fewer than 3 points or no spread in time.
    """
    slopes = [
        (later[1] - earlier[1]) / ((later[0] - earlier[0]) / HOUR_MS)
        for i, earlier in enumerate(points)
        for later in points[i + 1 :]
        if later[0] != earlier[0]
    ]
    return median(slopes) if len(points) >= 3 and slopes else None
