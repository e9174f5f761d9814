"""Must hold: injected faults named correctly in 95 % of cases, at most one false fault per clean vat-month.

The short form, every fault in every way it is injected and a day of every chemistry, reads every half minute and runs
with every test run. The long form reads every ten seconds, and every half minute what takes days:

    python -m pytest -m long tests/benchmarks/probe_faults
    python -m tests.benchmarks.probe_faults.scoring --cases 400 --months 24     # the same, with its table
"""

from __future__ import annotations

from dataclasses import replace
from itertools import count
from pathlib import Path

import pytest

from tests.benchmarks.probe_faults.cases import VARIANTS, draw_case
from tests.benchmarks.probe_faults.scoring import CleanMonth, Job, Verdict, jobs_of, read_kept, score, table
from tests.benchmarks.probe_faults.shed import CHEMISTRIES

WAYS = sum(map(len, VARIANTS.values()))


DRAWN_ANEW = {"pH coated": ("fructose-lime", 16)}
"""Where the long form's drawing ends for that variant's first case; every vat put aside on the way costs time."""


def one_of_each_way() -> list[Job]:
    """The first case of each variant."""
    found: dict[str, Job] = {}
    for number in count():
        case = draw_case("test", number)
        if case.variant in DRAWN_ANEW:
            chemistry, times = DRAWN_ANEW[case.variant]
            case = replace(case, chemistry=chemistry, seed=case.seed + "+" * times)
        found.setdefault(case.variant, Job("test", number, 30_000, case=case))
        if len(found) == WAYS:
            return list(found.values())
    raise AssertionError


def hold(verdicts: list[Verdict], months: list[CleanMonth], wrong_most: int, false_most: int) -> None:
    said = table(verdicts, months)
    print(said)
    assert {v.case.variant for v in verdicts} == {variant for ways in VARIANTS.values() for variant, _ in ways}
    assert {m.chemistry for m in months} == set(CHEMISTRIES)
    assert sum(not v.right for v in verdicts) <= wrong_most, said
    assert sum(len(m.false) for m in months) <= false_most, said


def test_short(tmp_path: Path) -> None:
    """One case more may be wrong than 95 % allow: so few scatter. What is kept on the way is what was found."""
    jobs = one_of_each_way() + [Job("test", number, 30_000, 1.0) for number in range(len(CHEMISTRIES))]
    kept = tmp_path / "kept.jsonl"
    verdicts, months = score(jobs, kept=kept)
    assert score(jobs, kept=kept) == (verdicts, months)
    assert len(read_kept(kept)) == len(jobs)
    hold(verdicts, months, 2, 1)


@pytest.mark.long
def test_long() -> None:
    """400 cases and 24 clean vat-months."""
    verdicts, months = score(jobs_of("test", 400, 30.0, 24, 10_000, 30_000), workers=2)
    assert len(verdicts) == 400
    hold(verdicts, months, 20, 24)
