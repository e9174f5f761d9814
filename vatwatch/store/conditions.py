"""Scans counted by vat, hour and condition: gathered as hours are finished, kept beside the rollups, and read again.

A slot belongs to the hour in which it lies: one that ends at 10:00 is of the hour from 9. Judges nothing.
"""

from __future__ import annotations

import json
import sqlite3
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from vatwatch.store.shelf import Shelf
from vatwatch.terms import VatCondition

HOUR_MS = 3_600_000
Words = tuple[str, str]
"""A condition and the JSON list of what the vat fell short of."""


@dataclass(frozen=True, slots=True)
class ConditionCount:
    """So many scans of one vat said the same in the UTC hour that begins at `hour_ms`.

    `step_ms` is the usual step between scans in that hour; 0 where there was only one.
    """

    hour_ms: int
    condition: VatCondition
    shortfalls: tuple[str, ...]
    scans: int
    step_ms: int


class ConditionTally:
    """Scans of one or more vats on their way into counts."""

    def __init__(self) -> None:
        self._scans: dict[tuple[str, int], Counter[Words]] = {}
        self._steps: dict[tuple[str, int], Counter[int]] = {}
        self._before: dict[str, int] = {}

    def take(self, vat: str, slot_ms: int, condition: str, shortfalls_json: str) -> None:
        """One scan; scans of one vat come in the order of their slots, late ones apart."""
        key = (vat, (slot_ms - 1) // HOUR_MS)
        counts = self._scans.get(key)
        if counts is None:
            counts = self._scans[key] = Counter()
            self._steps[key] = Counter()
        counts[condition, shortfalls_json] += 1
        before = self._before.get(vat)
        # From one hour to another it may be the hole of a power cut, or where a reading of the record took up again.
        if before is not None and key[1] == (before - 1) // HOUR_MS and before < slot_ms:
            self._steps[key][slot_ms - before] += 1
        self._before[vat] = slot_ms

    def rows(self) -> list[tuple[str, int, Words, int, int]]:
        """(vat, hour, words, scans, step in ms; 0 where one scan alone shows none)."""
        return [
            (vat, hour, words, count, _commonest(self._steps[vat, hour]))
            for (vat, hour), counts in self._scans.items()
            for words, count in counts.items()
        ]

    def write(self, connection: sqlite3.Connection, through_number: int) -> None:
        """Keep what was counted; `through_number` tells these rows from others of the same hour."""
        rows = self.rows()
        known: dict[Words, int] = {}
        for words in dict.fromkeys(row[2] for row in rows):
            connection.execute(
                "INSERT INTO condition_words (condition, shortfalls_json) VALUES (?, ?) ON CONFLICT DO NOTHING", words
            )
            known[words] = connection.execute(
                "SELECT word_id FROM condition_words WHERE condition = ? AND shortfalls_json = ?", words
            ).fetchone()[0]
        connection.executemany(
            "INSERT INTO condition_hours VALUES (?, ?, ?, ?, ?, ?)",
            [(vat, hour, through_number, known[words], scans, step) for vat, hour, words, scans, step in rows],
        )


def counts_of(connection: sqlite3.Connection, shelf: Shelf, vat: str, from_ms: int, to_ms: int) -> list[ConditionCount]:
    """Counts of a vat's scans whose slots end in (from_ms, to_ms], by hour. Call it inside one read transaction."""
    first, last = -(-from_ms // HOUR_MS), to_ms // HOUR_MS  # hours that lie within the span whole
    rolled, uncounted = connection.execute("SELECT rolled_through, uncounted_through FROM marks").fetchone()
    counted: list[tuple[int, Words, int, int]] = []
    tally = ConditionTally()

    def walk(begin_ms: int, end_ms: int, through: int | None = None, after: int = -1) -> None:
        if begin_ms < end_ms:
            for slots, conditions, shortfalls in shelf.conditions(vat, begin_ms + 1, end_ms + 1, after, through):
                for slot_ms, condition, short in zip(slots, conditions, shortfalls, strict=True):
                    tally.take(vat, slot_ms, condition, short)

    if first >= last:
        walk(from_ms, to_ms)
    else:
        rows = connection.execute(
            "SELECT hour, condition, shortfalls_json, sum(scans), max(step_ms) FROM condition_hours"
            " JOIN condition_words USING (word_id) WHERE vat = ? AND hour >= ? AND hour < ?"
            " GROUP BY hour, word_id",
            (vat, first, last),
        )
        counted = [(hour, (condition, short), scans, step) for hour, condition, short, scans, step in rows]
        walk(from_ms, first * HOUR_MS)
        if uncounted:
            walk(first * HOUR_MS, last * HOUR_MS, through=uncounted)
        walk(first * HOUR_MS, last * HOUR_MS, after=max(rolled, uncounted))
        walk(last * HOUR_MS, to_ms)
    counted += [(hour, words, scans, step) for _, hour, words, scans, step in tally.rows()]
    return sorted(_added(counted), key=lambda count: (count.hour_ms, count.condition, count.shortfalls))


def _added(counted: Iterable[tuple[int, Words, int, int]]) -> Iterable[ConditionCount]:
    scans: Counter[tuple[int, Words]] = Counter()
    steps: dict[tuple[int, Words], int] = {}
    for hour, words, count, step in counted:
        scans[hour, words] += count
        # Within an hour no step is longer than it; a record of an earlier version may say so all the same.
        steps[hour, words] = max(step if step < HOUR_MS else 0, steps.get((hour, words), 0))
    # A page of the tables may hold the same list of texts thousands of times: it is read once.
    lists = {short: tuple(json.loads(short)) for short in {words[1] for _, words in scans}}
    for (hour, words), count in scans.items():
        condition = VatCondition(words[0])
        yield ConditionCount(hour * HOUR_MS, condition, lists[words[1]], count, steps[hour, words])


def _commonest(steps: Counter[int]) -> int:
    """The commonest step, the shorter on a tie; 0 where there is none."""
    most = max(steps.values(), default=0)
    return min((step for step, count in steps.items() if count == most), default=0)
