"""What the fourth layout added: rows that an outlet refused, each with its reason; and scans of a doubtful clock."""

from __future__ import annotations

STATEMENTS = (
    """CREATE TABLE rejected_rows (
        -- Rows of a stream that an outlet's peer refused: left out there for good, still whole in the store itself.
        number INTEGER PRIMARY KEY AUTOINCREMENT,
        outlet TEXT NOT NULL,
        stream TEXT NOT NULL,
        row_number INTEGER NOT NULL,
        time_ms INTEGER NOT NULL,
        reason TEXT NOT NULL,
        UNIQUE (outlet, stream, row_number)
    )""",
    """CREATE TABLE clock_doubt (
        -- One row while the newest scans bear times of a clock that is not known to be right: they are kept from the
        -- outlets, and get their true times once these are known. None when all times are good.
        only INTEGER PRIMARY KEY CHECK (only = 1),
        after_number INTEGER NOT NULL, -- the last scan whose time is good, as all before it
        after_slot_ms INTEGER NOT NULL, -- its slot; 0 when there is none
        after_journal INTEGER NOT NULL, -- the same for journal entries …
        after_alarm_event INTEGER NOT NULL -- … and for alarm events
    )""",
    """CREATE VIEW readable_rejected AS
        -- What outlets refused, and why.
        SELECT datetime(time_ms / 1000, 'unixepoch') AS time_utc, outlet, stream, row_number, reason
        FROM rejected_rows ORDER BY number""",
)
