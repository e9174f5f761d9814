"""Puts back together what the pipeline was given at each slot and what it made of it. Judges nothing itself."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from vatwatch.records import AlarmAction, AlarmEvent, JournalEntry, Push, Sample, Scan
from vatwatch.store import rows, statements
from vatwatch.store.shelf import Shelf

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class ReplaySlot:
    """One vat's slot as it was taken: what went in (samples, journal, actions) and what came out."""

    slot_ms: int
    settings_version: int
    samples: tuple[Sample, ...]
    journal: tuple[JournalEntry, ...]
    actions: tuple[AlarmAction, ...]
    scan: Scan
    alarm_events: tuple[AlarmEvent, ...]
    pushes: tuple[Push, ...]


def page_of(
    connection: sqlite3.Connection,
    shelf: Shelf,
    vat: str,
    from_slot_ms: int,
    to_slot_ms: int,
    limit: int,
    before_ms: int | None = None,
) -> list[ReplaySlot]:
    """The first `limit` slots of `vat` in [from_slot_ms, to_slot_ms), in slot order.

    `before_ms` is the slot before them, if known. Call it inside one read transaction:
    its statements must see one state of the store.
    """
    found = shelf.steps(vat, from_slot_ms, to_slot_ms, limit, samples=True)
    if not found:
        return []
    first_ms, last_ms = found[0].step.scan[0], found[-1].step.scan[0]
    if before_ms is None:
        before_ms = shelf.slot_before(vat, first_ms)
    numbers = {stored.number for stored in found}

    def caused(statement: str, record_of: Callable[[Sequence[Any]], T]) -> dict[int, list[T]]:
        events: dict[int, list[T]] = {}
        for row in connection.execute(statement, (min(numbers), max(numbers))):
            if row[0] in numbers:
                events.setdefault(row[0], []).append(record_of(row[1:]))
        return events

    def taken(statement: str, record_of: Callable[[Sequence[Any]], T]) -> _Taken[T]:
        return _Taken(connection.execute(statement, (vat, before_ms, last_ms)), record_of)

    alarm_events = caused(statements.REPLAYED_ALARM_EVENTS, rows.alarm_event_of)
    pushes = caused(statements.REPLAYED_PUSHES, rows.push_of)
    journal = taken(statements.REPLAYED_JOURNAL, rows.journal_of)
    actions = taken(statements.REPLAYED_ACTIONS, rows.action_of)
    return [
        ReplaySlot(
            slot_ms=stored.step.scan[0],
            settings_version=stored.settings_version,
            samples=tuple(map(rows.sample_of, stored.step.samples)),
            journal=journal.up_to(stored.step.scan[0]),
            actions=actions.up_to(stored.step.scan[0]),
            scan=rows.scan_of(stored.step.scan),
            alarm_events=tuple(alarm_events.get(stored.number, ())),
            pushes=tuple(pushes.get(stored.number, ())),
        )
        for stored in found
    ]


class _Taken(Generic[T]):
    """Rows ordered by slot (their first column), given out slot by slot."""

    def __init__(self, found: sqlite3.Cursor, record_of: Callable[[Sequence[Any]], T]) -> None:
        self._found = found
        self._record_of = record_of
        self._next = found.fetchone()

    def up_to(self, slot_ms: int) -> tuple[T, ...]:
        taken: list[T] = []
        while self._next is not None and self._next[0] <= slot_ms:
            taken.append(self._record_of(self._next[1:]))
            self._next = self._found.fetchone()
        return tuple(taken)
