"""Puts back together what the pipeline was given at each slot and what it made of it. Judges nothing itself."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from vatwatch.records import AlarmAction, AlarmEvent, JournalEntry, Push, Sample, Scan
from vatwatch.store import rows, statements

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
    connection: sqlite3.Connection, vat: str, from_slot_ms: int, to_slot_ms: int, limit: int
) -> list[ReplaySlot]:
    """The first `limit` slots of `vat` in [from_slot_ms, to_slot_ms), in slot order.

    Call it inside one read transaction: its statements must see one state of the store.
    """
    scans = connection.execute(statements.SELECT_REPLAYED_SCANS, (vat, from_slot_ms, to_slot_ms, limit)).fetchall()
    if not scans:
        return []
    first_ms, last_ms = scans[0][2], scans[-1][2]
    before_ms = connection.execute(statements.SELECT_SLOT_BEFORE, (vat, first_ms)).fetchone()[0]

    def taken(statement: str, after_ms: int | None, record_of: Callable[[Sequence[Any]], T]) -> _Taken[T]:
        return _Taken(connection.execute(statement, (vat, after_ms, last_ms)), record_of)

    samples = taken(statements.REPLAYED_SAMPLES, first_ms, rows.sample_of)
    alarm_events = taken(statements.REPLAYED_ALARM_EVENTS, first_ms, rows.alarm_event_of)
    pushes = taken(statements.REPLAYED_PUSHES, first_ms, rows.push_of)
    journal = taken(statements.REPLAYED_JOURNAL, before_ms, rows.journal_of)
    actions = taken(statements.REPLAYED_ACTIONS, before_ms, rows.action_of)
    return [
        ReplaySlot(
            slot_ms=row[2],
            settings_version=row[1],
            samples=samples.up_to(row[2]),
            journal=journal.up_to(row[2]),
            actions=actions.up_to(row[2]),
            scan=rows.scan_of(row[2:]),
            alarm_events=alarm_events.up_to(row[2]),
            pushes=pushes.up_to(row[2]),
        )
        for row in scans
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
