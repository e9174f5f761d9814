"""Samples of a vat by their own time, though they lie by the slot they were taken into. Opens nothing.

Nearly all samples lie within the hour before their slot: these are put in order as the slots go by, an hour at a time.
The few others (a logger that hands in a day at once, a clock that was wrong) are also kept apart, by their own time.
"""

from __future__ import annotations

import heapq
from bisect import bisect_left
from collections.abc import Callable, Iterator
from operator import itemgetter
from typing import Any

from vatwatch.store.rows import Row
from vatwatch.store.shelf import Stored

REACH_MS = 3_600_000

_Key = tuple[int, int, int]
_key = itemgetter(0)


def is_stray(scan: Row, sample: Row) -> bool:
    """Whether a sample must also be kept apart to be found by its time."""
    slot_ms, time_ms = scan[0], sample[0]
    return sample[1] != scan[1] or not slot_ms - REACH_MS <= time_ms <= slot_ms


def in_time_order(
    from_ms: int,
    to_ms: int,
    scans_of: Callable[[int, int], list[Stored]],
    strays_after: Callable[[int, int, int], list[Row]],
) -> Iterator[Row]:
    """Rows of samples in [from_ms, to_ms) by time, then in the order they were handed in.

    `scans_of` gives the next page of scans with slots in a range, `strays_after` the next page of strays.
    """
    both = heapq.merge(_ordinary(from_ms, to_ms, scans_of), _strays(from_ms, strays_after), key=_key)
    for _, row in both:
        yield row


def _ordinary(from_ms: int, to_ms: int, scans_of: Callable[[int, int], list[Stored]]) -> Iterator[tuple[_Key, Row]]:
    waiting: list[tuple[_Key, Row]] = []
    slot_ms = from_ms
    while page := scans_of(slot_ms, to_ms + REACH_MS + 1):
        for stored in page:
            scan = stored.step.scan
            for place, sample in enumerate(stored.step.samples):
                if from_ms <= sample[0] < to_ms and not is_stray(scan, sample):
                    waiting.append(((sample[0], stored.number, place), sample))
        waiting.sort(key=_key)
        # Nothing that still comes can be older than this.
        settled = bisect_left(waiting, (page[-1].step.scan[0] - REACH_MS, -1, -1), key=_key)
        yield from waiting[:settled]
        del waiting[:settled]
        slot_ms = page[-1].step.scan[0] + 1
    yield from waiting


def _strays(from_ms: int, strays_after: Callable[[int, int, int], list[Row]]) -> Iterator[tuple[_Key, Row]]:
    key: tuple[Any, ...] = (from_ms, -1, -1)
    while page := strays_after(*key):
        for row in page:
            yield (row[0], row[1], row[2]), (row[0], *row[3:])
        key = page[-1][:3]
