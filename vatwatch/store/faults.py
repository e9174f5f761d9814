"""Turns what SQLite and the disk complain about into the store's errors, in words a dyer can act on. Opens nothing."""

from __future__ import annotations

import errno
import os
import sqlite3
from pathlib import Path

from vatwatch.errors import StoreError, StoreFull

NO_ROOM_BYTES = 256 * 1024
"""Below this much free space an input/output error counts as a full disk: SQLite grows its shared index by 32 KiB
steps and reports a failure there as an input/output error, not as a full disk."""

_NO_ROOM_ERRNO = frozenset({errno.ENOSPC, errno.EDQUOT})
_MAY_HIDE_A_FULL_DISK = frozenset({sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN})


class Damaged(StoreError):
    """The file's pages do not agree with each other; `finding` says where."""

    def __init__(self, message: str, finding: str) -> None:
        super().__init__(message)
        self.finding = finding


def store_error(error: sqlite3.Error, path: Path) -> StoreError:
    """The error to raise for `error`, met while working on the store at `path`."""
    code = getattr(error, "sqlite_errorcode", None)
    name = getattr(error, "sqlite_errorname", type(error).__name__)
    primary = code & 0xFF if isinstance(code, int) else None
    if primary == sqlite3.SQLITE_FULL or (primary in _MAY_HIDE_A_FULL_DISK and _no_room_beside(path)):
        return disk_full(path)
    if primary == sqlite3.SQLITE_NOTADB:
        return StoreError(
            f"{path} is not a vatwatch store (nor any SQLite database). It was left as it is: move it elsewhere or "
            "give another store path, and start again."
        )
    if primary == sqlite3.SQLITE_CORRUPT:
        return damaged(path, str(error))
    if primary in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return StoreError(
            f"{path} is held by another program (a database browser or a copy job?). Close it; nothing was written."
        )
    if primary in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM, sqlite3.SQLITE_READONLY):
        return StoreError(
            f"{path} cannot be opened ({error}). The user running vatwatch needs to read and write this file and "
            f"its directory {path.parent}; check that they exist, who owns them and that the disk is not read-only."
        )
    if primary == sqlite3.SQLITE_IOERR:
        return StoreError(
            f"The disk failed while working on {path} ({error}, {name}). Nothing of this step was kept. Check the "
            "disk or card and its cable, and copy the store to another one soon."
        )
    return StoreError(f"The store {path} cannot be used: {error} ({name}).")


def disk_full(path: Path) -> StoreFull:
    """The disk that holds `path` has no room."""
    return StoreFull(
        f"There is no room left on the disk that holds {path}. Nothing was written and nothing written before is "
        "lost. Make room there; writing goes on by itself."
    )


def damaged(path: Path, finding: str) -> Damaged:
    """The file at `path` is a store, but its pages do not agree with each other."""
    return Damaged(
        f"The store {path} is damaged ({finding}). It was left as it is. `vatwatch run` sets it aside at its next "
        "start and takes over what can be read; `vatwatch restore` puts a backup in its place.",
        finding,
    )


def os_error(error: OSError, path: Path, doing: str) -> StoreError:
    """The error to raise when the operating system refuses `doing` something with `path`."""
    if error.errno in _NO_ROOM_ERRNO:
        return disk_full(path)
    return StoreError(f"Cannot {doing} {path}: {error.strerror or error}. Check that the place exists and who owns it.")


def _no_room_beside(path: Path) -> bool:
    try:
        room = os.statvfs(path.parent)
    except OSError:
        return False
    return room.f_bavail * room.f_frsize < NO_ROOM_BYTES
