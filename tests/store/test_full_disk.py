"""A disk without room: the batch is refused whole, nothing before it is lost, and it goes on once there is room."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.store.batches import FOR_EVER_MS, SIX_VATS, SLOT_MS, batch_of
from vatwatch.errors import StoreError, StoreFull
from vatwatch.records import Delivery, JournalEntry
from vatwatch.store import inbox
from vatwatch.store.reading import StoreReader
from vatwatch.store.writing import StoreWriter
from vatwatch.terms import EntryKind, Stream


@dataclass
class SmallDisk:
    """A mounted tmpfs of 6 MiB and a ballast file that takes up what is left."""

    root: Path

    def fill(self) -> None:
        with (self.root / "ballast").open("ab", buffering=0) as ballast, suppress(OSError):
            while True:
                ballast.write(b"\0" * 4096)
        room = os.statvfs(self.root)
        assert room.f_bavail == 0

    def make_room(self) -> None:
        (self.root / "ballast").unlink()


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[SmallDisk]:
    mount, umount = shutil.which("mount"), shutil.which("umount")
    root = tmp_path / "card"
    root.mkdir()
    command = [str(mount), "-t", "tmpfs", "-o", "size=6m", "tmpfs", str(root)]
    if mount is None or umount is None or subprocess.run(command, capture_output=True, check=False).returncode != 0:
        pytest.skip("mounting a tmpfs needs root; the page-limit form of this test stands in for it and always runs")
    try:
        yield SmallDisk(root)
    finally:
        subprocess.run([umount, str(root)], check=True)


def append_until_full(writer: StoreWriter, from_slot: int) -> int:
    """Appends slot after slot; returns the one that was refused for want of room."""
    for place in range(from_slot, from_slot + 20_000):
        try:
            writer.append(batch_of(place * SLOT_MS))
        except StoreFull:
            return place
    raise AssertionError("the disk never filled up")


def assert_whole(path: Path, slots: int) -> None:
    with StoreReader(path) as reader:
        expected = [batch_of(place * SLOT_MS) for place in range(1, slots + 1)]
        for index, vat in enumerate(SIX_VATS):
            kept = list(reader.replay_slots(vat, 0, FOR_EVER_MS))
            assert [slot.scan for slot in kept] == [batch.steps[index].scan for batch in expected]
            assert [slot.samples for slot in kept] == [batch.steps[index].samples for batch in expected]
        assert reader.journal(None, 0, FOR_EVER_MS) == [entry for batch in expected for entry in batch.journal]
        assert [reader.newest(stream) for stream in (Stream.SCANS, Stream.ALARM_EVENTS)] == [6 * slots, 6 * slots]
    connection = sqlite3.connect(path)
    assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    connection.close()


def test_a_file_that_may_not_grow(tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    with StoreWriter.open(path) as writer:
        writer.record_settings(0, "{}", [])
        writer._connection.execute("PRAGMA max_page_count = 150").fetchone()
        refused = append_until_full(writer, 1)
        assert refused > 10
        with pytest.raises(StoreFull):
            writer.append(batch_of(refused * SLOT_MS))
        assert_whole(path, refused - 1)
        writer._connection.execute("PRAGMA max_page_count = 100000").fetchone()
        writer.append(batch_of(refused * SLOT_MS))
        writer.append(batch_of((refused + 1) * SLOT_MS))
        with pytest.raises(StoreError, match="already stored"):
            writer.append(batch_of(refused * SLOT_MS))
    assert_whole(path, refused + 1)


def test_a_card_that_is_full(small_disk: SmallDisk) -> None:
    path = small_disk.root / "store.db"
    with StoreWriter.open(path) as writer:
        writer.record_settings(0, "{}", [])
        for place in range(1, 21):
            writer.append(batch_of(place * SLOT_MS))
        small_disk.fill()
        refused = append_until_full(writer, 21)
        for _ in range(3):
            with pytest.raises(StoreFull):
                writer.append(batch_of(refused * SLOT_MS))
        assert_whole(path, refused - 1)
        small_disk.make_room()
        writer.append(batch_of(refused * SLOT_MS))
        assert_whole(path, refused)
        refused = append_until_full(writer, refused + 1)
    assert_whole(path, refused - 1)


def test_a_full_card_when_the_daemon_starts(small_disk: SmallDisk) -> None:
    small_disk.fill()
    path = small_disk.root / "store.db"
    with pytest.raises(StoreFull):
        StoreWriter.open(path)
    small_disk.make_room()
    with StoreWriter.open(path) as writer:
        writer.record_settings(0, "{}", [])
        writer.append(batch_of(SLOT_MS))
    small_disk.fill()
    # The shared index beside the store cannot be made; SQLite calls that an input/output error.
    with pytest.raises(StoreFull) as refusal:
        StoreWriter.open(path)
    assert isinstance(refusal.value.__cause__, sqlite3.Error)
    assert refusal.value.__cause__.sqlite_errorcode & 0xFF != sqlite3.SQLITE_FULL
    small_disk.make_room()
    StoreWriter.open(path).close()
    assert_whole(path, 1)


def test_a_delivery_and_an_entry_on_a_full_card(small_disk: SmallDisk) -> None:
    path, spool = small_disk.root / "store.db", small_disk.root / "spool"
    entry = JournalEntry("e", 1, 1, "vat1", EntryKind.NOTE, text="x" * 9000)
    spool.mkdir()
    with StoreWriter.open(path) as writer:
        small_disk.fill()
        # Longer than what the write-ahead log already has room for.
        delivery = Delivery("phone", Stream.PUSHES, 1, last_error="x" * 500_000)
        with pytest.raises(StoreFull, match="no room left"):
            writer.record_delivery(delivery)
        with pytest.raises(StoreFull):
            inbox.drop(spool, entry)
        assert list(spool.iterdir()) == []
        small_disk.make_room()
        writer.record_delivery(delivery)
        inbox.drop(spool, entry)
        assert [found for _, found in inbox.collect(spool)] == [entry]
