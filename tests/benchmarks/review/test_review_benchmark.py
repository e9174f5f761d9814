"""The benchmark of the review, short: both find the same hours. Timings are for the long form, not for a test."""

from __future__ import annotations

from pathlib import Path

from tests.benchmarks.review.__main__ import compare
from tests.season.season_truth import Plan


def test_the_review_and_a_naive_one_find_the_same_hours(tmp_path: Path) -> None:
    review, naive = compare(Plan(vats=2, days=3, step_ms=60_000, seed=9, busy=4.0), tmp_path)
    assert {vat: len(hours) >= 3 for vat, hours in naive.hours.items()} == {"vat1": True, "vat2": True}
    assert review.peak_mb > 0
    assert (tmp_path / "review.html").stat().st_size > 1_000_000
