"""The review beside a naive one, in one run: `python -m tests.benchmarks.review --into DIRECTORY [--days 200]`.

Stores the made-up season of `tests/season/season_truth.py` (a quarter of an hour for 6 vats, 200 days and a scan in 10 s;
kept in the directory and used again), and the same scans as plain rows of SQLite. Each review is a process of its own:
time and memory hold everything from the start of Python. The review does far more, and writes the page.
"""

from __future__ import annotations

import argparse
import json
import os
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.season.season_store import fill_by_chunks
from tests.season.season_truth import START_MS, WORDS, Plan, Truth, draw_season

ROOT = Path(__file__).resolve().parents[3]
_REVIEW = """
import json, sys
from pathlib import Path
from vatwatch.season.review import write_review
from vatwatch.store.reading import StoreReader
store, out, first, last = Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4])
with StoreReader(store) as reader:
    written = write_review(reader, out, first, last, "Europe/Berlin")
print(json.dumps({v.vat: {w: ms / 3_600_000 for w, ms in v.times.rows() if ms} for v in written.figures.vats}))
"""


@dataclass(frozen=True, slots=True)
class Run:
    """One process: seconds by the clock and of the processor, MB at its largest, the hours it found."""

    seconds: float
    processor_s: float
    peak_mb: float
    hours: dict[str, dict[str, float]]


def measured(command: list[str]) -> Run:
    """Run a command to its end; its last line is JSON."""
    begin = time.perf_counter()
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        said = process.stdout.read()
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    seconds = time.perf_counter() - begin
    if process.returncode:
        raise RuntimeError(f"{command[:4]} ended with {process.returncode}")
    return Run(seconds, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024, json.loads(said.splitlines()[-1]))


def prepare(plan: Plan, into: Path) -> None:
    """Store and rows, unless they are there from an earlier run."""
    into.mkdir(parents=True, exist_ok=True)
    if (into / "ready").exists() and (into / "ready").read_text(encoding="utf-8") == repr(plan):
        return
    for old in ("season.db", "rows.db", "ready"):
        (into / old).unlink(missing_ok=True)
    truth = draw_season(plan)
    fill_by_chunks(truth, into / "season.db")
    write_rows(truth, into / "rows.db")
    (into / "ready").write_text(repr(plan), encoding="utf-8")


def write_rows(truth: Truth, path: Path) -> None:
    """A row a scan, as a logger of one's own would keep them."""
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA synchronous = OFF")
        connection.execute("CREATE TABLE plan (step_ms INTEGER)")
        connection.execute("INSERT INTO plan VALUES (?)", (truth.plan.step_ms,))
        connection.execute(
            "CREATE TABLE scans (slot_ms INTEGER, vat TEXT, condition TEXT, shortfalls TEXT, ph, ph_25c, margin_mv, share,"
            " temperature_c)"
        )
        for vat in truth.vats:
            there = np.flatnonzero(vat.code >= 0)
            codes = vat.code[there].tolist()
            numbers = [
                [None if value != value else value for value in column[there].tolist()]
                for column in (vat.ph, vat.ph_25c, vat.margin_mv, vat.share, vat.temperature_c)
            ]
            rows = zip(
                vat.slots_ms[there].tolist(),
                [vat.vat] * len(there),
                [WORDS[code][0] for code in codes],
                [",".join(WORDS[code][1]) for code in codes],
                *numbers,
                strict=True,
            )
            connection.executemany("INSERT INTO scans VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", rows)
            connection.commit()


def compare(plan: Plan, into: Path) -> tuple[Run, Run]:
    """The review and the naive one; raises when they do not find the same hours."""
    prepare(plan, into)
    review = measured(
        [
            sys.executable,
            "-c",
            _REVIEW,
            str(into / "season.db"),
            str(into / "review.html"),
            str(START_MS),
            str(plan.end_ms),
        ]
    )
    naive = measured([sys.executable, "-m", "tests.benchmarks.review.naive", str(into / "rows.db")])
    for vat, hours in naive.hours.items():
        for word, value in hours.items():
            assert abs(review.hours[vat][word] - value) < 1e-6, (vat, word)
    return review, naive


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--into", type=Path, required=True)
    asked.add_argument("--vats", type=int, default=6)
    asked.add_argument("--days", type=int, default=200)
    asked.add_argument("--step-s", type=int, default=10)
    given = asked.parse_args()
    plan = Plan(given.vats, given.days, given.step_s * 1000)
    print(f"load of the machine before: {os.getloadavg()[0]:.1f}")
    review, naive = compare(plan, given.into)
    print(f"{'':22}{'seconds':>9}{'processor':>11}{'peak MB':>9}")
    for name, run in (("review, page written", review), ("naive pandas", naive)):
        print(f"{name:22}{run.seconds:9.2f}{run.processor_s:11.2f}{run.peak_mb:9.0f}")
    ratios = naive.seconds / review.seconds, naive.processor_s / review.processor_s, naive.peak_mb / review.peak_mb
    print(f"{'naive / review':22}{ratios[0]:9.1f}{ratios[1]:11.1f}{ratios[2]:9.1f}")


if __name__ == "__main__":
    main()
