"""The one writer of the store: commits whole batches, settings and delivery positions. Answers no screen's question."""

from __future__ import annotations

import fcntl
import logging
import os
import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Self

from vatwatch.errors import StoreError
from vatwatch.records import AlarmAction, Batch, Calibration, Delivery, JournalEntry, Rejected, StepResult, VatCard
from vatwatch.store import calibrations, converting, doubt, faults, inspection, rows, schema, statements
from vatwatch.store.doubt import Doubt
from vatwatch.store.hot import Bodies, Step, slots_of
from vatwatch.store.ownership import as_around
from vatwatch.store.sealing import Sealer
from vatwatch.store.shelf import Shelf
from vatwatch.store.strays import is_stray

log = logging.getLogger(__name__)

BUSY_TIMEOUT_MS = 10_000
"""How long to wait for another program that happens to write (a database browser) before giving up."""
TEND_S = 0.01
"""How long sealing may take after a commit: longer by at most one column of one vat's day (see sealing.py)."""
OF_NO_SCAN = 0
"""Scan number of a push or alarm event that is about the whole shed; real scans are numbered from 1."""
WAL_LIMIT_BYTES = 16 * 1024 * 1024
"""The write-ahead log is cut back to this after a slow reader made it grow."""


class StoreWriter:
    """The only writer of a store, open at most once per file on this machine. Made with `StoreWriter.open`.

    Meant for one thread; a lock makes calls from another one wait rather than mix transactions.
    Every method that writes returns after the data is on the disk (synchronous = FULL) or raises and has written
    nothing.
    """

    def __init__(self, connection: sqlite3.Connection, path: Path, lock_fd: int) -> None:
        self._connection = connection
        self._path = path
        self._lock_fd = lock_fd
        self._turn = threading.Lock()
        self._closed = False
        self._bodies = Bodies()
        self._shelf = Shelf(connection)
        self._look()

    def _look(self) -> None:
        """See where the record stands: at the start, and after scans were moved."""
        connection = self._connection
        self._sealer = Sealer(connection)
        self._next_number = self._shelf.newest_number() + 1
        self._newest_slot = self._shelf.newest_slot()
        self._first_slots: dict[str, int] = dict(connection.execute("SELECT vat, first_slot_ms FROM known_vats"))
        self._newest_slots: dict[str, int] = {}
        for vat in self._first_slots:
            newest_ms = self._shelf.newest_slot_of(vat)
            if newest_ms is not None:
                self._newest_slots[vat] = newest_ms

    @classmethod
    def open(cls, path: Path) -> Self:
        """Open the store at `path`, creating directory and file, and bring its layout up to date.

        Errors: StoreError when another vatwatch writes here, when the file is no store, belongs to another program,
        is damaged or comes from a newer vatwatch; StoreFull when the disk has no room. Nothing is ever deleted.
        """
        path = Path(path)
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise faults.os_error(error, path.parent, "make the directory") from error
        lock_fd = lock_store(path)
        connection: sqlite3.Connection | None = None
        try:
            connection = sqlite3.connect(
                path, isolation_level=None, timeout=BUSY_TIMEOUT_MS / 1000, check_same_thread=False
            )
            _prepare(connection, path)
            return cls(connection, path, lock_fd)
        except BaseException as error:
            if connection is not None:
                connection.close()
            os.close(lock_fd)
            if isinstance(error, sqlite3.Error):
                raise faults.store_error(error, path) from error
            raise

    def append(self, batch: Batch) -> None:
        """Commit everything of `batch` in one transaction.

        Journal entries and actions whose id is already stored are passed over. Errors: StoreFull when the disk has no
        room (the same batch may be offered again later); StoreError when a slot of a vat is already stored, when
        `settings_version` was never recorded, or when a value cannot be kept. After any error nothing of it is there.
        A little housekeeping follows the commit; it cannot fail the batch (see `sealing_trouble`).
        """
        with self._transaction() as connection:
            self._append_steps(connection, batch.steps, batch.settings_version)
            for entry in batch.journal:
                connection.execute(statements.INSERT_JOURNAL, (batch.slot_ms, *rows.journal_row(entry)))
            for action in batch.actions:
                connection.execute(statements.INSERT_ACTION, (batch.slot_ms, *rows.action_row(action)))
            for event in batch.port_events:
                connection.execute(statements.INSERT_PORT_EVENT, (batch.slot_ms, *rows.port_event_row(event)))
            for shed_event in batch.shed_events:
                connection.execute(statements.INSERT_ALARM_EVENT, (OF_NO_SCAN, *rows.alarm_event_row(shed_event)))
            for push in batch.shed_pushes:
                connection.execute(statements.INSERT_PUSH, (OF_NO_SCAN, *rows.push_row(push)))
            for vat, outlook in batch.outlooks.items():
                if outlook is None:
                    connection.execute(statements.FORGET_OUTLOOK, (vat,))
                else:
                    connection.execute(statements.REPLACE_OUTLOOK, rows.outlook_row(outlook))
            for vat, state_json in batch.state_snapshots.items():
                connection.execute(statements.REPLACE_SNAPSHOT, (vat, batch.slot_ms, state_json))
        if batch.steps:
            with self._turn:
                self._note(batch.steps)
                self._sealer.tend(TEND_S)

    def seal_all(self) -> None:
        """Do all sealing that is due at once, however long it takes. Meant for tools and tests, not for the watch."""
        with self._turn:
            try:
                self._sealer.finish()
            except sqlite3.Error as error:
                self._roll_back()
                raise faults.store_error(error, self._path) from error

    @property
    def sealing_trouble(self) -> str:
        """Why days are not being sealed at the moment; empty when all is well. Nothing is lost meanwhile."""
        return self._sealer.trouble

    def has(self, entry: JournalEntry | AlarmAction | Calibration) -> bool:
        """Whether an entry, action or calibration of this id is stored, so that one handed in twice is judged only once."""
        if isinstance(entry, JournalEntry):
            query, key = "SELECT 1 FROM journal WHERE entry_id = ?", entry.entry_id
        elif isinstance(entry, Calibration):
            query, key = calibrations.KNOWN, entry.calibration_id
        else:
            query, key = "SELECT 1 FROM alarm_actions WHERE action_id = ?", entry.action_id
        return self._one(query, (key,)) is not None

    def record_settings(self, slot_ms: int, settings_json: str, cards: Sequence[VatCard]) -> int:
        """Keep the settings in force from `slot_ms` on with the vats' cards; returns their version, from 1.

        Text and cards equal to the newest ones give the newest version again; equal text with other cards replaces
        that version's cards.
        """
        with self._transaction() as connection:
            newest = connection.execute(statements.SELECT_NEWEST_SETTINGS).fetchone()
            if newest is not None and newest[1] == settings_json:
                version = int(newest[0])
                kept = [rows.card_of(row) for row in connection.execute(statements.SELECT_CARDS)]
                if kept == list(cards):
                    return version
                connection.execute("DELETE FROM vat_cards WHERE settings_version = ?", (version,))
            else:
                cursor = connection.execute(
                    "INSERT INTO settings (slot_ms, settings_json) VALUES (?, ?)", (slot_ms, settings_json)
                )
                version = int(cursor.lastrowid or 0)
            connection.executemany(
                statements.INSERT_CARD,
                [(version, place, *rows.card_row(card)) for place, card in enumerate(cards)],
            )
            return version

    def record_calibration(self, calibration: Calibration) -> None:
        """Keep what a calibration found; one whose id is already stored is passed over."""
        with self._transaction() as connection:
            calibrations.insert(connection, calibration)

    def record_delivery(self, delivery: Delivery, rejected: Rejected | None = None) -> None:
        """Keep how far an outlet has come, in place of what was known of that outlet and stream.

        `rejected` is the row whose refusal moved it on: both or neither are kept.
        """
        with self._transaction() as connection:
            connection.execute(statements.REPLACE_DELIVERY, rows.delivery_row(delivery))
            if rejected is not None:
                connection.execute(statements.KEEP_REJECTED, rows.rejected_row(rejected))

    def doubt_times(self) -> None:
        """From now on scans bear times of a clock that is not known to be right; a doubt that stands goes on."""
        with self._transaction() as connection:
            doubt.begin(connection, self._next_number - 1, self._newest_slot)

    def trust_times(self) -> None:
        """All times are good as they are."""
        with self._transaction() as connection:
            doubt.end(connection)
        self._sealer.wake()

    def retime(self, stands: Doubt, by_ms: int, scan_ms: int, again: Sequence[Batch]) -> None:
        """In place of all scans in doubt put those of `again`, judged with their true times; move everything else.

        In one transaction: all of it or nothing. Messages are not made anew. Errors: as `append`.
        """
        try:
            with self._transaction() as connection:
                doubt.clear_scans(connection, stands)
                doubt.move(connection, stands, by_ms, scan_ms)
                self._newest_slots = dict.fromkeys(self._newest_slots, stands.after_slot_ms)
                self._first_slots = dict(connection.execute("SELECT vat, first_slot_ms FROM known_vats"))
                self._newest_slot = stands.after_slot_ms
                for batch in again:
                    silent = tuple(replace(step, pushes=()) for step in batch.steps)
                    self._append_steps(connection, silent, batch.settings_version)
                    doubt.keep_messages(connection, batch.steps, self._next_number)
                    self._next_number += len(silent)
                    for vat, state_json in batch.state_snapshots.items():
                        connection.execute(statements.REPLACE_SNAPSHOT, (vat, batch.slot_ms, state_json))
                doubt.end(connection)
        finally:
            with self._turn:
                number = self._next_number
                self._look()
                # A number once given is not given again, also when the scan that had it was moved.
                self._next_number = max(number, self._next_number)

    def latest_snapshot(self, vat: str) -> tuple[int, str] | None:
        """The newest kept pipeline state of `vat`: the slot after which it stood, and its JSON."""
        found = self._one(statements.SELECT_SNAPSHOT, (vat,))
        return None if found is None else (int(found[0]), str(found[1]))

    def close(self) -> None:
        """Close the file and let another writer in. May be called more than once."""
        with self._turn:
            if self._closed:
                return
            self._closed = True
            try:
                self._connection.close()
            except sqlite3.Error as error:
                raise faults.store_error(error, self._path) from error
            finally:
                os.close(self._lock_fd)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _append_steps(self, connection: sqlite3.Connection, steps: Sequence[StepResult], settings_version: int) -> None:
        if not steps:
            return
        self._refuse_stored_slots(steps)
        number = self._next_number
        taken = [Step(rows.scan_row(step.scan), tuple(map(rows.sample_row, step.samples))) for step in steps]
        first_ms, last_ms = slots_of(taken)
        late = self._newest_slot is not None and first_ms < self._newest_slot
        body = self._bodies.body_of(taken)
        connection.execute(
            statements.INSERT_BATCH, (number, len(steps), settings_version, first_ms, last_ms, late, body)
        )
        for place, (step, written) in enumerate(zip(steps, taken, strict=True), start=number):
            vat, slot_ms = step.scan.vat, step.scan.slot_ms
            if slot_ms < self._first_slots.get(vat, slot_ms + 1):
                connection.execute(statements.KEEP_VAT, (vat, slot_ms))
            for order, sample in enumerate(written.samples):
                if is_stray(written.scan, sample):
                    time_ms, of_vat, *rest = sample
                    connection.execute(statements.INSERT_STRAY, (of_vat, time_ms, place, order, *rest))
            connection.executemany(
                statements.INSERT_ALARM_EVENT, [(place, *rows.alarm_event_row(event)) for event in step.alarm_events]
            )
            connection.executemany(statements.INSERT_PUSH, [(place, *rows.push_row(push)) for push in step.pushes])

    def _refuse_stored_slots(self, steps: Sequence[StepResult]) -> None:
        here: set[tuple[str, int]] = set()
        for step in steps:
            vat, slot_ms = step.scan.vat, step.scan.slot_ms
            newest_ms = self._newest_slots.get(vat)
            known = newest_ms is not None and slot_ms <= newest_ms
            if (vat, slot_ms) in here or (known and self._shelf.steps(vat, slot_ms, slot_ms + 1, 1)):
                raise StoreError(
                    f"The slot ending at {slot_ms} ms of vat {vat!r} is already stored; the batch that brought it "
                    "again was refused whole. Two sources may be feeding this vat, or the clock was set back."
                )
            here.add((vat, slot_ms))

    def _note(self, steps: Sequence[StepResult]) -> None:
        """Remember what was committed."""
        for step in steps:
            vat, slot_ms = step.scan.vat, step.scan.slot_ms
            self._first_slots[vat] = min(slot_ms, self._first_slots.get(vat, slot_ms))
            self._newest_slots[vat] = max(slot_ms, self._newest_slots.get(vat, slot_ms))
        slots = [step.scan.slot_ms for step in steps]
        self._newest_slot = max(max(slots), self._newest_slot if self._newest_slot is not None else max(slots))
        self._sealer.note(self._next_number, min(slots))
        self._next_number += len(steps)

    def _one(self, query: str, values: tuple[str, ...]) -> sqlite3.Row | None:
        with self._turn:
            try:
                found: sqlite3.Row | None = self._connection.execute(query, values).fetchone()
            except sqlite3.Error as error:
                raise faults.store_error(error, self._path) from error
            return found

    @contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        with self._turn:
            if self._closed:
                raise StoreError(f"The store {self._path} is already closed.")
            try:
                self._connection.execute("BEGIN IMMEDIATE")
                yield self._connection
                self._connection.execute("COMMIT")
            except BaseException as error:
                self._roll_back()
                if isinstance(error, sqlite3.IntegrityError):
                    raise StoreError(
                        f"The store refused a batch that does not fit what is kept ({error}). Nothing of it was "
                        "written. A settings version must be recorded before the first batch that names it."
                    ) from error
                if isinstance(error, sqlite3.Error):
                    raise faults.store_error(error, self._path) from error
                if isinstance(error, (OverflowError, UnicodeError)):
                    raise StoreError(
                        f"A value of the batch cannot be kept ({error}); nothing of the batch was written."
                    ) from error
                raise

    def _roll_back(self) -> None:
        # A full disk may have ended the transaction already; then there is nothing to roll back.
        if self._connection.in_transaction:
            self._connection.execute("ROLLBACK")


def lock_store(path: Path) -> int:
    """Make sure that nobody else writes to the store until the returned descriptor is closed. Errors: StoreError."""
    lock_path = path.with_name(path.name + ".lock")
    try:
        lock_fd = os.open(lock_path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        as_around(lock_path)
    except OSError as error:
        raise faults.os_error(error, lock_path, "open the lock file") from error
    try:
        fcntl.flock(lock_fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        holder = os.pread(lock_fd, 32, 0).decode("ascii", "replace").strip()
        os.close(lock_fd)
        raise StoreError(
            f"Another vatwatch (process {holder or 'unknown'}) already writes to {path}. Only one may: stop that one, "
            "or give this one a store path of its own."
        ) from error
    try:
        os.ftruncate(lock_fd, 0)
        os.pwrite(lock_fd, f"{os.getpid()}\n".encode("ascii"), 0)
    except OSError:
        pass  # The number only helps the reader of the message above; on a full disk the lock still holds.
    return lock_fd


def _prepare(connection: sqlite3.Connection, path: Path) -> None:
    # What the file is comes first: nothing may change in one that is not ours, damaged or newer.
    version = schema.version_of(connection)
    schema.refuse_newer(version, len(schema.MIGRATIONS))
    if version:
        finding = inspection.at_start(connection)
        if finding:
            raise faults.damaged(path, finding)
    mode = connection.execute("PRAGMA journal_mode = WAL").fetchone()[0]
    if mode != "wal":
        raise StoreError(
            f"The place of {path} does not allow a write-ahead log (SQLite answered {mode!r}); network shares do not. "
            "Put the store on a local disk or card."
        )
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("PRAGMA foreign_keys = ON")
    connection.execute(f"PRAGMA journal_size_limit = {WAL_LIMIT_BYTES}")
    schema.migrate(connection, schema.MIGRATIONS)
    if schema.half_converted(connection):
        log.info("the store %s is of an older layout and is being rewritten; this may take some minutes", path)
        converting.convert(connection, lambda done, left: log.info("%d scans rewritten, %d left", done, left))
    calibrations.prepare(connection)
