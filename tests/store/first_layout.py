"""Makes a file of the first layout, as vatwatch 0.1 wrote it. `python -m tests.store.first_layout STORE` opens one.

Run so, it brings the file up to date a few scans at a time, so that a kill finds it in the middle.
"""

from __future__ import annotations

import sqlite3
import sys
from collections.abc import Iterable
from pathlib import Path

from vatwatch.records import Batch
from vatwatch.store import columns, converting, layout_1, rows, schema, statements
from vatwatch.store.writing import StoreWriter

_SCAN = statements.insert("scans", ("settings_version", *columns.SCAN))
_SAMPLE = statements.insert("samples", ("scan_number", *columns.SAMPLE))


def write_first_layout(path: Path, batches: Iterable[Batch]) -> None:
    """A store of version 1 with these batches in it, and settings version 1."""
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("BEGIN")
    connection.execute(f"PRAGMA application_id = {schema.APPLICATION_ID}")
    connection.execute("PRAGMA user_version = 1")
    for statement in layout_1.STATEMENTS:
        connection.execute(statement)
    connection.execute("INSERT INTO settings (slot_ms, settings_json) VALUES (0, '{}')")
    for batch in batches:
        for step in batch.steps:
            number = connection.execute(_SCAN, (batch.settings_version, *rows.scan_row(step.scan))).lastrowid
            connection.executemany(_SAMPLE, [(number, *rows.sample_row(sample)) for sample in step.samples])
            for event in step.alarm_events:
                connection.execute(statements.INSERT_ALARM_EVENT, (number, *rows.alarm_event_row(event)))
            for push in step.pushes:
                connection.execute(statements.INSERT_PUSH, (number, *rows.push_row(push)))
        for entry in batch.journal:
            connection.execute(statements.INSERT_JOURNAL, (batch.slot_ms, *rows.journal_row(entry)))
        for action in batch.actions:
            connection.execute(statements.INSERT_ACTION, (batch.slot_ms, *rows.action_row(action)))
        for port_event in batch.port_events:
            connection.execute(statements.INSERT_PORT_EVENT, (batch.slot_ms, *rows.port_event_row(port_event)))
        for vat, state_json in batch.state_snapshots.items():
            connection.execute(statements.REPLACE_SNAPSHOT, (vat, batch.slot_ms, state_json))
    connection.execute("COMMIT")
    connection.close()


if __name__ == "__main__":
    converting.STRETCH_SCANS = 13
    StoreWriter.open(Path(sys.argv[1])).close()
