"""kill -9 of the writing process: no acknowledged batch is lost, none is doubled, none is there by half.

This shows what a killed process leaves. A pulled plug is another matter: there the disk's own word on fsync counts.
"""

from __future__ import annotations

import os
import random
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.store.batches import FOR_EVER_MS, SIX_VATS, SLOT_MS, batch_of
from vatwatch.records import Stream
from vatwatch.store.reading import ReplaySlot, StoreReader
from vatwatch.store.writing import StoreWriter

ROOT = Path(__file__).parents[2]
START_UP_S = 0.6
"""Longer than the child needs to its first commit on a slow machine, so that some kills hit the opening."""


def write_and_kill(path: Path, chance: random.Random) -> list[int]:
    """Runs the writer on `path`, kills it at a random moment; returns the slots it said were committed."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-m", "tests.store.killed_writer", str(path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, cwd=ROOT, env=environment) as process:
        assert process.stdout is not None
        said = b""
        if chance.random() < 0.4:
            time.sleep(chance.uniform(0, START_UP_S))
        else:
            for _ in range(chance.randint(1, 25)):
                said += process.stdout.readline()
            time.sleep(chance.uniform(0, 0.004))
        assert process.poll() is None, "the writer must not end by itself"
        process.kill()
        said += process.stdout.read()
    return [int(line) for line in said.split(b"\n")[:-1]]


def expected_slot(slot_ms: int, vat: str) -> ReplaySlot:
    batch = batch_of(slot_ms)
    step = batch.steps[SIX_VATS.index(vat)]
    mine = vat == SIX_VATS[0]
    return ReplaySlot(
        slot_ms,
        1,
        step.samples,
        batch.journal if mine else (),
        batch.actions if mine else (),
        step.scan,
        step.alarm_events,
        step.pushes,
    )


def assert_nothing_lost(path: Path, acknowledged: list[int], checked_ms: int) -> int:
    """Compares what is stored after `checked_ms` with what was written; returns the last stored slot."""
    with StoreWriter.open(path), StoreReader(path) as reader:
        span = reader.span()
        last_ms = span[1] if span else 0
        said_ms = max(acknowledged, default=checked_ms)
        assert said_ms <= last_ms <= said_ms + SLOT_MS
        slots = range(checked_ms + SLOT_MS, last_ms + 1, SLOT_MS)
        for vat in SIX_VATS:
            kept = list(reader.replay_slots(vat, checked_ms + 1, FOR_EVER_MS))
            assert kept == [expected_slot(slot_ms, vat) for slot_ms in slots]
        count = last_ms // SLOT_MS
        newest = [reader.newest(stream) for stream in (Stream.SCANS, Stream.ALARM_EVENTS, Stream.JOURNAL)]
        assert newest == [6 * count, 6 * count, count]
        assert len(reader.port_events(checked_ms, FOR_EVER_MS)) == len(slots)
        if last_ms:
            assert reader.latest_snapshot(SIX_VATS[5]) == (last_ms, f'{{"slot": {last_ms}}}')
        # A slot is said after its commit and before its delivery is recorded: the one before is recorded for sure.
        recorded_ms = acknowledged[-2] if len(acknowledged) > 1 else 0
        assert recorded_ms <= reader.delivery("mqtt", Stream.SCANS).position <= last_ms
    connection = sqlite3.connect(path)
    assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    connection.close()
    return last_ms


def kill_again_and_again(directory: Path, rounds: int, seed: int) -> tuple[int, int]:
    """Kills `rounds` writers, each going on where the last one fell; every tenth begins a new store."""
    chance = random.Random(seed)
    batches = while_opening = 0
    path, checked_ms = directory / "0.db", 0
    for number in range(rounds):
        if number % 10 == 0:
            path, checked_ms = directory / f"{number}.db", 0
        acknowledged = write_and_kill(path, chance)
        while_opening += not acknowledged
        last_ms = assert_nothing_lost(path, acknowledged, checked_ms)
        batches += (last_ms - checked_ms) // SLOT_MS
        checked_ms = last_ms
    return batches, while_opening


def test_killed_thirty_times(tmp_path: Path) -> None:
    batches, while_opening = kill_again_and_again(tmp_path, 30, seed=1)
    assert batches > 100
    assert while_opening < 20, "most kills must hit a writer at work"


@pytest.mark.long
def test_killed_a_thousand_times(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The long form, about six minutes on two cores: `python -m pytest -m long tests/store/test_killed.py`."""
    batches, while_opening = kill_again_and_again(tmp_path, 1000, seed=2)
    with capsys.disabled():
        print(f"\n1000 kills, {while_opening} before the first commit; {batches} batches stored and compared")
    assert batches > 3000
