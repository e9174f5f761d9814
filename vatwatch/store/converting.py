"""Rewrites the rows of a first layout as chunks and rollups, a stretch at a time, each in one transaction.

A kill between or in the middle of them leaves a file that goes on from there at the next start: the old rows shrink as
the new ones grow, and `marks` tells how far it has come. The pages of the old rows are used again, so that a season
needs little more room than it has.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable

from vatwatch.store import columns, layout_2
from vatwatch.store.chunk_making import Columns, packed_whole
from vatwatch.store.conditions import ConditionTally
from vatwatch.store.hot import Step
from vatwatch.store.rollups import PLACES, Tally
from vatwatch.store.sealing import CHUNK_SCANS, DAY_MS, write_chunk
from vatwatch.store.statements import INSERT_STRAY, KEEP_VAT, listed
from vatwatch.store.strays import is_stray

STRETCH_SCANS = 20_000
"""Old scans rewritten in one transaction."""

_SCANS = f"SELECT number, settings_version, {listed(columns.SCAN)} FROM old_scans ORDER BY number LIMIT ?"  # noqa: S608
_SAMPLES = (
    f"SELECT scan_number, {listed(columns.SAMPLE)} FROM old_samples WHERE scan_number BETWEEN ? AND ?"  # noqa: S608
    " ORDER BY scan_number, number"
)


def convert(connection: sqlite3.Connection, told: Callable[[int, int], None] = lambda _done, _left: None) -> int:
    """Rewrite all that is left of a first layout; returns the scans rewritten. `told` hears (scans done, left).

    The connection must be in autocommit mode. Errors: sqlite3.Error; what was done before stays done.
    """
    done = 0
    left = connection.execute("SELECT count(*) FROM old_scans").fetchone()[0]
    while left:
        connection.execute("BEGIN IMMEDIATE")
        try:
            count = _stretch(connection)
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
        done += count
        left -= count
        told(done, left)
    connection.execute("BEGIN IMMEDIATE")
    try:
        for statement in layout_2.NOTHING_TO_CONVERT:
            connection.execute(statement)
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise
    return done


def _stretch(connection: sqlite3.Connection) -> int:
    scans = connection.execute(_SCANS, (STRETCH_SCANS,)).fetchall()
    first, through = scans[0][0], scans[-1][0]
    samples: dict[int, list[tuple[object, ...]]] = {}
    for row in connection.execute(_SAMPLES, (first, through)):
        samples.setdefault(row[0], []).append(row[1:])
    chunks: dict[str, list[Columns]] = {}
    newest: dict[str, int] = {}
    tally, conditions = Tally(), ConditionTally()
    for number, version, *scan_row in scans:
        step = Step(tuple(scan_row), tuple(samples.get(number, ())))
        slot_ms, vat = step.scan[0], step.scan[1]
        mine = chunks.setdefault(vat, [])
        last = mine[-1] if mine else None
        if (
            last is None
            or len(last.slots) == CHUNK_SCANS
            or slot_ms // DAY_MS != last.slots[0] // DAY_MS
            or slot_ms <= last.slots[-1]
        ):
            last = Columns(vat)
            mine.append(last)
        last.add(number, version, step)
        for place, sample in enumerate(step.samples):
            if is_stray(step.scan, sample):
                time_ms, of_vat, *rest = sample
                connection.execute(INSERT_STRAY, (of_vat, time_ms, number, place, *rest))
        newest[vat] = max(slot_ms, newest.get(vat, slot_ms))
        connection.execute(KEEP_VAT, (vat, slot_ms))
    for mine in chunks.values():
        for made in mine:
            parts = packed_whole(made)
            write_chunk(connection, made, parts.frame, parts.scans, parts.samples, through)
            for quantity, place in PLACES.items():
                tally.take_column(made.vat, quantity, made.slots, made.floats[place])
    for slot_ms, vat, condition, shortfalls in sorted((row[2], row[3], row[29], row[30]) for row in scans):
        conditions.take(vat, slot_ms, condition, shortfalls)
    tally.write(connection, through)
    conditions.write(connection, through)
    for vat, slot_ms in newest.items():
        connection.execute(
            "UPDATE known_vats SET sealed_slot_ms = max(?1, coalesce(sealed_slot_ms, ?1)) WHERE vat = ?2",
            (slot_ms, vat),
        )
    connection.execute("UPDATE marks SET sealed_through = ?1, rolled_through = ?1", (through,))
    connection.execute("DELETE FROM old_samples WHERE scan_number BETWEEN ? AND ?", (first, through))
    connection.execute("DELETE FROM old_scans WHERE number BETWEEN ? AND ?", (first, through))
    return len(scans)
