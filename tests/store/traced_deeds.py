"""Deeds to an end, for a trace of their writes: `python -m tests.store.traced_deeds DEED STORE`. One thread only."""

from __future__ import annotations

import sys
from pathlib import Path

from tests.store.batches import SLOT_MS, batch_of
from tests.store.killed_deeds import LONG_DAY, SHORT_DAY, begun, say, slots_per_day
from vatwatch.records import Delivery
from vatwatch.store import converting
from vatwatch.store.backup import backup
from vatwatch.store.writing import StoreWriter
from vatwatch.terms import Stream


def append(path: Path, slots: int) -> None:
    """Some slots, the store closed and opened again half way."""
    for _ in range(2):
        writer, slot_ms = begun(path)
        for _ in range(slots // 2):
            slot_ms += SLOT_MS
            writer.append(batch_of(slot_ms))
            say(f"slot {slot_ms}")
            writer.record_delivery(Delivery("mqtt", Stream.SCANS, slot_ms))
        writer.close()


def main(deed: str, path: Path) -> None:
    slots_per_day(LONG_DAY if deed == "ingest" else SHORT_DAY)
    if deed in ("ingest", "seal"):
        append(path, 120)
    elif deed == "migrate":
        converting.STRETCH_SCANS = 40
        StoreWriter.open(path).close()
        say("migrated")
    elif deed == "back up":
        for number in range(3):
            made = backup(path, path.with_name(f"copy-{number}.db"))
            say(f"copied copy-{number}.db {made.newest_slot_ms}")


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]))
