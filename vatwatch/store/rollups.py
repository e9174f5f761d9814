"""Count, lowest, highest and sum of each quantity per vat and hour: gathered from scans, kept in `rollups`."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence

HOUR_MS = 3_600_000
LARGEST = 1.7976931348623157e308
"""Infinities are left out: of them there is no mean."""

PLACES = {
    "ph": 2,
    "orp_mv": 7,
    "temperature_c": 12,
    "ph_25c": 19,
    "reduction_share": 20,
    "reduction_margin_mv": 23,
}
"""The quantities that are rolled up, with their place in the row of a scan."""

_INSERT = "INSERT INTO rollups VALUES (?, ?, ?, ?, ?, ?, ?, ?)"


class Tally:
    """Values of one or more vats on their way into rollups."""

    def __init__(self) -> None:
        self._hours: dict[tuple[str, str, int], list[float]] = {}

    def take(self, vat: str, slot_ms: int, values: Iterable[float]) -> None:
        """The values of one scan in the order of `PLACES`; NaN where there is none."""
        hour_ms = slot_ms - slot_ms % HOUR_MS
        for quantity, value in zip(PLACES, values, strict=True):
            self._add(vat, quantity, hour_ms, value)

    def take_column(self, vat: str, quantity: str, slots: Sequence[int], values: Sequence[float]) -> None:
        """Many values of one quantity at once; NaN where there is none."""
        for slot_ms, value in zip(slots, values, strict=True):
            self._add(vat, quantity, slot_ms - slot_ms % HOUR_MS, value)

    def write(self, connection: sqlite3.Connection, through_number: int) -> None:
        """Keep what was gathered; `through_number` tells these rows from others of the same hour."""
        connection.executemany(
            _INSERT,
            [
                (vat, quantity, hour_ms, through_number, int(count), low, high, total)
                for (vat, quantity, hour_ms), (count, low, high, total) in self._hours.items()
            ],
        )

    def _add(self, vat: str, quantity: str, hour_ms: int, value: float) -> None:
        if not -LARGEST <= value <= LARGEST:
            return
        known = self._hours.get((vat, quantity, hour_ms))
        if known is None:
            self._hours[vat, quantity, hour_ms] = [1, value, value, value]
            return
        known[0] += 1
        if value < known[1]:
            known[1] = value
        if value > known[2]:
            known[2] = value
        known[3] += value
