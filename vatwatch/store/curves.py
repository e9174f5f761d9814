"""A quantity over a span as lowest, mean and highest per part of it. Draws nothing."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

from vatwatch.records import Quantity

_COLUMNS = {
    Quantity.PH.value: "ph",
    "ph_25c": "ph_25c",
    Quantity.ORP.value: "orp_mv",
    Quantity.TEMPERATURE.value: "temperature_c",
    "reduction_share": "reduction_share",
    "reduction_margin_mv": "reduction_margin_mv",
}


@dataclass(frozen=True, slots=True)
class CurvePoint:
    """One part of a span: `time_ms` is its middle, `count` the values in it. Units are those of the quantity."""

    time_ms: int
    low: float
    mean: float
    high: float
    count: int


def curve_of(
    connection: sqlite3.Connection, vat: str, quantity: str, from_ms: int, to_ms: int, buckets: int
) -> list[CurvePoint]:
    """Points of the parts that hold a finite value, in order.

    Errors: ValueError for fewer than one part or an unknown quantity.
    """
    if buckets < 1:
        raise ValueError(f"a curve needs at least one part, not {buckets}")
    column = _COLUMNS.get(str(quantity))
    if column is None:
        raise ValueError(f"no curve of {quantity!r}; there are {', '.join(_COLUMNS)}")
    width_ms = to_ms - from_ms
    if width_ms <= 0:
        return []
    # The bounds leave out NULL and infinities, of which there is no mean.
    found = connection.execute(
        f"SELECT (slot_ms - ?2) * ?4 / (?3 - ?2) AS part, min({column}), avg({column}), max({column}), count(*)"  # noqa: S608
        f" FROM scans WHERE vat = ?1 AND slot_ms >= ?2 AND slot_ms < ?3"
        f" AND {column} BETWEEN -1.7976931348623157e308 AND 1.7976931348623157e308 GROUP BY part ORDER BY part",
        (vat, from_ms, to_ms, buckets),
    )
    points = []
    for part, low, mean, high, count in found:
        middle_ms = from_ms + (2 * int(part) + 1) * width_ms // (2 * buckets)
        # Rounding of the sum may carry the mean of equal values past them.
        points.append(CurvePoint(middle_ms, low, min(max(mean, low), high), high, count))
    return points
