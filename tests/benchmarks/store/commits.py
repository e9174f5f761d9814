"""What a durable commit of one scan of all vats costs: time, and bytes that went to the device.

Each store commits in turn, scan by scan, so that a busy disk is busy for all of them. Device bytes are the kernel's own
count for this process (`write_bytes` of /proc/self/io), checkpoints included, the file system's journal not.
"""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median

from tests.benchmarks.store.season import QUANTITIES, Plan, day_of, scans_of
from vatwatch.records import Batch, StepResult
from vatwatch.store import rows
from vatwatch.store.chunk_making import packed_whole
from vatwatch.store.chunks import Chunk
from vatwatch.store.hot import Bodies, Step
from vatwatch.store.writing import StoreWriter


@dataclass(slots=True)
class Commit:
    """Micro-seconds of each commit and device bytes of all of them."""

    times_us: list[float] = field(default_factory=list)
    device_bytes: int = 0

    @property
    def median_us(self) -> float:
        return median(self.times_us)

    @property
    def p99_us(self) -> float:
        return sorted(self.times_us)[int(len(self.times_us) * 0.99)]

    @property
    def bytes_per_commit(self) -> float:
        return self.device_bytes / len(self.times_us)


def batches_of(plan: Plan, day: int, count: int) -> list[Batch]:
    """The first scans of a day as the recorder would hand them in: samples with flags, and judgements."""
    chunks = []
    for vat in range(plan.vats):
        parts = packed_whole(scans_of(plan, vat, day))
        chunk = Chunk(plan.vat(vat), plan.scans, parts.frame)
        chunk.give_scans(parts.scans)
        chunk.give_samples(parts.samples)
        chunks.append(chunk)
    made = []
    for index in range(count):
        steps = tuple(
            StepResult(rows.scan_of(chunk.scan_row(index)), tuple(map(rows.sample_of, chunk.samples_of(index))))
            for chunk in chunks
        )
        made.append(Batch(steps[0].scan.slot_ms, 1, steps))
    return made


def measure_commits(plan: Plan, place: Path, built: dict[str, Path], count: int) -> dict[str, Commit]:
    """One commit per scan into each store, into the season's own files where they were built (`built`, by name)."""
    batches = batches_of(plan, plan.days, count)
    days = [day_of(plan, vat, plan.days) for vat in range(plan.vats)]
    scans = [
        [
            (vat * 3 + series, int(day.times_ms[index]), float(day.values[quantity][index]))
            for vat, day in enumerate(days)
            for series, quantity in enumerate(QUANTITIES)
        ]
        for index in range(count)
    ]
    commits: dict[str, Commit] = {}
    raw = os.open(place / "raw", os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
    writer = StoreWriter.open(built.get("vatwatch", place / "vatwatch.db"))
    writer.record_settings(0, "{}", [])
    # As many bytes as the row that vatwatch writes.
    steps = [Step(rows.scan_row(s.scan), tuple(map(rows.sample_row, s.samples))) for s in batches[0].steps]
    body = b"\0" * len(Bodies().body_of(steps))

    def append_raw(_index: int) -> None:
        os.write(raw, body)
        os.fdatasync(raw)

    turns: dict[str, Callable[[int], None]] = {
        "raw append + fdatasync": append_raw,
        "vatwatch": lambda index: writer.append(batches[index]),
    }
    connections = []
    for name in ("SQLite rows + index", "SQLite WITHOUT ROWID"):
        if name not in built:
            continue
        connection = sqlite3.connect(built[name], isolation_level=None)
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connections.append(connection)

        def insert(index: int, connection: sqlite3.Connection = connection) -> None:
            connection.execute("BEGIN IMMEDIATE")
            connection.executemany("INSERT INTO samples (series, time_ms, value) VALUES (?, ?, ?)", scans[index])
            connection.execute("COMMIT")

        turns[name] = insert
    for index in range(count):
        for name, commit in turns.items():
            found = commits.setdefault(name, Commit())
            before = _written()
            start = time.perf_counter()
            commit(index)
            found.times_us.append((time.perf_counter() - start) * 1e6)
            found.device_bytes += _written() - before
    os.close(raw)
    for name, connection in zip(list(turns)[2:], connections, strict=True):
        before = _written()
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        commits[name].device_bytes += _written() - before
        connection.close()
    before = _written()
    with closing(sqlite3.connect(writer._path)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    commits["vatwatch"].device_bytes += _written() - before
    writer.close()
    return commits


def _written() -> int:
    for line in Path("/proc/self/io").read_text(encoding="ascii").splitlines():
        if line.startswith("write_bytes:"):
            return int(line.split()[1])
    raise RuntimeError("this kernel does not count what a process writes")
