"""Stores installed for the benchmark alone: DuckDB and Parquet (from pip), rrdtool and VictoriaMetrics (from apt)."""

from __future__ import annotations

import json
import shutil
import subprocess
import time
import urllib.parse
import urllib.request
from importlib import import_module
from importlib.util import find_spec
from typing import Any

import numpy as np

from tests.benchmarks.store.contestants import Contestant, Part, Series
from tests.benchmarks.store.season import DAY_MS, DIGITS, QUANTITIES, day_of
from tests.services import free_port


class DuckDb(Contestant):
    """One table sorted by series and time."""

    name = "DuckDB, sorted"

    def build(self) -> None:
        duckdb: Any = import_module("duckdb")
        arrow: Any = import_module("pyarrow")
        connection = duckdb.connect(str(self.place / "samples.duckdb"))
        connection.execute("SET threads = 2")
        connection.execute("CREATE TABLE samples (series UTINYINT, time_ms BIGINT, value DOUBLE)")
        for vat in range(self.plan.vats):
            for place, quantity in enumerate(QUANTITIES):
                days = [day_of(self.plan, vat, day) for day in range(self.plan.days)]
                table = arrow.table({
                    "series": np.full(self.plan.scans * len(days), vat * 3 + place, np.uint8),
                    "time_ms": np.concatenate([day.times_ms for day in days]),
                    "value": np.concatenate([day.values[quantity] for day in days]),
                })  # fmt: skip
                connection.register("given", table)
                connection.execute("INSERT INTO samples SELECT * FROM given")
                connection.unregister("given")
        connection.execute("CHECKPOINT")
        connection.close()

    def open(self) -> None:
        self.connection = import_module("duckdb").connect(str(self.place / "samples.duckdb"), read_only=True)

    def close(self) -> None:
        self.connection.close()

    def last(self, series: Series) -> float:
        query = "SELECT value FROM samples WHERE series = ? ORDER BY time_ms DESC LIMIT 1"
        return float(self.connection.execute(query, [_number(series)]).fetchone()[0])

    def day(self, series: Series, day: int) -> list[float]:
        begin_ms = self.plan.start_ms + day * DAY_MS
        query = "SELECT value FROM samples WHERE series = ? AND time_ms >= ? AND time_ms < ? ORDER BY time_ms"
        found = self.connection.execute(query, [_number(series), begin_ms, begin_ms + DAY_MS]).fetchnumpy()["value"]
        values: list[float] = found.tolist()
        return values

    def season(self, series: Series, part_ms: int) -> list[Part]:
        start_ms = self.plan.start_ms
        part = f"(time_ms - {start_ms}) // {part_ms}"
        query = f"""SELECT min(value), avg(value), max(value) FROM samples WHERE series = ? AND time_ms >= ?
            GROUP BY {part} ORDER BY {part}"""  # noqa: S608
        values = [_number(series), start_ms]
        return [tuple(row) for row in self.connection.execute(query, values).fetchall()]


class Parquet(Contestant):
    """A file per vat: times and numbers as whole numbers, delta-packed, zstd."""

    name = "Parquet, scaled, zstd"

    def build(self) -> None:
        arrow: Any = import_module("pyarrow")
        parquet: Any = import_module("pyarrow.parquet")
        for vat in range(self.plan.vats):
            writer = None
            for day in range(self.plan.days):
                given = day_of(self.plan, vat, day)
                table = arrow.table({
                    "time_ms": given.times_ms,
                    **{q: np.rint(given.values[q] * 10 ** DIGITS[q]).astype(np.int32) for q in QUANTITIES},
                })  # fmt: skip
                if writer is None:
                    writer = parquet.ParquetWriter(
                        self.place / f"{vat}.parquet", table.schema, compression="zstd", compression_level=9,
                        use_dictionary=False, column_encoding=dict.fromkeys(table.column_names, "DELTA_BINARY_PACKED"),
                    )  # fmt: skip
                writer.write_table(table)
            if writer is not None:
                writer.close()

    def _column(self, series: Series, group: int | None = None) -> tuple[Any, Any]:
        file = import_module("pyarrow.parquet").ParquetFile(self.place / f"{series[0]}.parquet")
        names = ["time_ms", series[1]]
        table = file.read(columns=names) if group is None else file.read_row_group(group, columns=names)
        return table["time_ms"].to_numpy(), table[series[1]].to_numpy() / 10.0 ** DIGITS[series[1]]

    def last(self, series: Series) -> float:
        return float(self._column(series, self.plan.days - 1)[1][-1])

    def day(self, series: Series, day: int) -> list[float]:
        values: list[float] = self._column(series, day)[1].tolist()
        return values

    def season(self, series: Series, part_ms: int) -> list[Part]:
        times, values = self._column(series)
        parts = (times - self.plan.start_ms) // part_ms
        starts = np.flatnonzero(np.diff(parts, prepend=-1))
        counts = np.diff(starts, append=len(values))
        low, high = np.minimum.reduceat(values, starts), np.maximum.reduceat(values, starts)
        return list(zip(low.tolist(), (np.add.reduceat(values, starts) / counts).tolist(), high.tolist(), strict=True))


class VictoriaMetrics(Contestant):
    """The single-node server, over HTTP, after its files have been merged."""

    name = "VictoriaMetrics"

    def build(self) -> None:
        self.open()
        for day in range(self.plan.days):
            lines = []
            for vat in range(self.plan.vats):
                given = day_of(self.plan, vat, day)
                for quantity in QUANTITIES:
                    metric = {"__name__": quantity, "vat": str(vat)}
                    values, times = given.values[quantity].tolist(), given.times_ms.tolist()
                    lines.append(json.dumps({"metric": metric, "values": values, "timestamps": times}))
            self._ask("/api/v1/import", "\n".join(lines).encode())
        self._ask("/internal/force_flush")
        for month in sorted({time.strftime("%Y_%m", time.gmtime((self.plan.start_ms + day * DAY_MS) / 1000))
                             for day in range(self.plan.days)}):  # fmt: skip
            self._ask(f"/internal/force_merge?partition_prefix={month}")
        self._wait_until_quiet()
        self.close()

    def open(self) -> None:
        self.port = free_port()
        command = [
            "victoria-metrics", f"-storageDataPath={self.place / 'vm'}", f"-httpListenAddr=127.0.0.1:{self.port}",
            "-retentionPeriod=100y", "-search.maxPointsPerTimeseries=100000", "-loggerLevel=ERROR",
            "-search.disableCache", "-search.latencyOffset=0s",
        ]  # fmt: skip
        self.process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        deadline = time.monotonic() + 60
        while not self._answers():
            if time.monotonic() > deadline:
                raise RuntimeError("victoria-metrics does not answer")
            time.sleep(0.1)

    def _answers(self) -> bool:
        try:
            self._ask("/health")
        except OSError:
            return False
        return True

    def close(self) -> None:
        self.process.terminate()
        self.process.wait(60)

    def _wait_until_quiet(self) -> None:
        """Merging goes on in the background: until the size has stood still for a while."""
        size, since = -1, time.monotonic()
        while time.monotonic() - since < 8:
            now = self.size_bytes()
            if now != size:
                size, since = now, time.monotonic()
            time.sleep(0.5)

    def size_bytes(self) -> int:
        data = self.place / "vm" / "data"
        return sum(path.stat().st_size for path in data.rglob("*") if path.is_file())

    def _ask(self, path: str, body: bytes | None = None) -> bytes:
        request = urllib.request.Request(f"http://127.0.0.1:{self.port}{path}", data=body)
        with urllib.request.urlopen(request, timeout=600) as answer:  # noqa: S310
            content: bytes = answer.read()
            return content

    def _series(self, series: Series) -> str:
        return f'{series[1]}{{vat="{series[0]}"}}'

    def last(self, series: Series) -> float:
        query = urllib.parse.urlencode({"query": self._series(series), "time": self.plan.end_ms / 1000, "step": "1m"})
        found = json.loads(self._ask(f"/api/v1/query?{query}"))
        return float(found["data"]["result"][0]["value"][1])

    def day(self, series: Series, day: int) -> list[float]:
        begin_ms = self.plan.start_ms + day * DAY_MS
        query = urllib.parse.urlencode(
            {"match[]": self._series(series), "start": begin_ms / 1000, "end": (begin_ms + DAY_MS - 1) / 1000}
        )
        values: list[float] = []
        for line in self._ask(f"/api/v1/export?{query}").splitlines():
            values += json.loads(line)["values"]
        return values

    def season(self, series: Series, part_ms: int) -> list[Part]:
        columns = []
        for name in ("min", "avg", "max"):
            step = f"{part_ms // 1000}s"
            query = urllib.parse.urlencode(
                {
                    "query": f"{name}_over_time({self._series(series)}[{step}])",
                    "start": (self.plan.start_ms + part_ms) / 1000,
                    "end": self.plan.end_ms / 1000,
                    "step": step,
                    "nocache": 1,
                }
            )
            found = json.loads(self._ask(f"/api/v1/query_range?{query}"))["data"]["result"][0]["values"]
            columns.append([float(value) for _, value in found])
        return list(zip(*columns, strict=True))


class RrdTool(Contestant):
    """A file per vat: every step raw, and consolidated hours (its answers are of the step grid, interpolated)."""

    name = "rrdtool"
    exact = False

    def build(self) -> None:
        step_s = self.plan.step_ms // 1000
        rows, hours = self.plan.days * self.plan.scans, self.plan.days * 24
        self._start()
        for vat in range(self.plan.vats):
            sources = " ".join(f"DS:{quantity}:GAUGE:{4 * step_s}:U:U" for quantity in QUANTITIES)
            archives = f"RRA:AVERAGE:0.5:1:{rows} " + " ".join(
                f"RRA:{way}:0.5:{3600 // step_s}:{hours}" for way in ("MIN", "AVERAGE", "MAX")
            )
            self._tell(
                f"create {vat}.rrd --start {self.plan.start_ms // 1000 - 1} --step {step_s} {sources} {archives}"
            )
            for day in range(self.plan.days):
                given = day_of(self.plan, vat, day)
                # A whole second on the grid, so that nothing is interpolated.
                begin_s = (self.plan.start_ms + day * DAY_MS) // 1000
                columns = [given.values[quantity].tolist() for quantity in QUANTITIES]
                points = [
                    f"{begin_s + (i + 1) * step_s}:{a}:{b}:{c}"
                    for i, (a, b, c) in enumerate(zip(*columns, strict=True))
                ]
                for start in range(0, len(points), 2000):
                    self._tell(f"update {vat}.rrd " + " ".join(points[start : start + 2000]))
        self.close()

    def _start(self) -> None:
        self.process = subprocess.Popen(
            ["rrdtool", "-"], cwd=self.place, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )

    def open(self) -> None:
        self._start()

    def close(self) -> None:
        assert self.process.stdin is not None
        self.process.stdin.close()
        self.process.wait(30)

    def _tell(self, line: str) -> list[str]:
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()
        said = []
        while not (answer := self.process.stdout.readline()).startswith("OK "):
            if not answer or answer.startswith("ERROR"):
                raise RuntimeError(answer or "rrdtool ended")
            said.append(answer)
        return said

    def _fetched(self, series: Series, way: str, step_s: int, start_ms: int, end_ms: int) -> list[float]:
        column = QUANTITIES.index(series[1])
        lines = self._tell(
            f"fetch {series[0]}.rrd {way} -r {step_s} -s {start_ms // 1000} -e {end_ms // 1000 - step_s}"
        )
        return [float(line.split()[1 + column]) for line in lines if ":" in line]

    def last(self, series: Series) -> float:
        return float(self._tell(f"lastupdate {series[0]}.rrd")[-1].split()[1 + QUANTITIES.index(series[1])])

    def day(self, series: Series, day: int) -> list[float]:
        begin_ms = self.plan.start_ms + day * DAY_MS
        return self._fetched(series, "AVERAGE", self.plan.step_ms // 1000, begin_ms, begin_ms + DAY_MS)

    def season(self, series: Series, part_ms: int) -> list[Part]:
        hours = part_ms // 3_600_000
        start_ms, end_ms = self.plan.start_ms, self.plan.end_ms
        low, mean, high = (self._fetched(series, way, 3600, start_ms, end_ms) for way in ("MIN", "AVERAGE", "MAX"))
        return [
            (min(low[i : i + hours]), sum(mean[i : i + hours]) / len(mean[i : i + hours]), max(high[i : i + hours]))
            for i in range(0, len(low), hours)
        ]


def _number(series: Series) -> int:
    return series[0] * 3 + QUANTITIES.index(series[1])


def available() -> dict[str, bool]:
    """Which of these can be run here."""
    modules = all(find_spec(name) is not None for name in ("duckdb", "pyarrow"))
    return {
        DuckDb.name: modules,
        Parquet.name: modules,
        RrdTool.name: shutil.which("rrdtool") is not None,
        VictoriaMetrics.name: shutil.which("victoria-metrics") is not None,
    }
