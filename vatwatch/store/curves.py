"""A quantity over a span as lowest, mean and highest per part of it. Draws nothing.

The grid: parts of [from, to) of equal width, as many as asked for. Where a part would be half an hour or longer, parts
are whole UTC hours instead, so that the rollups answer for all of it but its ends: the fewest hours per part that need
no more parts than asked for, the first part beginning with the hour in which `from` lies. Only values in [from, to)
count, in either case. `count`, `low` and `high` are those of the values themselves; `mean` is the same up to the
rounding of a sum.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

from vatwatch.store.rollups import HOUR_MS, LARGEST, PLACES
from vatwatch.store.shelf import Shelf
from vatwatch.terms import Quantity

COARSE_MS = HOUR_MS // 2


@dataclass(frozen=True, slots=True)
class CurvePoint:
    """One part of a span: `time_ms` is its middle, `count` the values in it. Units are those of the quantity."""

    time_ms: int
    low: float
    mean: float
    high: float
    count: int


class _Parts:
    """Count, sum, lowest and highest per part."""

    def __init__(self, from_ms: int, width_ms: int, parts: int) -> None:
        self.from_ms, self.width_ms, self.parts = from_ms, width_ms, parts
        self.found: dict[int, list[float]] = {}

    def add(self, slot_ms: int, value: float) -> None:
        if -LARGEST <= value <= LARGEST:
            self.merge((slot_ms - self.from_ms) * self.parts // self.width_ms, 1, value, value, value)

    def merge(self, part: int, count: int, low: float, high: float, total: float) -> None:
        known = self.found.get(part)
        if known is None:
            self.found[part] = [count, low, high, total]
            return
        known[0] += count
        known[1] = min(known[1], low)
        known[2] = max(known[2], high)
        known[3] += total

    def points(self) -> list[CurvePoint]:
        points = []
        for part, (count, low, high, total) in sorted(self.found.items()):
            middle_ms = self.from_ms + (2 * part + 1) * self.width_ms // (2 * self.parts)
            # Rounding of the sum may carry the mean of equal values past them.
            points.append(CurvePoint(middle_ms, low, min(max(total / count, low), high), high, int(count)))
        return points


def curve_of(
    connection: sqlite3.Connection, shelf: Shelf, vat: str, quantity: str, from_ms: int, to_ms: int, buckets: int
) -> list[CurvePoint]:
    """Points of the parts that hold a finite value, in order.

    Errors: ValueError for fewer than one part or an unknown quantity.
    """
    if buckets < 1:
        raise ValueError(f"a curve needs at least one part, not {buckets}")
    name = quantity.value if isinstance(quantity, Quantity) else str(quantity)
    if name not in PLACES:
        raise ValueError(f"no curve of {quantity!r}; there are {', '.join(PLACES)}")
    width_ms = to_ms - from_ms
    if width_ms <= 0:
        return []
    if width_ms >= COARSE_MS * buckets:
        return _coarse(connection, shelf, vat, name, from_ms, to_ms, buckets)
    parts = _Parts(from_ms, width_ms, buckets)
    _add_values(parts, shelf, vat, name, from_ms, to_ms)
    return parts.points()


def hours_per_part(from_ms: int, to_ms: int, buckets: int) -> int:
    """How many whole hours a part of the coarse grid has."""
    hours = -(-to_ms // HOUR_MS) - from_ms // HOUR_MS
    return -(-hours // buckets)


def _coarse(
    connection: sqlite3.Connection, shelf: Shelf, vat: str, name: str, from_ms: int, to_ms: int, buckets: int
) -> list[CurvePoint]:
    part_ms = hours_per_part(from_ms, to_ms, buckets) * HOUR_MS
    begin_ms = from_ms - from_ms % HOUR_MS
    parts = _Parts(begin_ms, part_ms, 1)
    # Hours that lie within the span whole.
    first_ms, last_ms = -(-from_ms // HOUR_MS) * HOUR_MS, to_ms - to_ms % HOUR_MS
    if first_ms > last_ms:  # both ends in one hour
        _add_values(parts, shelf, vat, name, from_ms, to_ms)
        return parts.points()
    for row in connection.execute(
        "SELECT (hour_ms - ?1) / ?2 AS part, sum(count), min(low), max(high), sum(total) FROM rollups"
        " WHERE vat = ?3 AND quantity = ?4 AND hour_ms >= ?5 AND hour_ms < ?6 GROUP BY part",
        (begin_ms, part_ms, vat, name, first_ms, last_ms),
    ):
        parts.merge(*row)
    rolled = connection.execute("SELECT rolled_through FROM marks").fetchone()[0]
    _add_values(parts, shelf, vat, name, first_ms, last_ms, after_number=rolled)
    _add_values(parts, shelf, vat, name, from_ms, first_ms)
    _add_values(parts, shelf, vat, name, last_ms, to_ms)
    return parts.points()


def _add_values(
    parts: _Parts, shelf: Shelf, vat: str, name: str, from_ms: int, to_ms: int, after_number: int = -1
) -> None:
    if from_ms >= to_ms:
        return
    for slots, values in shelf.floats(vat, PLACES[name], from_ms, to_ms, after_number):
        for slot_ms, value in zip(slots, values, strict=True):
            parts.add(slot_ms, value)
