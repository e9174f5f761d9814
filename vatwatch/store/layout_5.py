"""What the fifth layout added: per vat and hour how many scans said what of it, so that a season's hours are no walk."""

from __future__ import annotations

STATEMENTS = (
    """CREATE TABLE condition_words (
        -- Every condition that occurred, with everything the vat fell short of beside it; its number is its own for ever.
        word_id INTEGER PRIMARY KEY,
        condition TEXT NOT NULL,
        shortfalls_json TEXT NOT NULL,
        UNIQUE (condition, shortfalls_json)
    )""",
    """CREATE TABLE condition_hours (
        -- Scans by vat, UTC hour (the one in which the slot lies) and condition. An hour may have more than one row for a
        -- condition: add them up. step_ms is the usual step between scans there; 0 where there was only one.
        vat TEXT NOT NULL,
        hour INTEGER NOT NULL, -- hours since 1970
        through_number INTEGER NOT NULL,
        word_id INTEGER NOT NULL,
        scans INTEGER NOT NULL,
        step_ms INTEGER NOT NULL,
        PRIMARY KEY (vat, hour, through_number, word_id)
    ) WITHOUT ROWID""",
    # Scans up to this number were rolled up before there were such rows: they are counted from the chunks when asked for.
    "ALTER TABLE marks ADD COLUMN uncounted_through INTEGER NOT NULL DEFAULT 0",
    "UPDATE marks SET uncounted_through = rolled_through",
    """CREATE VIEW readable_conditions AS
        -- Scans per vat, hour and condition.
        SELECT datetime(hour * 3600, 'unixepoch') AS hour_utc, vat, condition, shortfalls_json AS short_of,
            sum(scans) AS scans
        FROM condition_hours NATURAL JOIN condition_words GROUP BY vat, hour, condition, shortfalls_json""",
)
