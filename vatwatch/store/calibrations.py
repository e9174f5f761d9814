"""Calibrations in the store: one table of their own, beside everything else, and their exact text form.

Kept whole as JSON (shortest round-trip numbers), accepted or refused. The table is made when the store is opened for
writing and asked for only where it exists, so that it does not depend on the layout version of the other tables.
"""

from __future__ import annotations

import json
import sqlite3
from typing import Final

from pydantic import TypeAdapter, ValidationError

from vatwatch.records import Calibration

_ADAPTER: Final = TypeAdapter(Calibration)

CREATE: Final = """CREATE TABLE IF NOT EXISTS calibrations (
    -- Every calibration of every probe, in the order they became known.
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    calibration_id TEXT NOT NULL UNIQUE,
    time_ms INTEGER NOT NULL,
    probe TEXT NOT NULL,
    accepted INTEGER NOT NULL,
    calibration_json TEXT NOT NULL
)"""
_EXISTS: Final = "SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = 'calibrations'"
_INSERT: Final = (
    "INSERT INTO calibrations (calibration_id, time_ms, probe, accepted, calibration_json) VALUES (?, ?, ?, ?, ?)"
    " ON CONFLICT (calibration_id) DO NOTHING"
)
KNOWN: Final = "SELECT 1 FROM calibrations WHERE calibration_id = ?"
_SELECT: Final = "SELECT calibration_json FROM calibrations WHERE ?1 IS NULL OR probe = ?1 ORDER BY time_ms, number"


def to_json(calibration: Calibration) -> str:
    """The calibration as JSON text; `of_json` gives the same record back, every number bit for bit."""
    return _ADAPTER.dump_json(calibration).decode("utf-8")


def of_json(text: str | bytes) -> Calibration:
    """The calibration of a JSON text. Raises ValueError that says what is wrong with it."""
    try:
        found = _ADAPTER.validate_json(text, strict=True)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(str(part) for part in first["loc"]) or "the whole"
        raise ValueError(f"{where}: {first['msg']}") from error
    # What cannot be written down again as it stands (an unknown key, a number without end) was no calibration.
    if json.loads(to_json(found)) != json.loads(text):
        raise ValueError("it holds keys that are not known, lacks some, or has a number that is not finite")
    return found


def prepare(connection: sqlite3.Connection) -> None:
    """Make the table where there is none yet."""
    connection.execute(CREATE)


def insert(connection: sqlite3.Connection, calibration: Calibration) -> None:
    """Keep one calibration; one whose id is already there is passed over. Belongs inside a transaction."""
    row = (calibration.calibration_id, calibration.time_ms, calibration.probe, int(calibration.accepted))
    connection.execute(_INSERT, (*row, to_json(calibration)))


def select(connection: sqlite3.Connection, probe: str | None) -> list[Calibration]:
    """The calibrations of one probe, or of all, oldest first. None while no writer has made the table."""
    if connection.execute(_EXISTS).fetchone() is None:
        return []
    return [of_json(row[0]) for row in connection.execute(_SELECT, (probe,))]
