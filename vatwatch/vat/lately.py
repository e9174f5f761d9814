"""The last day of a vat in quarters of an hour, as a forecast needs it: bare margin, pH and temperature, and their slopes.

The margin is kept bare (as the readings give it, with no offset added), so that a look at the liquor, which moves the
offset, is not taken for a movement of the liquor. Pure; light to carry.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from vatwatch.vat.settings import HOUR_MS, MINUTE_MS

MARGIN, PH, TEMPERATURE = "margin_mv", "ph_25c", "temperature_c"
QUARTER_MS = 15 * MINUTE_MS
KEPT_QUARTERS = 97
"""A day, and the quarter that is still filling."""
LEAST_QUARTERS = 5


@dataclass(frozen=True, slots=True)
class Quarter:
    """Means over a quarter of an hour; None where nothing was known. `count` values went in, by quantity."""

    start_ms: int
    margin_mv: float | None = None
    ph_25c: float | None = None
    temperature_c: float | None = None
    count: int = 0


Lately = tuple[Quarter, ...]


def extended(lately: Lately, at_ms: int, values: Mapping[str, float | None]) -> Lately:
    """The last day with one more reading."""
    start = at_ms - at_ms % QUARTER_MS
    if lately and lately[-1].start_ms == start:
        head, last = lately[:-1], lately[-1]
    else:
        head, last = lately[-(KEPT_QUARTERS - 1) :], Quarter(start)
    n = last.count
    return (
        *head,
        replace(
            last,
            count=n + 1,
            margin_mv=_mean(last.margin_mv, values.get(MARGIN), n),
            ph_25c=_mean(last.ph_25c, values.get(PH), n),
            temperature_c=_mean(last.temperature_c, values.get(TEMPERATURE), n),
        ),
    )


def _mean(mean: float | None, value: float | None, count: int) -> float | None:
    if value is None:
        return mean
    return value if mean is None else mean + (value - mean) / (count + 1)


def slope_per_hour(lately: Lately, quantity: str, from_ms: int, to_ms: int) -> float | None:
    """Slope per hour by least squares over the whole quarters within [from, to); None for fewer than five."""
    points = [
        (one.start_ms / HOUR_MS, value)
        for one in reversed(lately)
        if from_ms <= one.start_ms <= to_ms - QUARTER_MS and (value := getattr(one, quantity)) is not None
    ]
    return _least_squares(points) if len(points) >= LEAST_QUARTERS else None


def _least_squares(points: Sequence[tuple[float, float]]) -> float:
    n = len(points)
    middle_t = sum(t for t, _ in points) / n
    middle_y = sum(y for _, y in points) / n
    spread = sum((t - middle_t) ** 2 for t, _ in points)
    return sum((t - middle_t) * (y - middle_y) for t, y in points) / spread


def kept_between(lately: Lately, from_ms: int, to_ms: int) -> tuple[float, float] | None:
    """Lowest and highest temperature (quarters' means) between two times; None when less than an hour is known."""
    known = _temperatures(lately, from_ms, to_ms)
    return (min(known), max(known)) if len(known) >= 4 else None


def mostly_above(lately: Lately, from_ms: int, to_ms: int, part: float) -> float | None:
    """The temperature below which `part` (0 to 1) of the quarters between two times lay; None as above."""
    known = sorted(_temperatures(lately, from_ms, to_ms))
    return known[int(part * (len(known) - 1))] if len(known) >= 4 else None


def _temperatures(lately: Lately, from_ms: int, to_ms: int) -> list[float]:
    return [one.temperature_c for one in lately if from_ms <= one.start_ms < to_ms and one.temperature_c is not None]
