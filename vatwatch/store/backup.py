"""A verified copy of the store while it is in use, and a copy back in its place. Nothing is ever overwritten.

A copy is one file, complete in itself, of one moment between two batches. It is written beside its target, checked as a
whole, synced and only then given its name: a file that bears the name of a backup is one.
"""

from __future__ import annotations

import os
import sqlite3
import time
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path

from vatwatch.errors import StoreError
from vatwatch.store import faults, inspection, schema
from vatwatch.store.ownership import as_around
from vatwatch.store.shelf import Shelf
from vatwatch.store.writing import lock_store


@dataclass(frozen=True, slots=True)
class Copied:
    """What a copy holds: its size, the number of its newest scan, and that scan's slot (None: no scan yet)."""

    path: Path
    size_bytes: int
    newest_number: int
    newest_slot_ms: int | None
    set_aside: Path | None = None


def backup(store: Path, target: Path) -> Copied:
    """Copy the store, in use or not, to a new file at `target`.

    Errors: StoreError when there is no store, when something is at `target` already, or when the copy does not prove
    whole; StoreFull when the disk has no room. In every case nothing is left behind.
    """
    _refuse_existing(target)
    return _copy(store, target)


def restore(copy: Path, store: Path) -> Copied:
    """Put a copy in the place of the store; the one that is there now is set aside under a name with the time in it.

    Errors: StoreError when vatwatch runs on the store, when the copy is damaged or made by a newer vatwatch; StoreFull
    when the disk has no room. In every case the store is as it was.
    """
    if copy.exists() and store.exists() and copy.samefile(store):
        raise StoreError(f"{copy} is the store itself; give the backup to restore from.")
    try:
        store.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise faults.os_error(error, store.parent, "make the directory") from error
    lock = lock_store(store)
    try:
        beside = store.with_name(f".{store.name}.restored")
        _remove(beside)
        copied = _copy(copy, beside)
        set_aside = set_store_aside(store, "before-restore") if store.exists() else None
        try:
            beside.rename(store)
            _sync_directory(store.parent)
        except OSError as error:
            raise faults.os_error(error, store, "put the copy at") from error
        return Copied(store, copied.size_bytes, copied.newest_number, copied.newest_slot_ms, set_aside)
    finally:
        os.close(lock)


def set_store_aside(store: Path, why: str) -> Path:
    """Rename the store and the files SQLite keeps beside it; returns its new path. Nobody may have it open."""
    stamp = time.strftime("%Y%m%dT%H%M%SZ", time.gmtime())
    for number in range(1000):
        name = f"{store.stem}-{why}-{stamp}{f'-{number}' if number else ''}{store.suffix}"
        aside = store.with_name(name)
        if not aside.exists():
            break
    try:
        # The log goes first: an old log beside a new file would be taken for its own.
        for suffix in ("-wal", "-shm"):
            with suppress(FileNotFoundError):
                Path(f"{store}{suffix}").rename(f"{aside}{suffix}")
        store.rename(aside)
        _sync_directory(store.parent)
    except OSError as error:
        raise faults.os_error(error, store, "set aside") from error
    return aside


def _copy(source: Path, target: Path) -> Copied:
    if not source.exists():
        raise StoreError(f"There is no store at {source}; check the path.")
    beside = target.with_name(f".{target.name}.part")
    _remove(beside)
    try:
        with (
            closing(sqlite3.connect(f"{source.resolve().as_uri()}?mode=ro", uri=True)) as given,
            closing(sqlite3.connect(beside, isolation_level=None)) as made,
        ):
            schema.refuse_newer(schema.version_of(given), len(schema.MIGRATIONS))
            # In one step: one frozen view, however long it takes, while the writer goes on.
            given.backup(made, pages=-1)
            made.execute("PRAGMA journal_mode = DELETE")
            finding = inspection.whole(made)
            if finding:
                raise faults.damaged(source, finding)
            newest, slot_ms = _newest(made)
        with beside.open("rb") as file:
            os.fsync(file.fileno())
        size = beside.stat().st_size
        as_around(beside)
        beside.rename(target)
        _sync_directory(target.parent)
    except sqlite3.Error as error:
        _remove(beside)
        raise faults.store_error(error, source) from error
    except OSError as error:
        _remove(beside)
        raise faults.os_error(error, target, "write the copy") from error
    except StoreError:
        _remove(beside)
        raise
    return Copied(target, size, newest, slot_ms)


def _newest(connection: sqlite3.Connection) -> tuple[int, int | None]:
    if not inspection.has_chunks(connection):
        number, slot_ms = connection.execute("SELECT max(number), max(slot_ms) FROM scans").fetchone()
        return number or 0, slot_ms
    shelf = Shelf(connection)
    return shelf.newest_number(), shelf.newest_slot()


def _refuse_existing(target: Path) -> None:
    if target.exists():
        raise StoreError(f"{target} exists already and is left as it is; give the backup a name of its own.")
    if not target.parent.is_dir():
        raise StoreError(f"There is no directory {target.parent} to put the backup in; make it, or check the path.")


def _remove(path: Path) -> None:
    for suffix in ("", "-journal", "-wal", "-shm"):
        with suppress(FileNotFoundError):
            Path(f"{path}{suffix}").unlink()


def _sync_directory(directory: Path) -> None:
    descriptor = os.open(directory, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
