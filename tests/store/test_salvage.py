"""A damaged store is set aside, what can be read is taken over exactly, what is lost is said, and the watch goes on."""

from __future__ import annotations

import random
import sqlite3
from pathlib import Path

import pytest

from tests.store.batches import FOR_EVER_MS, SIX_VATS, SLOT_MS, batch_of, card_of, shorten_days
from vatwatch.errors import StoreError
from vatwatch.records import Delivery
from vatwatch.store import backup, inspection, salvage
from vatwatch.store.reading import StoreReader
from vatwatch.store.salvage import open_or_salvage
from vatwatch.store.writing import StoreWriter
from vatwatch.terms import Quantity, Stream

PAGE = 4096
SLOTS = 300


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """The bytes of a store with chunks, rollups and hot batches."""
    path = tmp_path_factory.mktemp("whole") / "store.db"
    with pytest.MonkeyPatch.context() as patch:
        shorten_days(patch, 40 * SLOT_MS)
        with StoreWriter.open(path) as writer:
            writer.record_settings(0, "{}", [card_of(vat) for vat in SIX_VATS])
            for place in range(1, SLOTS + 1):
                writer.append(batch_of(place * SLOT_MS))
            writer.record_delivery(Delivery("mqtt", Stream.SCANS, 6 * SLOTS))
            writer.seal_all()
    return path.read_bytes()


def pages_of(path: Path, table: str) -> list[int]:
    connection = sqlite3.connect(path)
    try:
        (root,) = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = ?", (table,)).fetchone()
    finally:
        connection.close()
    return [int(root)]


def spoil(path: Path, pages: list[int]) -> None:
    content = bytearray(path.read_bytes())
    for page in pages:
        content[(page - 1) * PAGE : (page - 1) * PAGE + 200] = b"\xa5" * 200
    path.write_bytes(content)


def assert_truthful(path: Path) -> int:
    """Whatever the store gives is what was written; returns how many slots of vat3 are there."""
    with StoreReader(path) as reader:
        kept = list(reader.replay_slots("vat3", 0, FOR_EVER_MS))
        for slot in kept:
            step = batch_of(slot.slot_ms).steps[2]
            assert (slot.scan, slot.samples) == (step.scan, step.samples)
        slots = {slot.slot_ms for slot in kept}
        assert len(slots) == len(kept)
        list(reader.samples("vat3", 0, FOR_EVER_MS))
        list(reader.rows_after(Stream.SCANS, 0, 10**6))
        reader.curve("vat3", Quantity.PH, 0, 10**9, 5)
        assert reader.rows_after(Stream.SCANS, 6 * SLOTS, 1) == []
    return len(kept)


def test_a_sound_store_is_opened_as_ever(tmp_path: Path, whole: bytes) -> None:
    path = tmp_path / "store.db"
    path.write_bytes(whole)
    writer, salvaged = open_or_salvage(path)
    writer.close()
    assert salvaged is None
    assert assert_truthful(path) == SLOTS


@pytest.mark.parametrize(
    "table", ["rollups", "journal", "alarm_events", "deliveries", "hot_batches", "settings", "marks"]
)
def test_a_table_that_cannot_be_read_does_not_take_the_others_along(tmp_path: Path, whole: bytes, table: str) -> None:
    path = tmp_path / "store.db"
    path.write_bytes(whole)
    spoil(path, pages_of(path, table))
    spoilt = path.read_bytes()
    with pytest.raises(StoreError, match="damaged"):
        StoreWriter.open(path)
    writer, salvaged = open_or_salvage(path)
    assert salvaged is not None
    assert salvaged.aside is not None
    assert salvaged.aside.name.startswith("store-damaged-")
    assert salvaged.aside.read_bytes() == spoilt
    assert str(salvaged.aside) in salvaged.told()
    assert table in salvaged.gaps
    with writer:
        # The watch goes on, with numbers that no outlet has met.
        newest = writer._next_number
        writer.append(batch_of((SLOTS + 1) * SLOT_MS, settings_version=writer.record_settings(0, "{}", [])))
    if table != "deliveries":
        assert newest > 6 * SLOTS
    with StoreReader(path) as reader:
        assert len(reader.rows_after(Stream.SCANS, newest - 1, 10)) == 6
        counted = sum(point.count for point in reader.curve("vat3", Quantity.PH, 0, 10**9, 5))
        there = len(list(reader.scans("vat3", 0, FOR_EVER_MS)))
    assert there == (SLOTS + 1 if table != "hot_batches" else there)
    assert there > SLOTS // 2
    if table != "hot_batches":
        assert counted == there
    connection = sqlite3.connect(path)
    assert inspection.whole(connection) == ""
    connection.close()


def test_whatever_pages_are_spoilt_what_is_left_is_true(tmp_path: Path, whole: bytes) -> None:
    chance = random.Random(5)
    slots = []
    for number in range(25):
        path = tmp_path / str(number) / "store.db"
        path.parent.mkdir()
        path.write_bytes(whole)
        spoil(path, chance.sample(range(2, len(whole) // PAGE + 1), chance.choice((1, 3, 12))))
        writer, salvaged = open_or_salvage(path)
        writer.close()
        if salvaged is None:
            continue  # only free pages were hit
        assert salvaged.aside is not None
        assert salvaged.aside.exists()
        slots.append(assert_truthful(path))
    assert len(slots) > 10
    assert max(slots) == SLOTS
    assert sum(slots) > len(slots) * SLOTS // 2


def test_not_even_the_first_page(tmp_path: Path, whole: bytes) -> None:
    path = tmp_path / "store.db"
    path.write_bytes(whole[:100] + b"\xa5" * (PAGE - 100) + whole[PAGE:])
    writer, salvaged = open_or_salvage(path)
    with writer:
        assert salvaged is not None
        writer.record_settings(0, "{}", [])
        writer.append(batch_of(SLOT_MS))


def test_a_salvage_killed_before_its_last_step_is_ended_at_the_next_start(
    tmp_path: Path, whole: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "store.db"
    path.write_bytes(whole)
    spoil(path, pages_of(path, "journal"))

    def killed(store: Path, why: str) -> Path:
        real(store, why)
        raise KeyboardInterrupt

    real = backup.set_store_aside
    monkeypatch.setattr(salvage, "set_store_aside", killed)
    with pytest.raises(KeyboardInterrupt):
        open_or_salvage(path)
    assert not path.exists()
    monkeypatch.undo()
    writer, _ = open_or_salvage(path)
    writer.close()
    assert assert_truthful(path) == SLOTS
