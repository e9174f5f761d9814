"""The months and the advice in small: seeded, a few vats, quick enough for every run. The long forms:

python -m tests.benchmarks.judgement --months 64 --into DIR          # the vat-months, on seeds nothing was tuned on
python -m tests.benchmarks.judgement --months 64 --vat lumped        # the same on another simulator
python -m tests.benchmarks.judgement.advice --cases 160              # the advice followed on tired vats
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.benchmarks.judgement.advice import MOST_OVERSHOOT_PH, outcomes
from tests.benchmarks.judgement.advice import table as advice_table
from tests.benchmarks.judgement.faults import NAMES, kinds_for
from tests.benchmarks.judgement.lumped import KINDS, LumpedRig
from tests.benchmarks.judgement.month import MakeRig, run_month
from tests.benchmarks.judgement.rigs import RehearsalRig
from tests.benchmarks.judgement.score import Score, keep, kept, table
from tests.benchmarks.judgement.scoring import score
from tests.benchmarks.judgement.setting import START_MS, made_ready
from vatwatch.vat.recipes import Chemistry
from vatwatch.vat.settings import DAY_MS, HOUR_MS


@pytest.mark.parametrize(("chemistry", "make"), [("fructose-lime", RehearsalRig), ("hydrosulfite", LumpedRig)])
def test_a_few_days(chemistry: str, make: MakeRig, tmp_path: Path) -> None:
    """Four days with a fault or two on each: whatever was felt is told, and the same seed gives the same score."""
    month = run_month(chemistry, 1, 4.0, 0.4, make)
    found = score(month)
    print(table(found))
    assert found.caught == found.excursions, found.missed
    assert found.overheats_told == found.overheats
    assert len(month.faults) >= 2
    assert found.pushes == len(month.pushes)
    keep(tmp_path / "one.json", found)
    again = kept(tmp_path / "one.json")
    assert again is not None
    assert vars(again) == vars(found)


def test_every_fault_can_come() -> None:
    assert {kind for chemistry in Chemistry for kind in kinds_for(chemistry.value)} == set(NAMES)


def test_advice_in_small() -> None:
    """Eight tired vats, one of each chemistry: seven back in time, none overshot, none in danger."""
    found = outcomes(8, 1001)
    said = advice_table(found)
    print(said)
    assert len(found) == 8
    assert sum(one.back for one in found) >= 7, said
    assert not [one for one in found if one.overshoot > MOST_OVERSHOOT_PH or one.dangers], said


@pytest.mark.parametrize("chemistry", sorted(KINDS))
def test_the_other_vat_is_a_vat(chemistry: str) -> None:
    """Left alone it tires and never mends by itself; its twin does the same and leaves it as it was."""
    rig = LumpedRig(chemistry, 1, START_MS, 300_000)
    made_ready(rig, chemistry, START_MS, START_MS + DAY_MS)
    before = rig.truth()
    assert before.share > 0.9
    twin = rig.twin()
    twin.advance(START_MS + 40 * DAY_MS)
    assert rig.truth() == before
    after = twin.truth()
    assert after.share < before.share
    assert after.ph_25c < before.ph_25c + 0.05
    rig.advance(START_MS + DAY_MS + HOUR_MS)
    assert rig.truth() != before


def test_scores_add_up() -> None:
    one, other = Score(excursions=2, caught=1), Score(excursions=3, caught=3)
    one.faults["cable"] += 1
    other.faults["cable"] += 2
    other.intervals["off-cold"] = [3, 2, 1]
    one.merge(other)
    assert (one.excursions, one.caught, one.faults["cable"], one.intervals) == (5, 4, 3, {"off-cold": [3, 2, 1]})
