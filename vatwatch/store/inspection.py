"""Is the file whole? A check that stays short at every start, and the long one for backups. Mends nothing.

SQLite's own check reads every page, which on a card takes as long as the file is large. At a start the tables in daily
use are checked that way, and the newest batches by their checksums; sealed parts, which never change, carry a checksum
that is looked at whenever one is read, and by the long check.
"""

from __future__ import annotations

import sqlite3
import zlib

from vatwatch.errors import StoreError
from vatwatch.store.hot import Bodies

SMALL_BYTES = 32 * 1024 * 1024
"""A file up to this size is checked whole at every start."""
_LONG = frozenset({"sealed_parts", "old_scans", "old_samples", "scans", "samples"})


def at_start(connection: sqlite3.Connection) -> str:
    """What is wrong with the file, in SQLite's words or ours; empty when nothing was found."""
    pages, size = connection.execute("SELECT page_count, page_size FROM pragma_page_count, pragma_page_size").fetchone()
    if pages * size <= SMALL_BYTES or sqlite3.sqlite_version_info < (3, 33):
        return _quick_check(connection) or _hot_batches(connection)
    tables = [row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
    for table in tables:
        if table not in _LONG:
            finding = _quick_check(connection, table)
            if finding:
                return finding
    return _hot_batches(connection)


def whole(connection: sqlite3.Connection) -> str:
    """As `at_start`, but every page, every foreign key and every sealed part. Takes as long as the file is large."""
    finding = _quick_check(connection) or _hot_batches(connection)
    if finding:
        return finding
    if connection.execute("PRAGMA foreign_key_check").fetchone() is not None:
        return "a row refers to one that is not there"
    if not has_chunks(connection):
        return ""
    for chunk_id, frame in connection.execute("SELECT chunk_id, frame FROM sealed_chunks ORDER BY chunk_id"):
        parts = connection.execute(
            "SELECT body FROM sealed_parts WHERE part_id IN (?1, ?1 + 1) ORDER BY part_id", (2 * chunk_id,)
        ).fetchall()
        if len(parts) != 2 or not all(sound_part(part) for part in (frame, *(row[0] for row in parts))):
            return f"sealed chunk {chunk_id} is damaged"
    return ""


def has_chunks(connection: sqlite3.Connection) -> bool:
    """Whether the file is of a layout that seals days."""
    return connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'marks'").fetchone() is not None


def sound_part(part: bytes) -> bool:
    """Whether a sealed part fits its checksum (see chunk_form.py)."""
    return len(part) > 5 and zlib.crc32(part[5:]) == int.from_bytes(part[:4], "little")


def _quick_check(connection: sqlite3.Connection, table: str | None = None) -> str:
    argument = "1" if table is None else '"' + table.replace('"', '""') + '"'
    found = connection.execute(f"PRAGMA quick_check({argument})").fetchone()
    return "" if found is None or found[0] == "ok" else str(found[0]).splitlines()[-1]


def _hot_batches(connection: sqlite3.Connection) -> str:
    if not has_chunks(connection):
        return ""
    bodies = Bodies()
    for number, body in connection.execute("SELECT first_number, body FROM hot_batches"):
        try:
            bodies.vats_of(body)
        except StoreError:
            return f"the batch of scan {number} does not fit its checksum"
    return ""
