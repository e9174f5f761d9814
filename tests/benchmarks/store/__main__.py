"""The store beside others, in one run, as ratios: `python -m tests.benchmarks.store --into DIRECTORY`.

Six vats, three quantities, a sample in 5 s for 200 days: 62 million samples. Needs about 12 GB of disk and half an hour
on two cores. What is not installed is left out and named: for all of it `pip install duckdb pyarrow` and
`apt-get install rrdtool victoria-metrics`. `--days`, `--vats` and `--step-s` make it smaller; a small form runs with the
tests and checks that all of them give the same answers.
"""

from __future__ import annotations

import argparse
import resource
import shutil
import sqlite3
import sys
import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median

from tests.benchmarks.store import others
from tests.benchmarks.store.commits import Commit, measure_commits
from tests.benchmarks.store.contestants import (
    HOUR_MS,
    Contestant,
    SqliteRows,
    SqliteWithoutRowid,
    Vatwatch,
    fresh,
)
from tests.benchmarks.store.season import DAY_MS, QUANTITIES, Plan, day_of
from vatwatch.store import inspection
from vatwatch.store.reading import StoreReader
from vatwatch.store.writing import StoreWriter

ALL: tuple[type[Contestant], ...] = (
    Vatwatch, SqliteRows, SqliteWithoutRowid, others.DuckDb, others.Parquet, others.VictoriaMetrics, others.RrdTool,
)  # fmt: skip
PARTS = 1000


@dataclass(slots=True)
class Figures:
    """One store's row of the table; times in ms."""

    built_s: float = 0.0
    bytes_per_sample: float = 0.0
    last_ms: float = 0.0
    day_ms: float = 0.0
    season_ms: float = 0.0
    notes: dict[str, float] = field(default_factory=dict)


def part_ms_of(plan: Plan) -> int:
    """Whole hours, about a thousand of them per season."""
    return max(1, -(-plan.days * 24 // PARTS)) * HOUR_MS


def timed(work: Callable[[], object], repeats: int) -> float:
    """Median ms."""
    found = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        found.append((time.perf_counter() - start) * 1000)
    return median(found)


def check_answers(contestant: Contestant, plan: Plan) -> None:
    """Holds a store's answers to the season itself. Errors: AssertionError."""
    series = (plan.vats - 1, "temperature_c")
    days = [day_of(plan, series[0], day) for day in range(plan.days)]
    assert abs(contestant.last(series) - float(days[-1].values["temperature_c"][-1])) < 1e-6
    day = contestant.day(series, plan.days // 2)
    expected = days[plan.days // 2].values["temperature_c"].tolist()
    if contestant.exact:
        assert day == expected, f"{contestant.name}: a day differs"
    else:
        assert max(abs(a - b) for a, b in zip(day, expected, strict=True)) < 1e-6
    part_ms = part_ms_of(plan)
    per_part = part_ms // plan.step_ms
    flat = [value for one in days for value in one.values["temperature_c"].tolist()]
    parts = contestant.season(series, part_ms)
    # A scan bears the time of its slot's end, a sample its own: so the last one of a part may be filed in the next.
    filed: dict[int, list[float]] = {}
    for place, value in enumerate(flat[: len(flat) - contestant.shift]):
        filed.setdefault((place + contestant.shift) // per_part, []).append(value)
    assert len(parts) == len(filed), f"{contestant.name}: {len(parts)} parts where {len(filed)} are expected"
    for (low, mean, high), values in zip(parts, filed.values(), strict=True):
        expected_part = (min(values), sum(values) / len(values), max(values))
        assert max(abs(a - b) for a, b in zip((low, mean, high), expected_part, strict=True)) < 1e-6, contestant.name


def ask(contestant: Contestant, plan: Plan, figures: Figures, repeats: int) -> None:
    """The three questions, of one series after the other."""
    series = [(vat, quantity) for vat in range(plan.vats) for quantity in QUANTITIES]
    part_ms = part_ms_of(plan)
    turns = iter(range(10**6))

    def following() -> tuple[tuple[int, str], int]:
        turn = next(turns)
        return series[turn % len(series)], turn * 7 % plan.days

    figures.last_ms = timed(lambda: contestant.last(following()[0]), 3 * repeats)
    figures.day_ms = timed(lambda: contestant.day(*following()), repeats)
    figures.season_ms = timed(lambda: contestant.season(following()[0], part_ms), repeats)
    if isinstance(contestant, Vatwatch):
        figures.notes = {f"{name}, B/sample": size / plan.samples for name, size in contestant.parts_bytes().items()}
        figures.notes["a day of samples as records, ms"] = timed(lambda: contestant.samples_of_day(*following()), 3)


def run(
    plan: Plan, into: Path, kinds: tuple[type[Contestant], ...], repeats: int, say: Callable[[str], None], keep: bool
) -> dict[str, Figures]:
    """Build, check and measure each; the files of the SQLite ones stay for the commits."""
    table: dict[str, Figures] = {}
    for kind in kinds:
        place = into / kind.__name__
        contestant = kind(plan, place)
        figures = table[kind.name] = Figures()
        if not (keep and place.exists()):
            fresh(place)
            start = time.perf_counter()
            contestant.build()
            figures.built_s = time.perf_counter() - start
        figures.bytes_per_sample = contestant.size_bytes() / plan.samples
        contestant.open()
        try:
            check_answers(contestant, plan)
            ask(contestant, plan, figures, repeats)
        finally:
            contestant.close()
        say(f"{kind.name}: built in {figures.built_s:.0f} s, {figures.bytes_per_sample:.3f} B/sample")
    return table


def season_size(path: Path, plan: Plan) -> dict[str, float]:
    """What a season-size file costs at a start, and how memory behaves when it is read whole."""
    found: dict[str, float] = {"file, MB": path.stat().st_size / 1e6}
    with closing(sqlite3.connect(path)) as connection:
        found["check at start, ms"] = timed(lambda: inspection.at_start(connection), 3)
        found["quick_check of the whole file, ms"] = timed(
            lambda: connection.execute("PRAGMA quick_check").fetchall(), 1
        )
        found["checksum of every sealed part too, ms"] = timed(lambda: inspection.whole(connection), 1)
    found["opening the writer, ms"] = timed(lambda: StoreWriter.open(path).close(), 3)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with StoreReader(path) as reader:
        end_ms = plan.start_ms + min(plan.days, 20) * DAY_MS
        start = time.perf_counter()
        count = sum(1 for _ in reader.scans("vat1", plan.start_ms, end_ms))
        found["scans read as records, per s"] = count / (time.perf_counter() - start)
    found["peak memory grew by, MB, reading 20 days"] = (
        resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
    ) / 1024
    return found


def show(table: dict[str, Figures], commits: dict[str, Commit], extra: dict[str, float]) -> str:
    """The figures as a table in Markdown."""
    ours = table[Vatwatch.name]
    lines = [
        "| store | bytes/sample | last value, ms | one day, ms | season, ms | build, s |",
        "|---|---|---|---|---|---|",
    ]
    lines += [
        f"| {name} | {f.bytes_per_sample:.3f} | {f.last_ms:.2f} | {f.day_ms:.1f} | {f.season_ms:.2f} | {f.built_s:.0f} |"
        for name, f in table.items()
    ]
    lines += ["", "| beside vatwatch | bytes | last | day | season |", "|---|---|---|---|---|"]
    lines += [
        f"| {name} | {f.bytes_per_sample / ours.bytes_per_sample:.2f} × | {f.last_ms / ours.last_ms:.1f} ×"
        f" | {f.day_ms / ours.day_ms:.1f} × | {f.season_ms / ours.season_ms:.1f} × |"
        for name, f in table.items()
        if name != Vatwatch.name
    ]
    lines += ["", "| commit of a scan | median, µs | 99 %, µs | device bytes |", "|---|---|---|---|"]
    lines += [
        f"| {name} | {c.median_us:.0f} | {c.p99_us:.0f} | {c.bytes_per_commit:.0f} |" for name, c in commits.items()
    ]
    lines += ["", *(f"- {name}: {value:.3f}" for name, value in {**ours.notes, **extra}.items())]
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--into", type=Path, required=True, help="directory for the files; its contents are replaced")
    parser.add_argument("--days", type=int, default=200)
    parser.add_argument("--vats", type=int, default=6)
    parser.add_argument("--step-s", type=int, default=5)
    parser.add_argument("--only", nargs="*", help="class names, such as Vatwatch SqliteRows")
    parser.add_argument("--repeats", type=int, default=9)
    parser.add_argument("--commits", type=int, default=1500)
    parser.add_argument("--keep", action="store_true", help="measure files of an earlier run of the same size again")
    given = parser.parse_args()
    plan = Plan(given.vats, given.days, given.step_s * 1000)
    there = others.available()
    kinds = tuple(
        kind for kind in ALL if (not given.only or kind.__name__ in given.only) and there.get(kind.name, True)
    )
    for kind in ALL:
        if not there.get(kind.name, True):
            print(f"left out, not installed: {kind.name}", file=sys.stderr)
    table = run(
        plan, given.into, kinds, given.repeats, lambda text: print(text, file=sys.stderr, flush=True), given.keep
    )
    ours = given.into / "Vatwatch" / "vatwatch.db"
    extra = season_size(ours, plan)
    # A copy: what the commits add must not be there when `--keep` asks the same questions again.
    spare = given.into / "commits.db"
    shutil.copyfile(ours, spare)
    built = {Vatwatch.name: spare}
    for kind in (SqliteRows, SqliteWithoutRowid):
        if kind in kinds:
            built[kind.name] = given.into / kind.__name__ / "samples.db"
    commits = measure_commits(plan, given.into, built, min(given.commits, plan.scans))
    spare.unlink()
    for kind in (SqliteRows, SqliteWithoutRowid):
        if kind in kinds:
            with closing(sqlite3.connect(built[kind.name])) as connection, connection:
                for series in range(3 * plan.vats):
                    connection.execute("DELETE FROM samples WHERE series = ? AND time_ms >= ?", (series, plan.end_ms))
    text = show(table, commits, extra)
    (given.into / "figures.md").write_text(text + "\n", encoding="utf-8")
    print(text)


if __name__ == "__main__":
    main()
