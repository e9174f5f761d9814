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
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.store.batches import FOR_EVER_MS, SIX_VATS, SLOT_MS, batch_of
from vatwatch.store.reading import ReplaySlot, StoreReader
from vatwatch.store.writing import StoreWriter
from vatwatch.terms import Stream

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


@dataclass
class Tally:
    """What the kills hit."""

    batches: int = 0
    while_opening: int = 0
    while_sealing: int = 0
    while_clearing: int = 0


def look_at(path: Path, tally: Tally) -> None:
    """Counts files left in the middle of sealing, before anyone opens them for writing."""
    if not path.exists():
        return
    with closing(sqlite3.connect(path)) as connection:
        if connection.execute("SELECT count(*) FROM sqlite_master WHERE name = 'marks'").fetchone() == (0,):
            return
        pending, stale = connection.execute(
            "SELECT (SELECT count(*) FROM sealed_chunks WHERE through_number > sealed_through),"
            " (SELECT count(*) FROM hot_batches WHERE first_number <= sealed_through) FROM marks"
        ).fetchone()
        tally.while_sealing += pending > 0
        tally.while_clearing += stale > 0


def kill_again_and_again(directory: Path, rounds: int, seed: int) -> Tally:
    """Kills `rounds` writers, each going on where the last one fell; every tenth begins a new store."""
    chance = random.Random(seed)
    tally = Tally()
    path, checked_ms = directory / "0.db", 0
    for number in range(rounds):
        if number % 10 == 0:
            path, checked_ms = directory / f"{number}.db", 0
        acknowledged = write_and_kill(path, chance)
        tally.while_opening += not acknowledged
        look_at(path, tally)
        last_ms = assert_nothing_lost(path, acknowledged, checked_ms)
        tally.batches += (last_ms - checked_ms) // SLOT_MS
        checked_ms = last_ms
        if number % 10 == 9:
            assert_nothing_lost(path, [last_ms], 0)
    return tally


def test_killed_two_dozen_times(tmp_path: Path) -> None:
    tally = kill_again_and_again(tmp_path, 24, seed=1)
    assert tally.batches > 60
    assert tally.while_opening < 16, "most kills must hit a writer at work"
    assert tally.while_sealing + tally.while_clearing > 0, "some kills must hit it while it seals"


@pytest.mark.long
def test_killed_a_thousand_times(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The long form, about ten minutes on two cores: `python -m pytest -m long tests/store/test_killed.py`."""
    tally = kill_again_and_again(tmp_path, 1000, seed=2)
    with capsys.disabled():
        print(f"\n1000 kills: {tally}")
    assert tally.batches > 3000
    assert tally.while_sealing > 10
    assert tally.while_clearing > 10
