"""Scans of a clock that is not known to be right: where they begin, and how they get their true times. See layout_4.py.

Samples are what was measured and stay, with their times moved; scans and alarm events were judged from those times and
are put anew. Works on the writer's connection, inside its transaction.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass

from vatwatch.records import StepResult


@dataclass(frozen=True, slots=True)
class Doubt:
    """The last of each stream whose time is good; what follows waits for its true time."""

    after_number: int
    after_slot_ms: int
    after_journal: int
    after_alarm_event: int


_SELECT = "SELECT after_number, after_slot_ms, after_journal, after_alarm_event FROM clock_doubt"
_MOVED = "((taken_slot_ms + :by + :scan - 1) / :scan) * :scan"


def standing(connection: sqlite3.Connection) -> Doubt | None:
    """The doubt that stands, if one does."""
    found = connection.execute(_SELECT).fetchone()
    return None if found is None else Doubt(*map(int, found))


def begin(connection: sqlite3.Connection, newest_number: int, newest_slot_ms: int | None) -> None:
    """From now on times are in doubt. One that stands already stays as it is."""
    connection.execute(
        "INSERT INTO clock_doubt VALUES (1, ?, ?, (SELECT coalesce(max(number), 0) FROM journal),"
        " (SELECT coalesce(max(number), 0) FROM alarm_events)) ON CONFLICT DO NOTHING",
        (newest_number, newest_slot_ms or 0),
    )


def end(connection: sqlite3.Connection) -> None:
    """All times are good."""
    connection.execute("DELETE FROM clock_doubt")


def clear_scans(connection: sqlite3.Connection, doubt: Doubt) -> None:
    """Take out what was judged from doubtful times; it is about to be put anew."""
    connection.execute("DELETE FROM hot_batches WHERE first_number > ?", (doubt.after_number,))
    connection.execute("DELETE FROM stray_samples WHERE scan_number > ?", (doubt.after_number,))
    # What is about the shed as a whole is of no scan, and not judged anew.
    connection.execute("DELETE FROM alarm_events WHERE scan_number > ?", (doubt.after_number,))
    connection.execute("DELETE FROM known_vats WHERE first_slot_ms > ?", (doubt.after_slot_ms,))


def move(connection: sqlite3.Connection, doubt: Doubt, by_ms: int, scan_ms: int) -> None:
    """Give entries, actions, port events and messages their true times; numbers and texts stay."""
    values = {
        "by": by_ms,
        "scan": scan_ms,
        "slot": doubt.after_slot_ms,
        "entry": doubt.after_journal,
        "event": doubt.after_alarm_event,
    }
    connection.execute(
        f"UPDATE journal SET time_ms = time_ms + :by, logged_ms = logged_ms + :by, taken_slot_ms = {_MOVED}"  # noqa: S608
        " WHERE number > :entry",
        values,
    )
    connection.execute(
        f"UPDATE alarm_actions SET time_ms = time_ms + :by, until_ms = until_ms + :by, taken_slot_ms = {_MOVED}"  # noqa: S608
        " WHERE taken_slot_ms > :slot",
        values,
    )
    connection.execute(
        f"UPDATE port_events SET time_ms = time_ms + :by, taken_slot_ms = {_MOVED} WHERE taken_slot_ms > :slot",  # noqa: S608
        values,
    )
    connection.execute(
        "UPDATE alarm_events SET slot_ms = slot_ms + :by WHERE scan_number = 0 AND number > :event", values
    )
    # Messages have gone out already, word for word; those that are said again below get their scan's new number.
    connection.execute("UPDATE pushes SET slot_ms = slot_ms + :by, scan_number = 0 WHERE slot_ms > :slot", values)


def keep_messages(connection: sqlite3.Connection, steps: Sequence[StepResult], first_number: int) -> None:
    """A message that the new judgement gives as the old one did belongs to the new scan; no message is made anew."""
    for number, step in enumerate(steps, start=first_number):
        for push in step.pushes:
            connection.execute(
                "UPDATE pushes SET scan_number = ?, slot_ms = ? WHERE push_id = ? AND scan_number = 0",
                (number, push.slot_ms, push.push_id),
            )
