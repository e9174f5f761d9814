"""Stays of a vat outside its limits, gathered from its scans in one pass. Pure.

A stay begins with the first scan beyond a limit and ends with the last; stays of one limit less than `JOINED_MS` apart are
one. Time in which the vat was settling does not count: ORP and pH swing then with nothing wrong. A limit counts once the
vat has stood inside it: a vat still being made has left nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

from vatwatch.records import Scan
from vatwatch.vat import window
from vatwatch.vat.settings import MINUTE_MS

LIMITS = (*window.OFF_LIMITS, window.OVERHEAT)
JOINED_MS = 20 * MINUTE_MS
COUNTS_FROM_MS = 30 * MINUTE_MS
"""A stay is an excursion from this length on, settling left out: what every judgement of this program is measured by."""


@dataclass(frozen=True, slots=True)
class Stay:
    """One stay beyond one limit. `settled_ms` is its part in which the vat was not settling."""

    vat: str
    limit: str
    from_ms: int
    to_ms: int
    settled_ms: int

    @property
    def counts(self) -> bool:
        """Whether it is long enough to be called an excursion; too hot counts at any length."""
        return self.limit == window.OVERHEAT or self.settled_ms > COUNTS_FROM_MS


class _Open:
    __slots__ = ("from_ms", "settled_ms", "to_ms")

    def __init__(self, from_ms: int) -> None:
        self.from_ms = self.to_ms = from_ms
        self.settled_ms = 0


class StayTally:
    """Takes one vat's scans in slot order; memory holds the stays, not the scans."""

    def __init__(self, vat: str) -> None:
        self._vat = vat
        self._open: dict[str, _Open] = {}
        self._been_inside: set[str] = set()
        self._done: list[Stay] = []
        self._slot_ms: int | None = None

    def add(self, scan: Scan) -> None:
        now_ms = scan.slot_ms
        passed_ms = 0 if self._slot_ms is None else min(now_ms - self._slot_ms, JOINED_MS)
        self._slot_ms = now_ms
        outside = [name for name in scan.shortfalls if name in LIMITS] if scan.shortfalls else []
        if len(self._been_inside) < len(LIMITS):
            self._note_inside(scan, outside)
        for name in outside:
            if name not in self._been_inside:
                continue
            stay = self._open.get(name)
            if stay is None:
                stay = self._open[name] = _Open(now_ms)
            elif scan.settled_from_ms is None:
                stay.settled_ms += passed_ms
            stay.to_ms = now_ms
        if self._open:
            self._close(now_ms)

    def stays(self) -> tuple[Stay, ...]:
        """All stays so far, those not over yet too, by their beginning."""
        running = [Stay(self._vat, name, s.from_ms, s.to_ms, s.settled_ms) for name, s in self._open.items()]
        return tuple(sorted([*self._done, *running], key=lambda stay: (stay.from_ms, stay.limit)))

    def _note_inside(self, scan: Scan, outside: list[str]) -> None:
        known = window.values_of(scan.ph_25c, scan.reduction, scan.temperature_c.value)
        self._been_inside |= {name for name in LIMITS if name not in outside and known[name] is not None}

    def _close(self, now_ms: int) -> None:
        for name in [name for name, stay in self._open.items() if now_ms - stay.to_ms > JOINED_MS]:
            stay = self._open.pop(name)
            self._done.append(Stay(self._vat, name, stay.from_ms, stay.to_ms, stay.settled_ms))
