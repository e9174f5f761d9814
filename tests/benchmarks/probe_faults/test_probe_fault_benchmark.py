"""Must hold: injected faults named correctly in 95 % of cases, at most one false fault per clean vat-month.

The short form reads every half minute and runs with every test run; the long form reads every ten seconds:

    python -m pytest -m long tests/benchmarks/probe_faults
    python -m tests.benchmarks.probe_faults.scoring --cases 400 --months 24     # the same, with its table
"""

from __future__ import annotations

import pytest

from tests.benchmarks.probe_faults.scoring import VARIANTS, score, table
from tests.benchmarks.probe_faults.shed import CHEMISTRIES

RIGHT_SHARE = 0.95
FALSE_PER_MONTH = 1.0


def hold(cases: int, clean_days: float, per_chemistry: int, scan_ms: int, workers: int, share: float) -> None:
    verdicts, months = score("test", cases, clean_days, per_chemistry, workers, scan_ms)
    said = table(verdicts, months)
    print(said)
    assert len(verdicts) == cases
    assert {v.case.name for v in verdicts} == set(VARIANTS)
    assert {m.chemistry for m in months} == set(CHEMISTRIES)
    assert sum(v.right for v in verdicts) >= share * cases, said
    false = sum(len(m.false) for m in months)
    assert false <= FALSE_PER_MONTH * sum(m.days for m in months) / 30.0, said


def test_short() -> None:
    """60 cases and two clean vat-months over all eight chemistries. Fewer cases scatter: 90 % holds the 95."""
    hold(60, 7.5, 1, 30_000, 1, 0.90)


@pytest.mark.long
def test_long() -> None:
    """400 cases and 24 clean vat-months."""
    hold(400, 30.0, 3, 10_000, 2, RIGHT_SHARE)
