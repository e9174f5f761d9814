"""The store's tables and how an older file becomes a newer one. Holds no records and answers no questions.

Numbers that must come back bit for bit stand in columns without a declared type: SQLite keeps a real number in a
REAL column as an integer where it can, which turns −0.0 into 0.0 and would make a replay differ from the record.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence

from vatwatch.errors import StoreError
from vatwatch.store import layout_1, layout_2, layout_3, layout_4, layout_5

APPLICATION_ID = 0x56415457
"""Marks a SQLite file as a vatwatch store ("VATW"), so that no other program's file is ever altered."""

Migration = Callable[[sqlite3.Connection], None]


def _first_layout(connection: sqlite3.Connection) -> None:
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    for statement in layout_1.STATEMENTS:
        connection.execute(statement)


def _second_layout(connection: sqlite3.Connection) -> None:
    # Files of the first days lack this column.
    columns = [row[1] for row in connection.execute("PRAGMA table_info(journal)")]
    if "details_json" not in columns:
        connection.execute("ALTER TABLE journal ADD COLUMN details_json TEXT NOT NULL DEFAULT '[]'")
    for statement in layout_2.STATEMENTS:
        connection.execute(statement)
    # A file that already holds scans is rewritten bit by bit afterwards (see converting.py).
    if connection.execute("SELECT 1 FROM old_scans LIMIT 1").fetchone() is None:
        for statement in layout_2.NOTHING_TO_CONVERT:
            connection.execute(statement)


def _third_layout(connection: sqlite3.Connection) -> None:
    for statement in layout_3.STATEMENTS:
        connection.execute(statement)


def _fourth_layout(connection: sqlite3.Connection) -> None:
    for statement in layout_4.STATEMENTS:
        connection.execute(statement)


def _fifth_layout(connection: sqlite3.Connection) -> None:
    for statement in layout_5.STATEMENTS:
        connection.execute(statement)


MIGRATIONS: tuple[Migration, ...] = (_first_layout, _second_layout, _third_layout, _fourth_layout, _fifth_layout)
"""In order: the one at index n turns a file of version n into version n + 1. Never edit one that has been released."""
NEWEST = len(MIGRATIONS)
"""The layout this program writes; it reads all older ones and refuses newer ones."""


def version_of(connection: sqlite3.Connection) -> int:
    """Schema version of the open file; 0 is a file without tables.

    Errors: StoreError when the file is a SQLite file of some other program.
    """
    # One statement sees one state of the file, also while a writer is just making it.
    version, mark, tables = connection.execute(
        "SELECT user_version, application_id, (SELECT count(*) FROM sqlite_master)"
        " FROM pragma_user_version, pragma_application_id"
    ).fetchone()
    if mark == APPLICATION_ID or (mark == 0 and version == 0 and tables == 0):
        return int(version)
    raise StoreError(
        f"This SQLite file was made by another program (application id {mark:#x}, {tables} tables and indexes); "
        "it was left as it is. Give vatwatch's store a path of its own."
    )


def half_converted(connection: sqlite3.Connection) -> bool:
    """Whether the rows of a first layout are still being rewritten."""
    return connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'old_scans'").fetchone() is not None


def refuse_newer(version: int, known: int) -> None:
    """Raise StoreError when the file's schema `version` is above the newest one `known` to this program."""
    if version > known:
        raise StoreError(
            f"The store has layout version {version}, made by a newer vatwatch; this one knows versions up to {known}. "
            "Install that newer vatwatch again, or give this one another store path. Nothing was changed."
        )


def migrate(connection: sqlite3.Connection, migrations: Sequence[Migration] = MIGRATIONS) -> int:
    """Bring the open file to the newest layout, each step in a transaction of its own; returns the steps taken.

    A step that fails leaves the file whole at the version before it. The connection must be in autocommit mode.
    """
    version = version_of(connection)
    refuse_newer(version, len(migrations))
    for number, step in enumerate(migrations[version:], start=version + 1):
        connection.execute("BEGIN IMMEDIATE")
        try:
            step(connection)
            connection.execute(f"PRAGMA user_version = {number}")
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
    return len(migrations) - version
