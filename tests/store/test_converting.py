"""A file of the first layout is brought up to date: every answer as before, also when killed on the way."""

from __future__ import annotations

import os
import random
import sqlite3
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from tests.store.batches import FOR_EVER_MS, SIX_VATS, SLOT_MS, batch_of
from tests.store.first_layout import write_first_layout
from vatwatch.errors import StoreError
from vatwatch.records import Batch, Sample
from vatwatch.store import converting, schema
from vatwatch.store.reading import StoreReader
from vatwatch.store.writing import StoreWriter
from vatwatch.terms import Quantity, Signal, Stream

ROOT = Path(__file__).parents[2]
DAY_MS = 86_400_000


def season(slots: int) -> list[Batch]:
    """Slots over three days, with a probe that comes in half-way, a late sample, and slots out of order at the end."""
    made = []
    for place in range(1, slots + 1):
        batch = batch_of(place * SLOT_MS + 3 * place // slots * DAY_MS)
        if place > slots // 2:
            first = batch.steps[0]
            new = Sample(batch.slot_ms - 9, "vat1", "second", Signal.PT100_OHM, 110.25, first.samples[0].flag)
            old = Sample(batch.slot_ms - 2 * DAY_MS, "vat1", "second", Signal.PT100_OHM, None, reason="late")
            first = replace(first, samples=(*first.samples, new, old))
            batch = replace(batch, steps=(first, *batch.steps[1:]))
        made.append(batch)
    made.append(batch_of(5))
    return made


def assert_whole(path: Path, made: list[Batch]) -> None:
    by_slot = sorted(made, key=lambda batch: batch.slot_ms)
    with StoreReader(path) as reader:
        for index, vat in enumerate(SIX_VATS):
            kept = list(reader.replay_slots(vat, -(2**62), FOR_EVER_MS))
            assert [slot.scan for slot in kept] == [batch.steps[index].scan for batch in by_slot]
            assert [slot.samples for slot in kept] == [batch.steps[index].samples for batch in by_slot]
            assert [slot.alarm_events for slot in kept] == [batch.steps[index].alarm_events for batch in by_slot]
            assert [slot.pushes for slot in kept] == [batch.steps[index].pushes for batch in by_slot]
        given = {sample for batch in made for sample in batch.steps[0].samples}
        found = list(reader.samples("vat1", -(2**62), FOR_EVER_MS))
        assert len(found) == len(given) == len(set(found))
        assert set(found) == given
        assert [sample.time_ms for sample in found] == sorted(sample.time_ms for sample in found)
        streamed = [row.record for row in reader.rows_after(Stream.SCANS, 0, 10**6)]
        assert streamed == [step.scan for batch in made for step in batch.steps]
        numbers = [row.number for row in reader.rows_after(Stream.SCANS, 0, 10**6)]
        assert numbers == list(range(1, len(streamed) + 1))
        assert reader.span() == (by_slot[0].slot_ms, by_slot[-1].slot_ms)
        points = reader.curve("vat2", Quantity.PH, 0, 4 * DAY_MS, 4)
        values = [batch.steps[1].scan.ph.value for batch in made]
        assert sum(point.count for point in points) == len(values)
        assert min(point.low for point in points) == min(value for value in values if value is not None)
        assert reader.journal(None, -(2**62), FOR_EVER_MS) == [entry for batch in by_slot for entry in batch.journal]
    connection = sqlite3.connect(path)
    assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
    assert not connection.execute(
        "SELECT name FROM sqlite_master WHERE name LIKE 'old%' OR name LIKE 'new%'"
    ).fetchall()
    connection.close()


@pytest.mark.parametrize("stretch", [7, 20_000])
def test_the_first_layout_becomes_the_second(tmp_path: Path, stretch: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(converting, "STRETCH_SCANS", stretch)
    made = season(40)
    path = tmp_path / "store.db"
    write_first_layout(path, made)
    with pytest.raises(StoreError, match="layout version 1"):
        StoreReader(path)
    with StoreWriter.open(path) as writer:
        assert_whole(path, made)
        more = batch_of(4 * DAY_MS - SLOT_MS)
        writer.append(more)
        with pytest.raises(StoreError, match="already stored"):
            writer.append(made[3])
        writer.seal_all()
    assert_whole(path, [*made, more])


def test_an_empty_file_of_the_first_layout(tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    write_first_layout(path, [])
    with StoreWriter.open(path) as writer:
        writer.append(batch_of(SLOT_MS))
    with StoreReader(path) as reader:
        assert reader.newest(Stream.SCANS) == 6


def test_numbers_go_on_where_the_first_layout_ended(tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    write_first_layout(path, [batch_of(SLOT_MS), batch_of(2 * SLOT_MS)])
    connection = sqlite3.connect(path)
    for table in (
        "samples WHERE scan_number",
        "alarm_events WHERE scan_number",
        "pushes WHERE scan_number",
        "scans WHERE number",
    ):
        connection.execute(f"DELETE FROM {table} > 6")  # noqa: S608
    connection.commit()
    connection.close()
    with StoreWriter.open(path) as writer:
        writer.append(batch_of(3 * SLOT_MS))
    with StoreReader(path) as reader:
        assert [row.number for row in reader.rows_after(Stream.SCANS, 6, 9)] == [13, 14, 15, 16, 17, 18]
        assert [row.number for row in reader.rows_after(Stream.ALARM_EVENTS, 6, 9)] == [13, 14, 15, 16, 17, 18]


def kill_while_converting(directory: Path, rounds: int, seed: int) -> int:
    """Converts file after file, killing the process until each is done; returns how many kills hit the middle."""
    chance = random.Random(seed)
    made = season(60)
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    in_the_middle = kills = 0
    number = 0
    while kills < rounds:
        path = directory / f"{number}.db"
        number += 1
        write_first_layout(path, made)
        while True:
            command = [sys.executable, "-m", "tests.store.first_layout", str(path)]
            with subprocess.Popen(command, cwd=ROOT, env=environment) as process:
                try:
                    assert process.wait(chance.uniform(0.15, 0.6)) == 0
                    break
                except subprocess.TimeoutExpired:
                    process.kill()
                    kills += 1
            connection = sqlite3.connect(path)
            half = schema.version_of(connection) >= 2 and schema.half_converted(connection)
            connection.close()
            in_the_middle += half
            if half:
                with pytest.raises(StoreError, match="brings the store up to date"):
                    StoreReader(path)
        assert_whole(path, made)
    return in_the_middle


def test_killed_while_converting(tmp_path: Path) -> None:
    assert kill_while_converting(tmp_path, 12, seed=3) >= 1


@pytest.mark.long
def test_killed_two_hundred_times_while_converting(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    middle = kill_while_converting(tmp_path, 200, seed=4)
    with capsys.disabled():
        print(f"\n200 kills while converting, {middle} of them found the file half way")
    assert middle >= 20
