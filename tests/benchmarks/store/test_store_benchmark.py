"""The small form of the benchmark: every store that is installed is built and gives the season's own answers."""

from __future__ import annotations

from pathlib import Path

from tests.benchmarks.store import __main__ as benchmark
from tests.benchmarks.store import others
from tests.benchmarks.store.commits import measure_commits
from tests.benchmarks.store.contestants import SqliteRows, SqliteWithoutRowid, Vatwatch
from tests.benchmarks.store.season import Plan


def test_small_form(tmp_path: Path) -> None:
    plan = Plan(vats=2, days=3, step_ms=60_000)
    kinds = (Vatwatch, SqliteRows, SqliteWithoutRowid, others.VictoriaMetrics)
    table = benchmark.run(plan, tmp_path, kinds, repeats=1, say=lambda _text: None, keep=False)
    assert list(table) == [kind.name for kind in kinds]
    # Even a store as small as this must be far below a row per sample, judgements and all.
    assert table[Vatwatch.name].bytes_per_sample < table[SqliteRows.name].bytes_per_sample / 1.5
    ours = tmp_path / "Vatwatch" / "vatwatch.db"
    extra = benchmark.season_size(ours, plan)
    built = {Vatwatch.name: ours, SqliteRows.name: tmp_path / "SqliteRows" / "samples.db"}
    commits = measure_commits(plan, tmp_path, built, 40)
    assert all(len(commit.times_us) == 40 for commit in commits.values())
    assert "beside vatwatch" in benchmark.show(table, commits, extra)
