"""A damaged store at a start: what can be read goes into a new file, the damaged one is set aside under a clear name.

The watch must not stay dark because a card has lost a page. Every row that can be read is taken over with its number,
so that outlets go on where they were; sealed parts and batches only when they fit their checksums. The damaged file is
never written to and never removed. A kill on the way begins the salvage anew, or ends it: a file is complete before it
gets its name.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass, field
from pathlib import Path

from vatwatch.errors import StoreError
from vatwatch.store import calibrations, faults, inspection, schema
from vatwatch.store.backup import set_store_aside
from vatwatch.store.chunks import Chunk
from vatwatch.store.conditions import ConditionTally
from vatwatch.store.hot import Bodies
from vatwatch.store.rollups import PLACES, Tally
from vatwatch.store.statements import INSERT_STRAY
from vatwatch.store.strays import is_stray
from vatwatch.store.writing import StoreWriter, lock_store

_AT_A_TIME = 500
_MOST_GAPS = 2_000


@dataclass(slots=True)
class Salvage:
    """What was found and what was saved. `rows` counts rows taken over per table, `gaps` where reading broke off."""

    finding: str
    aside: Path | None = None
    rows: dict[str, int] = field(default_factory=dict)
    gaps: dict[str, int] = field(default_factory=dict)
    lost_days: list[str] = field(default_factory=list)
    lost_batches: int = 0

    def told(self) -> str:
        """The whole of it in sentences for the person reading."""
        saved = sum(self.rows.values())
        parts = [f"The store was damaged ({self.finding}). It was set aside as {self.aside}."]
        parts.append(f"A new one was begun with what could be read: {saved} rows.")
        if self.gaps:
            parts.append("Reading broke off in " + ", ".join(f"{name} ({n})" for name, n in self.gaps.items()) + ".")
        if self.lost_days:
            parts.append("Sealed scans lost: " + ", ".join(self.lost_days) + ".")
        if self.lost_batches:
            parts.append(f"Newest batches lost: {self.lost_batches}.")
        parts.append("Copy the store to another card, and replace this one soon.")
        return " ".join(parts)


def open_or_salvage(path: Path) -> tuple[StoreWriter, Salvage | None]:
    """The writer of the store at `path`, after a salvage if it proves damaged; then also what was saved.

    Errors: those of `StoreWriter.open`, but for damage.
    """
    ready = _ready(path)
    if ready.exists() and not path.exists():
        ready.rename(path)  # a salvage was killed at its very end
    try:
        return StoreWriter.open(path), None
    except faults.Damaged as error:
        finding = error.finding
    lock = lock_store(path)
    try:
        salvaged = _salvage(path, finding)
        salvaged.aside = set_store_aside(path, "damaged")
        ready.rename(path)
    except sqlite3.Error as error:
        raise faults.store_error(error, ready) from error
    except OSError as error:
        raise faults.os_error(error, path, "salvage") from error
    finally:
        os.close(lock)
    return StoreWriter.open(path), salvaged


def _ready(path: Path) -> Path:
    return path.with_name(f".{path.name}.salvaged")


def _salvage(path: Path, finding: str) -> Salvage:
    result = Salvage(finding)
    part = path.with_name(f".{path.name}.part")
    for suffix in ("", "-journal"):
        with suppress(FileNotFoundError):
            Path(f"{part}{suffix}").unlink()
    with (
        closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as old,
        closing(sqlite3.connect(part, isolation_level=None)) as new,
    ):
        old.execute("PRAGMA query_only = ON")
        try:
            version = schema.version_of(old)
        except sqlite3.Error:
            version = 0  # not even the first page: nothing can be read
        schema.migrate(new, schema.MIGRATIONS[: version or len(schema.MIGRATIONS)])
        calibrations.prepare(new)
        new.execute("PRAGMA foreign_keys = OFF")
        if version:
            _take_over(old, new, result)
            if inspection.has_chunks(new):
                _put_right(new, result)
    with part.open("rb") as file:
        os.fsync(file.fileno())
    part.rename(_ready(path))
    return result


def _take_over(old: sqlite3.Connection, new: sqlite3.Connection, result: Salvage) -> None:
    tables = new.execute("SELECT name, sql FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'")
    for table, text in tables.fetchall():
        names = [row[1] for row in new.execute(f"PRAGMA table_info({table})")]
        listed = ", ".join(names)
        source = _by_key if "WITHOUT ROWID" in text else _by_rowid
        insert = f"INSERT OR REPLACE INTO {table} ({listed}) VALUES ({', '.join('?' * len(names))})"  # noqa: S608
        count = 0
        for rows in _bites(source(old, table, listed, result)):
            new.execute("BEGIN")
            new.executemany(insert, rows)
            new.execute("COMMIT")
            count += len(rows)
        result.rows[table] = count
    with suppress(sqlite3.DatabaseError):
        for name, seq in old.execute("SELECT name, seq FROM sqlite_sequence").fetchall():
            new.execute("UPDATE sqlite_sequence SET seq = max(seq, ?) WHERE name = ?", (seq, name))


def _by_rowid(old: sqlite3.Connection, table: str, listed: str, result: Salvage) -> Iterator[tuple[object, ...]]:
    last: int | None = -(2**63)
    while last is not None and result.gaps.get(table, 0) < _MOST_GAPS:
        reached = last
        try:
            query = f"SELECT rowid, {listed} FROM {table} WHERE rowid > ? ORDER BY rowid"  # noqa: S608
            for row in old.execute(query, (last,)):
                reached = _further(int(row[0]), reached)
                yield row[1:]
        except sqlite3.DatabaseError:
            result.gaps[table] = result.gaps.get(table, 0) + 1
            further = _beyond(old, table, listed, reached)
            last = None if further is None else max(further, reached + 1)
        else:
            return


def _further(rowid: int, reached: int) -> int:
    """Raises when rows go back: a page that points at an earlier one would otherwise be read for ever."""
    if rowid <= reached:
        raise sqlite3.DatabaseError("rows are out of order")
    return rowid


def _beyond(old: sqlite3.Connection, table: str, listed: str, last: int) -> int | None:
    """The rowid just before the next row that can be read; None when there is no more."""
    query = f"SELECT rowid, {listed} FROM {table} WHERE rowid >= ? ORDER BY rowid LIMIT 1"  # noqa: S608

    def readable(rowid: int) -> int | None:
        """Rowid of the row found there; raises when it cannot be read."""
        row = old.execute(query, (rowid,)).fetchone()
        return None if row is None else int(row[0])

    # Before the first row that was read numbers are positive: all tables here count from 1.
    base = max(last, 0) + 1
    step = 1
    while base + step < 2**62:
        try:
            found = readable(base + step)
            break
        except sqlite3.DatabaseError:
            step *= 2
    else:
        return None
    low, high = base + step // 2, base + step
    while low < high:
        middle = (low + high) // 2
        try:
            found = readable(middle)
            high = middle
        except sqlite3.DatabaseError:
            low = middle + 1
    return None if found is None else high - 1


def _by_key(old: sqlite3.Connection, table: str, listed: str, result: Salvage) -> Iterator[tuple[object, ...]]:
    try:
        yield from old.execute(f"SELECT {listed} FROM {table}")  # noqa: S608
    except sqlite3.DatabaseError:
        result.gaps[table] = 1


def _bites(rows: Iterator[tuple[object, ...]]) -> Iterator[list[tuple[object, ...]]]:
    bite: list[tuple[object, ...]] = []
    for row in rows:
        bite.append(row)
        if len(bite) == _AT_A_TIME:
            yield bite
            bite = []
    if bite:
        yield bite


def _put_right(new: sqlite3.Connection, result: Salvage) -> None:
    """Drop what does not fit its checksum, and make what is derived agree with what is left."""
    new.execute("BEGIN")
    bodies = Bodies()
    for number, body in new.execute("SELECT first_number, body FROM hot_batches").fetchall():
        try:
            bodies.vats_of(body)
        except StoreError:
            new.execute("DELETE FROM hot_batches WHERE first_number = ?", (number,))
            result.lost_batches += 1
    heads = "SELECT chunk_id, vat, date(first_slot_ms / 1000, 'unixepoch'), frame FROM sealed_chunks"
    for chunk_id, vat, day, frame in new.execute(heads).fetchall():
        parts = new.execute("SELECT body FROM sealed_parts WHERE part_id IN (?1, ?1 + 1)", (2 * chunk_id,)).fetchall()
        if len(parts) != 2 or not all(inspection.sound_part(part) for part in (frame, *(row[0] for row in parts))):
            new.execute("DELETE FROM sealed_chunks WHERE chunk_id = ?", (chunk_id,))
            new.execute("DELETE FROM sealed_parts WHERE part_id IN (?1, ?1 + 1)", (2 * chunk_id,))
            result.lost_days.append(f"{vat} {day}")
    new.execute("DELETE FROM sealed_parts WHERE part_id / 2 NOT IN (SELECT chunk_id FROM sealed_chunks)")
    if "marks" in result.gaps or new.execute("SELECT sealed_through FROM marks").fetchone() == (0,):
        new.execute(
            "UPDATE marks SET sealed_through = coalesce((SELECT min(first_number) - 1 FROM hot_batches),"
            " (SELECT max(through_number) FROM sealed_chunks), 0)"
        )
        new.execute("UPDATE marks SET rolled_through = max(rolled_through, sealed_through)")
    # A number that an outlet or an alarm knows already is not given to another scan.
    new.execute(
        "UPDATE marks SET given_through = max(given_through,"
        " coalesce((SELECT max(position) FROM deliveries WHERE stream = 'scans'), 0),"
        " coalesce((SELECT max(scan_number) FROM alarm_events), 0), coalesce((SELECT max(scan_number) FROM pushes), 0))"
    )
    _count_vats(new, bodies)
    if result.gaps.keys() & {"rollups", "condition_hours", "condition_words", "stray_samples", "marks"}:
        _derive_again(new, bodies)
    new.execute("COMMIT")


def _count_vats(new: sqlite3.Connection, bodies: Bodies) -> None:
    new.execute(
        "INSERT INTO known_vats SELECT vat, min(first_slot_ms), NULL FROM sealed_chunks WHERE true GROUP BY vat"
        " ON CONFLICT (vat) DO NOTHING"
    )
    new.execute(
        "UPDATE known_vats SET sealed_slot_ms = (SELECT max(last_slot_ms) FROM sealed_chunks"
        " WHERE sealed_chunks.vat = known_vats.vat AND through_number <= (SELECT sealed_through FROM marks))"
    )
    for first_ms, body in new.execute("SELECT first_slot_ms, body FROM hot_batches").fetchall():
        for vat in bodies.vats_of(body):
            new.execute("INSERT INTO known_vats VALUES (?, ?, NULL) ON CONFLICT (vat) DO NOTHING", (vat, first_ms))


def _derive_again(new: sqlite3.Connection, bodies: Bodies) -> None:
    """Rollups and the list of strays anew, from chunks and batches."""
    new.execute("DELETE FROM rollups")
    new.execute("DELETE FROM condition_hours")
    new.execute("DELETE FROM stray_samples")
    new.execute("UPDATE marks SET rolled_through = sealed_through, uncounted_through = 0")
    query = (
        "SELECT chunk_id, vat, scans, frame FROM sealed_chunks"
        " WHERE through_number <= (SELECT sealed_through FROM marks)"
    )
    for chunk_id, vat, count, frame in new.execute(query).fetchall():
        parts = new.execute(
            "SELECT body FROM sealed_parts WHERE part_id IN (?1, ?1 + 1) ORDER BY part_id", (2 * chunk_id,)
        ).fetchall()
        chunk = Chunk(vat, count, frame)
        chunk.give_scans(parts[0][0])
        chunk.give_samples(parts[1][0])
        tally = Tally()
        for quantity, place in PLACES.items():
            tally.take_column(vat, quantity, chunk.slots, chunk.floats(place))
        # Minus the chunk's own number: no two chunks, and no later roll-up, may share it within an hour.
        tally.write(new, -chunk_id)
        conditions = ConditionTally()
        for slot_ms, condition, short in zip(chunk.slots, chunk.words(27), chunk.words(28), strict=True):
            conditions.take(vat, slot_ms, condition, short)
        conditions.write(new, -chunk_id)
        for index in range(chunk.rows):
            scan = (chunk.slots[index], vat)
            _keep_strays(new, scan, chunk.numbers[index], chunk.samples_of(index))
    for first, body in new.execute("SELECT first_number, body FROM hot_batches").fetchall():
        for place, step in bodies.steps_of(body):
            _keep_strays(new, step.scan, first + place, step.samples)


def _keep_strays(
    new: sqlite3.Connection, scan: Sequence[object], number: int, samples: Sequence[tuple[object, ...]]
) -> None:
    for order, sample in enumerate(samples):
        if is_stray(tuple(scan), sample):
            time_ms, of_vat, *rest = sample
            new.execute(INSERT_STRAY, (of_vat, time_ms, number, order, *rest))
