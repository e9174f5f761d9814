"""The stores under test. Each is filled with the same season and asked the same questions; sizes are what lies on disk.

`series` is (vat number, quantity). A season's answer is lowest, mean and highest per part, parts of whole hours.
"""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import closing
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import ClassVar

from tests.benchmarks.store.season import DAY_MS, QUANTITIES, Plan, day_of, scans_of
from vatwatch.store import schema
from vatwatch.store.chunk_making import Columns, Parts, packed_whole
from vatwatch.store.conditions import ConditionTally
from vatwatch.store.reading import StoreReader
from vatwatch.store.rollups import PLACES, Tally
from vatwatch.store.sealing import CHUNK_SCANS, write_chunk
from vatwatch.store.writing import StoreWriter
from vatwatch.terms import Quantity

HOUR_MS = 3_600_000
Series = tuple[int, str]
Part = tuple[float, float, float]


class Contestant:
    """One store. `build` fills it below `place`; the others answer from what was built."""

    name: ClassVar[str] = ""
    exact: ClassVar[bool] = True
    shift: ClassVar[int] = 0
    tables: ClassVar[tuple[str, ...]] = ()

    def __init__(self, plan: Plan, place: Path) -> None:
        self.plan = plan
        self.place = place

    def build(self) -> None:
        raise NotImplementedError

    def open(self) -> None:
        """Get ready to answer."""

    def close(self) -> None:
        """Let go of everything."""

    def size_bytes(self) -> int:
        return sum(path.stat().st_size for path in self.place.rglob("*") if path.is_file())

    def last(self, series: Series) -> float:
        raise NotImplementedError

    def day(self, series: Series, day: int) -> list[float]:
        raise NotImplementedError

    def season(self, series: Series, part_ms: int) -> list[Part]:
        raise NotImplementedError


@dataclass(frozen=True, slots=True)
class _Packed:
    columns: Columns
    parts: Parts
    tally: Tally
    conditions: ConditionTally


def _packed_day(plan: Plan, task: tuple[int, int]) -> list[_Packed]:
    """One vat's day, packed: in chunks of the size the daemon makes."""
    whole = scans_of(plan, *task)
    packed = []
    for start in range(0, len(whole.slots), CHUNK_SCANS):
        columns = _cut(whole, start, start + CHUNK_SCANS)
        tally, conditions = Tally(), ConditionTally()
        for quantity, place in PLACES.items():
            tally.take_column(columns.vat, quantity, columns.slots, columns.floats[place])
        for slot_ms, condition, short in zip(columns.slots, columns.others[27], columns.others[28], strict=True):
            conditions.take(columns.vat, slot_ms, str(condition), str(short))
        packed.append(_Packed(columns, packed_whole(columns), tally, conditions))
    return packed


def _cut(whole: Columns, start: int, end: int) -> Columns:
    if start == 0 and end >= len(whole.slots):
        return whole
    part = Columns(whole.vat, whole.numbers[start:end], whole.versions[start:end], whole.slots[start:end])
    part.last_samples, part.counts = whole.last_samples[start:end], whole.counts[start:end]
    part.floats = {place: column[start:end] for place, column in whole.floats.items()}
    part.others = {place: column[start:end] for place, column in whole.others.items()}
    part.sources, part.quality = whole.sources[3 * start : 3 * end], whole.quality[3 * start : 3 * end]
    part.offsets = {source: column[start:end] for source, column in whole.offsets.items()}
    part.values = {source: column[start:end] for source, column in whole.values.items()}
    return part


class Vatwatch(Contestant):
    """This project's store: samples with flags and reasons, judgements, rollups. One file."""

    name = "vatwatch"
    shift = 1

    @property
    def path(self) -> Path:
        return self.place / "vatwatch.db"

    def build(self) -> None:
        with StoreWriter.open(self.path) as writer:
            writer.record_settings(0, "{}", [])
        tasks = [(vat, day) for day in range(self.plan.days) for vat in range(self.plan.vats)]
        with (
            closing(sqlite3.connect(self.path, isolation_level=None)) as connection,
            ProcessPoolExecutor(2) as pool,
        ):
            connection.execute("PRAGMA synchronous = OFF")
            connection.execute("BEGIN")
            for task, packed in zip(tasks, pool.map(partial(_packed_day, self.plan), tasks, chunksize=2), strict=True):
                # The six vats of a day are sealed together.
                through = (task[1] + 1) * self.plan.scans * self.plan.vats
                for one in packed:
                    write_chunk(connection, one.columns, one.parts.frame, one.parts.scans, one.parts.samples, through)
                    one.tally.write(connection, 10 * through + one.columns.slots[0] // 1000 % 10)
                    one.conditions.write(connection, 10 * through + one.columns.slots[0] // 1000 % 10)
                    connection.execute(
                        "INSERT INTO known_vats VALUES (?1, ?2, ?3) ON CONFLICT (vat) DO UPDATE SET sealed_slot_ms = ?3",
                        (one.columns.vat, one.columns.slots[0], one.columns.slots[-1]),
                    )
            connection.execute("UPDATE marks SET sealed_through = ?1, rolled_through = ?1", (through,))
            connection.execute("COMMIT")
            assert schema.version_of(connection) == len(schema.MIGRATIONS)
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")

    def open(self) -> None:
        self.reader = StoreReader(self.path)

    def close(self) -> None:
        self.reader.close()

    def size_bytes(self) -> int:
        return self.path.stat().st_size

    def parts_bytes(self) -> dict[str, int]:
        """What of the file is what: probes' samples, judgements, rollups."""
        with closing(sqlite3.connect(self.path)) as connection:
            frames = connection.execute("SELECT sum(length(frame)) FROM sealed_chunks").fetchone()[0]
            scans, samples = connection.execute(
                "SELECT sum(CASE part_id % 2 WHEN 0 THEN length(body) ELSE 0 END),"
                " sum(CASE part_id % 2 WHEN 1 THEN length(body) ELSE 0 END) FROM sealed_parts"
            ).fetchone()
            rollups = connection.execute("SELECT count(*) * 60 FROM rollups").fetchone()[0]
        return {"samples": samples + frames, "judgements": scans, "rollups (about)": rollups}

    def last(self, series: Series) -> float:
        scan = self.reader.last_scan(self.plan.vat(series[0]))
        assert scan is not None
        value = getattr(scan, series[1]).value
        assert isinstance(value, float)
        return value

    def day(self, series: Series, day: int) -> list[float]:
        begin_ms = self.plan.start_ms + day * DAY_MS
        vat, place = self.plan.vat(series[0]), PLACES[series[1]]
        found: list[float] = []
        with self.reader.one_view():
            self.reader._shelf._at_hand.clear()
            for _, values in self.reader._shelf.floats(vat, place, begin_ms + 1, begin_ms + DAY_MS + 1):
                found.extend(values)
        return found

    def samples_of_day(self, series: Series, day: int) -> list[float]:
        """The raw samples of a day as records, through the public interface (all of the vat's, then one quantity)."""
        begin_ms = self.plan.start_ms + day * DAY_MS
        self.reader._shelf._at_hand.clear()
        found = self.reader.samples(self.plan.vat(series[0]), begin_ms, begin_ms + DAY_MS)
        return [s.value for s in found if s.value is not None and s.signal.value == series[1]]

    def season(self, series: Series, part_ms: int) -> list[Part]:
        buckets = self.plan.days * DAY_MS // part_ms
        points = self.reader.curve(
            self.plan.vat(series[0]), Quantity(series[1]), self.plan.start_ms, self.plan.end_ms, buckets
        )
        return [(point.low, point.mean, point.high) for point in points]


class SqliteRows(Contestant):
    """A row per sample and an index over series and time: what one writes first."""

    name = "SQLite rows + index"
    tables: ClassVar[tuple[str, ...]] = (
        "CREATE TABLE samples (id INTEGER PRIMARY KEY, series INTEGER NOT NULL, time_ms INTEGER NOT NULL, value REAL)",
        "CREATE INDEX samples_by_time ON samples (series, time_ms)",
    )

    @property
    def path(self) -> Path:
        return self.place / "samples.db"

    def build(self) -> None:
        with closing(sqlite3.connect(self.path, isolation_level=None)) as connection:
            connection.execute("PRAGMA journal_mode = OFF")
            connection.execute("PRAGMA synchronous = OFF")
            connection.execute("PRAGMA cache_size = -400000")
            connection.execute(self.tables[0])
            insert = "INSERT INTO samples (series, time_ms, value) VALUES (?, ?, ?)"
            for day in self.order():
                connection.execute("BEGIN")
                for rows in day:
                    connection.executemany(insert, rows)
                connection.execute("COMMIT")
            for statement in self.tables[1:]:
                connection.execute(statement)

    def order(self) -> Iterator[Iterator[Iterator[tuple[int, int, float]]]]:
        """Rows in the order in which they would have come, a day at a time."""
        for day in range(self.plan.days):
            given = [day_of(self.plan, vat, day) for vat in range(self.plan.vats)]
            lists = [
                (vat * 3 + place, one.times_ms.tolist(), one.values[quantity].tolist())
                for vat, one in enumerate(given)
                for place, quantity in enumerate(QUANTITIES)
            ]
            yield iter(
                [((series, times[i], values[i]) for i in range(self.plan.scans) for series, times, values in lists)]
            )

    def open(self) -> None:
        self.connection = sqlite3.connect(self.path)

    def close(self) -> None:
        self.connection.close()

    def size_bytes(self) -> int:
        return self.path.stat().st_size

    def last(self, series: Series) -> float:
        query = "SELECT value FROM samples WHERE series = ? ORDER BY time_ms DESC LIMIT 1"
        value = self.connection.execute(query, (_number(series),)).fetchone()[0]
        assert isinstance(value, float)
        return value

    def day(self, series: Series, day: int) -> list[float]:
        begin_ms = self.plan.start_ms + day * DAY_MS
        query = "SELECT value FROM samples WHERE series = ? AND time_ms >= ? AND time_ms < ? ORDER BY time_ms"
        found = self.connection.execute(query, (_number(series), begin_ms, begin_ms + DAY_MS))
        return [row[0] for row in found]

    def season(self, series: Series, part_ms: int) -> list[Part]:
        query = (
            "SELECT min(value), avg(value), max(value) FROM samples WHERE series = ?1 AND time_ms >= ?2"
            " GROUP BY (time_ms - ?2) / ?3 ORDER BY (time_ms - ?2) / ?3"
        )
        return list(self.connection.execute(query, (_number(series), self.plan.start_ms, part_ms)))


class SqliteWithoutRowid(SqliteRows):
    """A row per sample in a table that is its own index."""

    name = "SQLite WITHOUT ROWID"
    tables: ClassVar[tuple[str, ...]] = (
        """CREATE TABLE samples (series INTEGER NOT NULL, time_ms INTEGER NOT NULL, value REAL,
            PRIMARY KEY (series, time_ms)) WITHOUT ROWID""",
    )

    def order(self) -> Iterator[Iterator[Iterator[tuple[int, int, float]]]]:
        # Filled series by series: filling it in the order of time would take hours, and leaves pages half empty.
        for vat in range(self.plan.vats):
            for place, quantity in enumerate(QUANTITIES):
                series = vat * 3 + place

                def rows(
                    day: int, vat: int = vat, quantity: str = quantity, series: int = series
                ) -> Iterator[tuple[int, int, float]]:
                    given = day_of(self.plan, vat, day)
                    pairs = zip(given.times_ms.tolist(), given.values[quantity].tolist(), strict=True)
                    return ((series, time_ms, value) for time_ms, value in pairs)

                yield (rows(day) for day in range(self.plan.days))


def _number(series: Series) -> int:
    return series[0] * 3 + QUANTITIES.index(series[1])


def fresh(directory: Path) -> Path:
    """An empty directory."""
    shutil.rmtree(directory, ignore_errors=True)
    directory.mkdir(parents=True)
    return directory
