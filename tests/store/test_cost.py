"""What a durable commit costs here; printed for the reader, never asserted, because it is the disk's figure."""

from __future__ import annotations

import os
import time
from pathlib import Path
from statistics import median

import pytest

from tests.store.batches import SLOT_MS, batch_of
from vatwatch.records import Batch
from vatwatch.store.reading import StoreReader
from vatwatch.store.writing import StoreWriter

SCANS = 300


def test_cost_of_an_append(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "store.db"
    made = [batch_of(place * SLOT_MS) for place in range(1, SCANS + 1)]
    plain = [Batch(batch.slot_ms, 1, batch.steps) for batch in made]
    with StoreWriter.open(path) as writer, (tmp_path / "raw").open("ab", buffering=0) as raw:
        writer.record_settings(0, "{}", [])
        append_us, raw_us = [], []
        for batch in plain:
            start = time.perf_counter()
            writer.append(batch)
            append_us.append((time.perf_counter() - start) * 1e6)
            start = time.perf_counter()
            raw.write(b"\0" * 180)
            os.fdatasync(raw.fileno())
            raw_us.append((time.perf_counter() - start) * 1e6)
    with capsys.disabled():
        print(
            f"\nstore: append of 6 vats x 3 quantities, FULL: median {median(append_us):.0f} µs, "
            f"raw append + fdatasync beside it: median {median(raw_us):.0f} µs; "
            f"{path.stat().st_size / SCANS:.0f} bytes per scan of six vats"
        )
    with StoreReader(path) as reader:
        assert reader.span() == (SLOT_MS, SCANS * SLOT_MS)
