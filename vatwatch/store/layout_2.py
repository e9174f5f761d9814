"""What the second layout changed: scans and samples move from a row each into batches, chunks and rollups.

Which rows count is told by two numbers in `marks`. Scans up to `sealed_through` stand in the chunks, all above in the
hot batches; values up to `rolled_through` are in the rollups. A kill between two transactions so leaves at most chunks
that do not count yet and batches that do not count any more; both are cleared away later.
"""

from __future__ import annotations

_QUANTITIES = "ph · orp_mv · temperature_c · ph_25c · reduction_share · reduction_margin_mv"

STATEMENTS = (
    "ALTER TABLE scans RENAME TO old_scans",
    "ALTER TABLE samples RENAME TO old_samples",
    """CREATE TABLE hot_batches (
        -- Scans and samples as they came, one row per commit, until their day is over and sealed; packed.
        first_number INTEGER PRIMARY KEY, -- number of the first scan in it; the others follow on
        scans INTEGER NOT NULL,
        settings_version INTEGER NOT NULL REFERENCES settings (settings_version),
        first_slot_ms INTEGER NOT NULL,
        last_slot_ms INTEGER NOT NULL,
        late INTEGER NOT NULL, -- 1: it came after a batch with a later slot (the clock had been wrong)
        body BLOB NOT NULL
    )""",
    "CREATE INDEX late_batches ON hot_batches (first_slot_ms, last_slot_ms) WHERE late = 1",
    """CREATE TABLE sealed_chunks (
        -- Scans and samples of one vat and at most one UTC day, packed; the two larger parts are in sealed_parts.
        chunk_id INTEGER PRIMARY KEY,
        vat TEXT NOT NULL,
        first_slot_ms INTEGER NOT NULL,
        last_slot_ms INTEGER NOT NULL,
        first_number INTEGER NOT NULL,
        through_number INTEGER NOT NULL, -- sealed together up to this scan; counts once marks.sealed_through reaches it
        scans INTEGER NOT NULL,
        samples INTEGER NOT NULL,
        frame BLOB NOT NULL
    )""",
    "CREATE INDEX sealed_chunks_by_slot ON sealed_chunks (vat, first_slot_ms, last_slot_ms, through_number)",
    "CREATE INDEX sealed_chunks_by_number ON sealed_chunks (through_number)",
    """CREATE TABLE sealed_parts (
        -- part_id is 2 * chunk_id for what was judged, 2 * chunk_id + 1 for the samples.
        part_id INTEGER PRIMARY KEY,
        body BLOB NOT NULL
    )""",
    """CREATE TABLE stray_samples (
        -- Samples whose own time lies more than an hour before their slot, or after it: also kept here, to be found.
        vat TEXT NOT NULL,
        time_ms INTEGER NOT NULL,
        scan_number INTEGER NOT NULL,
        place INTEGER NOT NULL,
        probe TEXT NOT NULL,
        signal TEXT NOT NULL,
        value,
        flag INTEGER NOT NULL,
        reason TEXT NOT NULL,
        PRIMARY KEY (vat, time_ms, scan_number, place)
    ) WITHOUT ROWID""",
    f"""CREATE TABLE rollups (
        -- Per vat, quantity and UTC hour: how many values, the lowest, the highest, their sum. An hour may have more
        -- than one row (late scans): add them up, or use the view readable_hours.
        -- quantity: {_QUANTITIES}
        vat TEXT NOT NULL,
        quantity TEXT NOT NULL,
        hour_ms INTEGER NOT NULL,
        through_number INTEGER NOT NULL,
        count INTEGER NOT NULL,
        low REAL NOT NULL,
        high REAL NOT NULL,
        total REAL NOT NULL,
        PRIMARY KEY (vat, quantity, hour_ms, through_number)
    ) WITHOUT ROWID""",
    """CREATE TABLE marks (
        -- How far sealing and rolling up have come, as numbers of scans. One row.
        only INTEGER PRIMARY KEY CHECK (only = 1),
        sealed_through INTEGER NOT NULL,
        rolled_through INTEGER NOT NULL,
        given_through INTEGER NOT NULL -- no scan to come gets a number up to this (after a salvage)
    )""",
    "INSERT INTO marks VALUES (1, 0, 0, 0)",
    """CREATE TABLE known_vats (
        -- Every vat ever scanned, with its first slot and the newest one in a chunk.
        vat TEXT PRIMARY KEY,
        first_slot_ms INTEGER NOT NULL,
        sealed_slot_ms INTEGER
    )""",
    # Alarm events and pushes keep the number of their scan, but scans no longer have a row each to refer to.
    """CREATE TABLE new_alarm_events (
        -- Every transition of every alarm, with the number of the scan that caused it.
        number INTEGER PRIMARY KEY AUTOINCREMENT,
        scan_number INTEGER NOT NULL,
        slot_ms INTEGER NOT NULL,
        vat TEXT NOT NULL,
        alarm TEXT NOT NULL,
        occurrence INTEGER NOT NULL,
        transition TEXT NOT NULL,
        from_state TEXT NOT NULL,
        to_state TEXT NOT NULL,
        value, -- value and limit_value in the unit of the alarm's own quantity
        limit_value,
        by_whom TEXT NOT NULL
    )""",
    """CREATE TABLE new_pushes (
        -- Every message meant for a phone, whole, with the number of the scan that caused it.
        number INTEGER PRIMARY KEY AUTOINCREMENT,
        scan_number INTEGER NOT NULL,
        push_id TEXT NOT NULL,
        slot_ms INTEGER NOT NULL,
        vat TEXT NOT NULL,
        alarm TEXT NOT NULL,
        urgency TEXT NOT NULL,
        title TEXT NOT NULL,
        body TEXT NOT NULL,
        chart TEXT NOT NULL
    )""",
    "INSERT INTO new_alarm_events SELECT * FROM alarm_events",
    "INSERT INTO new_pushes SELECT * FROM pushes",
    # A number once given is never given again, also when its row is gone.
    "DELETE FROM sqlite_sequence WHERE name IN ('new_alarm_events', 'new_pushes')",
    """INSERT INTO sqlite_sequence
        SELECT 'new_' || name, seq FROM sqlite_sequence WHERE name IN ('alarm_events', 'pushes')""",
    "DROP TABLE alarm_events",
    "DROP TABLE pushes",
    "ALTER TABLE new_alarm_events RENAME TO alarm_events",
    "ALTER TABLE new_pushes RENAME TO pushes",
    "CREATE INDEX alarm_events_of_scan ON alarm_events (scan_number)",
    "CREATE INDEX alarm_events_of_alarm ON alarm_events (vat, alarm)",
    "CREATE INDEX alarm_events_by_slot ON alarm_events (slot_ms)",
    "CREATE INDEX pushes_of_scan ON pushes (scan_number)",
    "CREATE INDEX pushes_by_slot ON pushes (slot_ms)",
    # For whoever opens the file with a database browser. Times are UTC.
    """CREATE VIEW readable_hours AS
        -- Lowest, mean and highest value per vat, quantity and hour.
        SELECT datetime(hour_ms / 1000, 'unixepoch') AS hour_utc, vat, quantity, sum(count) AS count,
            min(low) AS low, sum(total) / sum(count) AS mean, max(high) AS high
        FROM rollups GROUP BY vat, quantity, hour_ms""",
    """CREATE VIEW readable_journal AS
        -- What dyers did and saw.
        SELECT datetime(time_ms / 1000, 'unixepoch') AS time_utc, vat, kind, what, grams, litres, minutes, text, by_whom
        FROM journal ORDER BY time_ms, number""",
    """CREATE VIEW readable_alarms AS
        -- Every transition of every alarm.
        SELECT datetime(slot_ms / 1000, 'unixepoch') AS time_utc, vat, alarm, occurrence, transition, from_state,
            to_state, value, limit_value, by_whom
        FROM alarm_events ORDER BY slot_ms, number""",
    """CREATE VIEW readable_pushes AS
        -- Every message meant for a phone.
        SELECT datetime(slot_ms / 1000, 'unixepoch') AS time_utc, vat, urgency, alarm, title, body
        FROM pushes ORDER BY slot_ms, number""",
    """CREATE VIEW readable_chunks AS
        -- What is sealed: per vat and day, scans and samples, and the bytes they take.
        SELECT date(first_slot_ms / 1000, 'unixepoch') AS day_utc, vat, sum(scans) AS scans, sum(samples) AS samples,
            sum(length(frame) + (SELECT sum(length(body)) FROM sealed_parts
                WHERE part_id BETWEEN 2 * chunk_id AND 2 * chunk_id + 1)) AS bytes
        FROM sealed_chunks WHERE through_number <= (SELECT sealed_through FROM marks)
        GROUP BY day_utc, vat ORDER BY day_utc, vat""",
)

NOTHING_TO_CONVERT = (
    # The counter of the old scans goes on, should rows once have been taken out of them.
    "UPDATE marks SET sealed_through = coalesce((SELECT seq FROM sqlite_sequence WHERE name = 'old_scans'), 0)",
    "UPDATE marks SET rolled_through = sealed_through",
    "DROP TABLE old_samples",
    "DROP TABLE old_scans",
)
