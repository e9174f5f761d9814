"""What the third layout added: tables that hold only what stands now. Nothing was moved."""

from __future__ import annotations

STATEMENTS = (
    """CREATE TABLE outlooks (
        -- How long each vat is thought to stay as it is: only the newest word, replaced as it changes.
        vat TEXT PRIMARY KEY,
        slot_ms INTEGER NOT NULL,
        limit_name TEXT NOT NULL,
        comes_back INTEGER NOT NULL, -- 1: the vat will be inside this limit again; 0: it will leave through it
        early_ms INTEGER NOT NULL,
        median_ms INTEGER NOT NULL,
        late_ms INTEGER
    )""",
)
