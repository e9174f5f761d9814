"""A vat whose meter gives many samples to a scan: what is kept opened of its record is bounded by samples too."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.benchmarks.export.__main__ import A_SLOT, make
from tests.store.batches import FOR_EVER_MS
from vatwatch.store import shelf
from vatwatch.store.reading import StoreReader

A_DAY = 1440


def test_opened_chunks_are_bounded_by_their_samples(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "store.db"
    make(path, 2 * A_DAY + 300)
    monkeypatch.setattr(shelf, "MOST_SAMPLES_AT_HAND", A_DAY * A_SLOT + 1)
    held, count = [], 0
    with StoreReader(path) as reader:
        opened = reader._shelf._at_hand
        for slot in reader.replay_slots("tub", 0, FOR_EVER_MS):
            count += len(slot.samples)
            held.append(sum(chunk.samples_held for chunk in opened.values()))
    assert count == (2 * A_DAY + 300) * A_SLOT
    assert max(held) <= A_DAY * A_SLOT + 1
    assert max(held) > 300 * A_SLOT, "a record of which nothing is opened proves nothing"
