"""A process that writes batches until it is killed: `python -m tests.store.killed_writer STORE`.

It goes on after the last stored slot and prints every slot once its commit has returned, one per line. Its days are
of twenty slots, so that it seals most of the time.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

from tests.store.batches import SLOT_MS, batch_of
from vatwatch.records import Delivery
from vatwatch.store import sealing
from vatwatch.store.reading import StoreReader
from vatwatch.store.writing import StoreWriter
from vatwatch.terms import Stream


def main(path: Path) -> None:
    sealing.DAY_MS, sealing.HOUR_MS = 20 * SLOT_MS, 5 * SLOT_MS
    sealing.CHUNK_SCANS, sealing.SEAL_SCANS = 12, 60
    writer = StoreWriter.open(path)
    writer.record_settings(0, "{}", [])
    with StoreReader(path) as reader:
        span = reader.span()
    slot_ms = span[1] if span else 0
    while True:
        slot_ms += SLOT_MS
        writer.append(batch_of(slot_ms))
        os.write(1, f"{slot_ms}\n".encode())
        writer.record_delivery(Delivery("mqtt", Stream.SCANS, slot_ms))


if __name__ == "__main__":
    main(Path(sys.argv[1]))
