"""kill -9 while writing, sealing, migrating, backing up and forwarding: nothing acknowledged is lost, doubled or spoiled.

This shows what a killed process leaves. A pulled plug is another matter: see test_pulled_card.py.

A thousand kills, about six minutes on two cores: python -m pytest -m long -s tests/store/test_killed.py
"""

from __future__ import annotations

import json
import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from tests.services import Answer, Heard, HttpReceiver
from tests.store.batches import FOR_EVER_MS, SIX_VATS, SLOT_MS, batch_of
from tests.store.first_layout import write_first_layout
from tests.store.killed_deeds import DEEDS
from tests.store.test_converting import assert_whole, season
from vatwatch.outlets.influx import point
from vatwatch.store import inspection, schema
from vatwatch.store.reading import ReplaySlot, StoreReader
from vatwatch.store.writing import StoreWriter
from vatwatch.terms import Stream

ROOT = Path(__file__).parents[2]
KILLS_OF_A_STORE = 10
TALK_LIMIT = {"ingest": 25, "seal": 45, "migrate": 1, "back up": 30, "forward": 40}
"""A kill falls after so many lines of the child at most …"""
BY_TIME = {
    "ingest": (0.25, 0.04),
    "seal": (0.25, 0.04),
    "migrate": (0.85, 0.4),
    "back up": (0.25, 0.04),
    "forward": (0.25, 0.04),
}
"""… or, with this chance, after so many seconds at most: that hits the opening of the store, and the migration."""


class Nursery:
    """The warm process that forks the victims, and what the present one has said."""

    def __init__(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.store.killed_deeds"],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=ROOT, env={**os.environ, "PYTHONPATH": str(ROOT)},
        )  # fmt: skip

    def life_of(self, order: dict[str, str], chance: random.Random) -> list[list[str]]:
        """Runs one deed and kills it at a random moment, some while they open the store; what it said until then."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps(order).encode() + b"\n")
        self._process.stdin.flush()
        pid = int(self._line()[1])
        said = []
        share, within_s = BY_TIME[order["deed"]]
        if chance.random() < share:
            time.sleep(chance.uniform(0, within_s))
        else:
            for _ in range(chance.randint(1, TALK_LIMIT[order["deed"]])):
                said.append(self._line())
            time.sleep(chance.uniform(0, 0.006))
        os.kill(pid, signal.SIGKILL)
        while (line := self._line())[0] != "gone":
            said.append(line)
        return said

    def _line(self) -> list[str]:
        assert self._process.stdout is not None
        words = self._process.stdout.readline().decode().strip().split(maxsplit=1)
        assert words, "the nursery ended"
        assert words[0] != "failed", words
        return words

    def close(self) -> None:
        with self._process:
            assert self._process.stdin is not None
            self._process.stdin.close()
            self._process.wait(20)


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
        assert reader.delivery("mqtt", Stream.SCANS).position <= last_ms
        if checked_ms + SLOT_MS <= recorded_ms:
            assert reader.delivery("mqtt", Stream.SCANS).position >= recorded_ms
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    return last_ms


@dataclass
class Tally:
    """What the kills hit."""

    kills: Counter[str] = field(default_factory=Counter)
    batches: int = 0
    while_opening: int = 0
    while_sealing: int = 0
    while_clearing: int = 0
    while_migrating: int = 0
    while_copying: int = 0
    copies: int = 0
    rows_taken: int = 0
    rows_sent_again: int = 0


class Campaign:
    """One store per deed at a time, killed ten times over, then looked through from the beginning; then the next."""

    def __init__(self, directory: Path, nursery: Nursery, database: HttpReceiver, seed: int) -> None:
        self._directory, self._nursery, self._database = directory, nursery, database
        self._chance = random.Random(seed)
        self.tally = Tally()
        self._stores: dict[str, Path] = {}
        self._checked: dict[str, int] = {}
        self._through: dict[str, Counter[str]] = {}
        self._made = season(60)
        self._template = directory / "first.template"
        write_first_layout(self._template, self._made)

    def kill(self, deed: str) -> None:
        number = self.tally.kills[deed]
        self.tally.kills[deed] += 1
        if number % KILLS_OF_A_STORE == 0:
            self._begin(deed, number)
        if deed == "migrate":
            self._migration(self._stores[deed])
            return
        path, checked_ms = self._stores[deed], self._checked[deed]
        order = {"deed": deed, "store": str(path), "url": self._database.url}
        said = self._nursery.life_of(order, self._chance)
        slots = [int(rest) for word, rest in said if word == "slot"]
        self.tally.while_opening += not slots
        self._look_at(path)
        last_ms = assert_nothing_lost(path, slots, checked_ms)
        self.tally.batches += (last_ms - checked_ms) // SLOT_MS
        self._checked[deed] = last_ms
        self._copies(path, [rest.split(maxsplit=1) for word, rest in said if word == "copied"])
        last_life = number % KILLS_OF_A_STORE == KILLS_OF_A_STORE - 1
        if deed == "forward":
            self._forwarded(path, [rest.split() for word, rest in said if word == "taken"], last_life)
        if last_life:
            assert_nothing_lost(path, [last_ms], 0)

    def _begin(self, deed: str, number: int) -> None:
        path = self._directory / f"{deed.replace(' ', '-')}-{number}.db"
        self._stores[deed], self._checked[deed] = path, 0
        self._database.heard.clear()
        self._through[deed] = Counter()
        if deed == "migrate":
            path.write_bytes(self._template.read_bytes())

    def _look_at(self, path: Path) -> None:
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
        self.tally.while_sealing += pending > 0
        self.tally.while_clearing += stale > 0

    def _migration(self, path: Path) -> None:
        order = {"deed": "migrate", "store": str(path), "template": str(self._template)}
        said = self._nursery.life_of(order, self._chance)
        done = [Path(rest) for word, rest in said if word == "migrated"]
        for whole in done:
            assert_whole(whole, self._made)
            whole.unlink()
        # The next life goes on with the file that this one left half way; a copy half made is made anew.
        following = path if not done else done[-1].with_name(f"{done[-1].stem}+.db")
        if done and (not following.exists() or following.stat().st_size < self._template.stat().st_size):
            following.write_bytes(self._template.read_bytes())
        with closing(sqlite3.connect(following)) as connection:
            self.tally.while_migrating += schema.version_of(connection) >= 2 and schema.half_converted(connection)
        short = self._directory / f"migrate-{self.tally.kills['migrate']}.db"
        for suffix in ("-wal", "-shm", ""):
            if (given := Path(f"{following}{suffix}")).exists():
                given.rename(f"{short}{suffix}")
        self._stores["migrate"] = short
        if self.tally.kills["migrate"] % KILLS_OF_A_STORE == 0:
            StoreWriter.open(short).close()
            assert_whole(short, self._made)

    def _copies(self, path: Path, announced: list[list[str]]) -> None:
        """Whatever bears a backup's name is one: announced or not, and all that was said to be in it is."""
        names = {name: int(slot_ms) for slot_ms, name in announced}
        self.tally.while_copying += any(path.parent.glob(f".{path.stem}-*.part"))
        for leftover in path.parent.glob(f".{path.stem}-*"):
            leftover.unlink()
        for copy in path.parent.glob(f"{path.stem}-*.copy"):
            with closing(sqlite3.connect(copy)) as connection:
                assert inspection.whole(connection) == ""
            with StoreReader(copy) as reader:
                span = reader.span()
                assert span is not None
                assert span[1] == names.pop(copy.name, span[1])
                slots = range(SLOT_MS, span[1] + 1, SLOT_MS)
                kept = [slot.scan for slot in reader.replay_slots("vat4", 0, FOR_EVER_MS)]
                assert kept == [batch_of(slot_ms).steps[3].scan for slot_ms in slots]
            self.tally.copies += 1
            for suffix in ("", "-wal", "-shm"):
                Path(f"{copy}{suffix}").unlink(missing_ok=True)
        assert not names, "a backup that was announced is not there"

    def _forwarded(self, path: Path, taken: list[list[str]], last_life: bool) -> None:
        """The database has each row up to the recorded cursor, bit for bit; what came twice is the same point."""
        points: Counter[str] = Counter()
        for heard in list(self._database.heard):
            points.update(heard.body.decode().splitlines())
        with StoreReader(path) as reader:
            for stream in (Stream.SCANS, Stream.ALARM_EVENTS, Stream.JOURNAL):
                said = max((int(through) for name, _, through in taken if name == stream), default=0)
                position = reader.delivery("influxdb", stream).position
                # A cursor never runs ahead of what the database has taken, and lags behind by one batch at most.
                assert max(said, self._through["forward"][stream]) - 24 <= position
                self._through["forward"][stream] = position
                rows = reader.rows_after(stream, 0, 10**6)
                lines = [line_of(row) for row in rows]
                assert len(set(lines)) == len(lines)
                missing = [
                    line for row, line in zip(rows, lines, strict=True) if row.number <= position and not points[line]
                ]
                assert missing == []
                if last_life:
                    self.tally.rows_taken += sum(1 for line in lines if points[line])
                    self.tally.rows_sent_again += sum(points[line] - 1 for line in lines if points[line])
                for line in lines:
                    del points[line]
        assert not points, "the database holds points that the store does not"


def line_of(row: object) -> str:
    """The row in line protocol, by the client library's own hand."""
    from influxdb_client.client.write.point import Point

    made = Point.from_dict(point("shed", row), write_precision="ms")  # type: ignore[arg-type]
    return str(made.to_line_protocol())


@contextmanager
def campaign(directory: Path, seed: int) -> Iterator[Campaign]:
    def respond(_heard: Heard) -> Answer:
        return Answer(204)

    with HttpReceiver(respond) as database:
        nursery = Nursery()
        try:
            yield Campaign(directory, nursery, database, seed)
        finally:
            nursery.close()


def test_killed_forty_times(tmp_path: Path) -> None:
    with campaign(tmp_path, seed=1) as run:
        for number in range(40):
            run.kill(list(DEEDS)[number % len(DEEDS)])
    tally = run.tally
    assert tally.batches > 60
    assert tally.while_opening < 20, "most kills must hit a writer at work"
    assert tally.while_sealing + tally.while_clearing > 0, "some kills must hit it while it seals"
    assert tally.while_migrating > 0
    assert tally.copies > 0


@pytest.mark.long
def test_killed_a_thousand_times(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with campaign(tmp_path, seed=2) as run:
        for number in range(1000):
            deed = list(DEEDS)[number % len(DEEDS)]
            try:
                run.kill(deed)
            except AssertionError as error:
                raise AssertionError(f"kill {number}, {deed}, after {run.tally}: {error}") from error
    tally = run.tally
    with capsys.disabled():
        print(f"\n1000 kills: {tally}")
    assert sum(tally.kills.values()) == 1000
    assert tally.batches > 3000
    for hit in (tally.while_sealing, tally.while_clearing, tally.while_migrating, tally.while_copying):
        assert hit >= 5
