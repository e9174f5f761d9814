"""How long a vat was in each condition, from its scans. Pure.

A scan speaks for the slot it ends, no longer: time without scans is not recorded, whatever the scans beside it say.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from vatwatch.records import Scan
from vatwatch.terms import VatCondition

HOUR_MS = 3_600_000
DEFAULT_SLOT_MS = 10_000


@dataclass(frozen=True, slots=True)
class TimeShares:
    """Milliseconds by condition within a span; `not_recorded_ms` is the rest of the span, so the sum is the span."""

    span_ms: int
    dyeable_ms: int
    settling_ms: int
    off_ms: int
    too_hot_ms: int
    unknown_ms: int

    @property
    def not_recorded_ms(self) -> int:
        return self.span_ms - (self.dyeable_ms + self.settling_ms + self.off_ms + self.too_hot_ms + self.unknown_ms)

    def rows(self) -> tuple[tuple[str, int], ...]:
        """(word, ms) in the order a dyer reads them."""
        return (
            ("dyeable", self.dyeable_ms),
            ("settling", self.settling_ms),
            ("off", self.off_ms),
            ("too hot", self.too_hot_ms),
            ("unknown", self.unknown_ms),
            ("not recorded", self.not_recorded_ms),
        )


def slot_length_ms(scans: Sequence[Scan]) -> int:
    """The length of a slot: the commonest step between scans (the shorter on a tie), 10 s where there are no two."""
    steps = Counter(later.slot_ms - earlier.slot_ms for earlier, later in pairwise(scans))
    steps = Counter({step: count for step, count in steps.items() if step > 0})
    if not steps:
        return DEFAULT_SLOT_MS
    most = max(steps.values())
    return min(step for step, count in steps.items() if count == most)


class HoursTally:
    """Adds scans in slot order within [from_ms, to_ms]; a slot that overlaps the one before counts only its rest."""

    def __init__(self, from_ms: int, to_ms: int, slot_ms: int) -> None:
        self._from_ms = from_ms
        self._to_ms = to_ms
        self._slot_ms = slot_ms
        self._reached_ms = from_ms
        self._spent: dict[VatCondition, int] = dict.fromkeys(VatCondition, 0)

    def add(self, scan: Scan) -> None:
        begin_ms = max(self._reached_ms, scan.slot_ms - self._slot_ms)
        end_ms = min(self._to_ms, scan.slot_ms)
        if end_ms > begin_ms:
            self._spent[scan.condition] += end_ms - begin_ms
            self._reached_ms = end_ms

    def shares(self) -> TimeShares:
        return TimeShares(
            span_ms=max(0, self._to_ms - self._from_ms),
            dyeable_ms=self._spent[VatCondition.DYEABLE],
            settling_ms=self._spent[VatCondition.SETTLING],
            off_ms=self._spent[VatCondition.OFF],
            too_hot_ms=self._spent[VatCondition.TOO_HOT],
            unknown_ms=self._spent[VatCondition.UNKNOWN],
        )


def time_by_condition(scans: Iterable[Scan], from_ms: int, to_ms: int, slot_ms: int) -> TimeShares:
    """How long [from_ms, to_ms] was spent in each condition, from scans in slot order with slots of `slot_ms`."""
    tally = HoursTally(from_ms, to_ms, slot_ms)
    for scan in scans:
        tally.add(scan)
    return tally.shares()
