"""Housekeeping of the writer: finished hours become rollups, finished days chunks, sealed batches go. In small bites.

Runs in the writer's own thread and on its connection, between two commits, for a few milliseconds at a time: a vat is
never kept waiting for a day's packing. Every transaction leaves a file that reads the same; what counts is told by
`marks` (see layout_2.py). Reads no clock to judge by: a day is over when a batch of another day has come.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Generator, Iterator

from vatwatch.errors import StoreError
from vatwatch.store import rollups
from vatwatch.store.chunk_making import Columns, pack
from vatwatch.store.conditions import ConditionTally
from vatwatch.store.doubt import standing
from vatwatch.store.hot import FLOAT_PLACES, Bodies
from vatwatch.store.rollups import PLACES, Tally

DAY_MS = 86_400_000
HOUR_MS = rollups.HOUR_MS
CHUNK_SCANS = 17_280
"""A vat's day at one scan in 5 s; a faster grid makes several chunks of a day."""
SEAL_SCANS = 6 * CHUNK_SCANS
"""Scans sealed together at most: bounds what a reader must hold to give them back in the order of their numbers."""
_ROWS_PER_BITE = 40
_REST_BATCHES = 100
"""Commits to wait after a failure (a full disk) before trying again."""
_ROLLED_PLACES = [FLOAT_PLACES[place] for place in PLACES.values()]

Work = Generator[None, None, None]


class Sealer:
    """Told of every batch by `note`, does a bite of what is due with every `tend`."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self._bodies = Bodies()
        self._work: Work | None = None
        self._rest = 0
        self._slot_ms: int | None = None
        self._hour_start = self._day_start = 0
        self.trouble = ""
        same_hour = True
        newest_first = connection.execute(
            "SELECT first_number, first_slot_ms FROM hot_batches ORDER BY first_number DESC"
        )
        for number, slot_ms in newest_first:
            if self._slot_ms is None:
                self._slot_ms = slot_ms
            if _day(slot_ms) != _day(self._slot_ms):
                break
            self._day_start = number
            same_hour = same_hour and slot_ms // HOUR_MS == self._slot_ms // HOUR_MS
            if same_hour:
                self._hour_start = number
        newest_first.close()
        self._due = True

    def note(self, first_number: int, slot_ms: int) -> None:
        """A batch was committed: the first number and slot in it."""
        before = self._slot_ms
        self._slot_ms = slot_ms
        if before is None or slot_ms // HOUR_MS != before // HOUR_MS:
            self._hour_start = first_number
            self._due = True
        if before is None or _day(slot_ms) != _day(before):
            self._day_start = first_number

    def wake(self) -> None:
        """Something may be due that was not before."""
        self._due = True

    def tend(self, seconds: float) -> bool:
        """Do what is due for about this long; returns whether something is left. Never raises: see `trouble`."""
        if self._rest:
            self._rest -= 1
            return True
        if self._work is None:
            if not self._due:
                return False
            self._work = self._all()
        deadline = time.monotonic() + seconds
        try:
            while time.monotonic() < deadline:
                if next(self._work, self) is self:
                    self._work, self._due, self.trouble = None, False, ""
                    return False
        except (sqlite3.Error, StoreError) as error:
            # Nothing is lost: what could not be sealed is still there as it came.
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")
            self._work, self._rest, self.trouble = None, _REST_BATCHES, str(error)
        return True

    def finish(self) -> None:
        """Do all that is due now. Raises what stands in the way."""
        for _ in self._all():
            pass
        self._work, self._due = None, False

    def _all(self) -> Work:
        while True:
            sealed, rolled = self._connection.execute("SELECT sealed_through, rolled_through FROM marks").fetchone()
            yield from self._clear(sealed)
            # What bears a doubtful time waits: it will be moved.
            doubt = standing(self._connection)
            sure = 2**62 if doubt is None else doubt.after_number
            if rolled < (through := min(self._hour_start - 1, sure)):
                yield from self._roll_up(rolled, through)
            elif sealed < (through := min(self._day_start - 1, sure)):
                yield from self._seal(sealed, through)
            else:
                return

    def _clear(self, sealed: int) -> Work:
        """Remove chunks of a sealing that was broken off, and batches that are sealed."""
        broken = [row[0] for row in self._connection.execute(
            "SELECT chunk_id FROM sealed_chunks WHERE through_number > ?", (sealed,)
        )]  # fmt: skip
        if broken:
            self._connection.execute("BEGIN IMMEDIATE")
            for chunk_id in broken:
                self._connection.execute("DELETE FROM sealed_parts WHERE part_id IN (?1, ?1 + 1)", (2 * chunk_id,))
                self._connection.execute("DELETE FROM sealed_chunks WHERE chunk_id = ?", (chunk_id,))
            self._connection.execute("COMMIT")
            yield
        while True:
            last = self._connection.execute(
                "SELECT max(first_number) FROM (SELECT first_number FROM hot_batches WHERE first_number <= ?"
                " ORDER BY first_number LIMIT 200)",
                (sealed,),
            ).fetchone()[0]
            if last is None:
                return
            self._connection.execute("DELETE FROM hot_batches WHERE first_number <= ?", (last,))
            yield

    def _roll_up(self, after: int, through: int) -> Work:
        tally, conditions = Tally(), ConditionTally()
        for _, body in self._batches(after, through):
            if body is None:
                yield
                continue
            for vat in dict.fromkeys(self._bodies.vats_of(body)):
                for slot_ms, values in self._bodies.floats_of(body, vat, _ROLLED_PLACES):
                    tally.take(vat, slot_ms, values)
            for vat, slot_ms, condition, shortfalls in self._bodies.conditions_of(body):
                conditions.take(vat, slot_ms, condition, shortfalls)
        self._connection.execute("BEGIN IMMEDIATE")
        tally.write(self._connection, through)
        conditions.write(self._connection, through)
        self._connection.execute("UPDATE marks SET rolled_through = ?", (through,))
        self._connection.execute("COMMIT")
        yield

    def _seal(self, after: int, through: int) -> Work:
        count = 0
        for number, scans in self._connection.execute(
            "SELECT first_number, scans FROM hot_batches WHERE first_number > ? AND first_number <= ?"
            " ORDER BY first_number",
            (after, through),
        ).fetchall():
            if count and count + scans > SEAL_SCANS:
                through = number - 1
                break
            count += scans
        yield
        vats: dict[str, int] = {}
        for _, body in self._batches(after, through):
            if body is None:
                yield
            else:
                vats.update(dict.fromkeys(self._bodies.vats_of(body), 0))
        for vat in vats:
            vats[vat] = yield from self._seal_vat(vat, after, through)
        self._connection.execute("BEGIN IMMEDIATE")
        self._connection.execute("UPDATE marks SET sealed_through = ?", (through,))
        for vat, slot_ms in vats.items():
            self._connection.execute(
                "UPDATE known_vats SET sealed_slot_ms = max(?1, coalesce(sealed_slot_ms, ?1)) WHERE vat = ?2",
                (slot_ms, vat),
            )
        self._connection.execute("COMMIT")
        yield

    def _seal_vat(self, vat: str, after: int, through: int) -> Generator[None, None, int]:
        newest_ms: int | None = None
        columns: Columns | None = None
        versions = dict(
            self._connection.execute(
                "SELECT first_number, settings_version FROM hot_batches WHERE first_number > ? AND first_number <= ?",
                (after, through),
            )
        )
        yield
        for first, body in self._batches(after, through):
            if body is None:
                yield
                continue
            steps = sorted(self._bodies.steps_of(body, vat), key=lambda pair: int(pair[1].scan[0]))
            for place, step in steps:
                slot_ms = step.scan[0]
                # A chunk is of one day and in order; whatever does not fit begins the next one.
                if columns is not None and (
                    len(columns.slots) == CHUNK_SCANS
                    or _day(slot_ms) != _day(columns.slots[0])
                    or slot_ms <= columns.slots[-1]
                    or first + place <= columns.numbers[-1]
                ):
                    yield from self._write(columns, through)
                    columns = None
                columns = columns or Columns(vat)
                columns.add(first + place, versions[first], step)
                newest_ms = slot_ms if newest_ms is None else max(newest_ms, slot_ms)
        if columns is not None:
            yield from self._write(columns, through)
        return newest_ms or 0

    def _write(self, columns: Columns, through: int) -> Work:
        parts = yield from pack(columns)
        self._connection.execute("BEGIN IMMEDIATE")
        write_chunk(self._connection, columns, parts.frame, parts.scans, parts.samples, through)
        self._connection.execute("COMMIT")
        yield

    def _batches(self, after: int, through: int) -> Iterator[tuple[int, bytes | None]]:
        """The batches of a range of numbers; now and then (0, None): time to let others in."""
        while True:
            bite = self._connection.execute(
                "SELECT first_number, body FROM hot_batches WHERE first_number > ? AND first_number <= ?"
                " ORDER BY first_number LIMIT ?",
                (after, through, _ROWS_PER_BITE),
            ).fetchall()
            if not bite:
                return
            yield from bite
            after = bite[-1][0]
            yield 0, None


def write_chunk(
    connection: sqlite3.Connection, columns: Columns, frame: bytes, scans: bytes, samples: bytes, through: int
) -> None:
    """Insert a packed chunk; it counts once `marks.sealed_through` has reached `through`."""
    cursor = connection.execute(
        "INSERT INTO sealed_chunks (vat, first_slot_ms, last_slot_ms, first_number, through_number, scans, samples,"
        " frame) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (
            columns.vat,
            columns.slots[0],
            columns.slots[-1],
            min(columns.numbers),
            through,
            len(columns.slots),
            len(columns.sources),
            frame,
        ),
    )
    part_id = 2 * int(cursor.lastrowid or 0)
    connection.execute("INSERT INTO sealed_parts VALUES (?, ?)", (part_id, scans))
    connection.execute("INSERT INTO sealed_parts VALUES (?, ?)", (part_id + 1, samples))


def _day(slot_ms: int) -> int:
    return slot_ms // DAY_MS
