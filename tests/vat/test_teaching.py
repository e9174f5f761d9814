"""What looks teach: direction, width, robustness to wrong looks, going stale."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vatwatch.chemistry.nernst import thermal_mv
from vatwatch.terms import Look
from vatwatch.vat.estimate import Couple, OffsetBelief, estimate_reduction
from vatwatch.vat.teaching import (
    COLOUR,
    SCALES,
    Scale,
    information_bits,
    learn_from_look,
    look_probability,
    widen,
)

S25 = thermal_mv(25.0, 2)
PRIOR = OffsetBelief.prior(50.0)
# Where one look passes into the next for the eyes in this simulation: independent of the model's own numbers.
EYES = (0.22, 0.52, 0.78, 0.955)


LOOKS = COLOUR.looks


@given(st.floats(-30, 30), st.sampled_from(SCALES))
def test_look_probabilities_sum_to_one_on_every_scale(logit: float, scale: Scale) -> None:
    assert math.fsum(look_probability(look, logit) for look in scale.looks) == pytest.approx(1.0)


@pytest.mark.parametrize("scale", SCALES)
def test_on_every_scale_the_last_look_means_more_reduced_than_the_first(scale: Scale) -> None:
    couple = Couple(0.0, 5.0, 25.0)
    means = [learn_from_look(PRIOR, look, couple, S25).mean_mv() for look in scale.looks]
    assert means == sorted(means)
    assert means[0] < -5
    assert means[-1] > 5


def test_an_amber_look_raises_and_a_blue_look_lowers_the_offset() -> None:
    couple = Couple(0.0, 5.0, 25.0)
    assert learn_from_look(PRIOR, Look.AMBER, couple, S25).mean_mv() > 15
    assert learn_from_look(PRIOR, Look.BLUE, couple, S25).mean_mv() < -15
    assert abs(learn_from_look(PRIOR, Look.GREEN, couple, S25).mean_mv()) < 15


def test_a_look_teaches_and_time_unteaches() -> None:
    couple = Couple(0.0, 5.0, 25.0)
    taught = learn_from_look(PRIOR, Look.GREEN, couple, S25)
    assert information_bits(PRIOR, taught) > 0.5
    assert taught.sigma_mv() < 0.7 * PRIOR.sigma_mv()
    stale = widen(taught, 30.0)
    assert stale.sigma_mv() > taught.sigma_mv()
    assert stale.mean_mv() == pytest.approx(taught.mean_mv(), abs=1.0)
    assert widen(taught, 0.0) == taught


def honest_look(share: float, rng: random.Random) -> Look:
    logit = math.log(share / (1 - share)) + rng.gauss(0, 0.5)
    seen = 1 / (1 + math.exp(-logit))
    return LOOKS[sum(seen > border for border in EYES)]


def simulate(vats: int, wrong_share: float, seed: int) -> tuple[float, float, float]:
    """(coverage after three checks, median width before, median width after) of the 90 % interval of the share."""
    rng = random.Random(seed)
    inside, before, after = 0, [], []
    for _ in range(vats):
        offset = rng.gauss(0, 50)
        belief = PRIOR
        # A working vat looked at in three different moods, then judged in a fourth.
        for look_number in range(4):
            share = 1 / (1 + math.exp(-rng.uniform(-1.0, 5.0)))
            share = min(max(share, 1e-6), 1 - 1e-6)
            margin = S25 * math.log(share / (1 - share)) - offset
            couple = Couple(margin + rng.gauss(0, 4), 4.0, 25.0)
            if look_number == 3:
                prior_width = estimate_reduction(couple, PRIOR, 0.9)
                reduction = estimate_reduction(couple, belief, 0.9)
                inside += reduction.share_low <= share <= reduction.share_high
                before.append(prior_width.share_high - prior_width.share_low)
                after.append(reduction.share_high - reduction.share_low)
            else:
                look = rng.choice(LOOKS) if rng.random() < wrong_share else honest_look(share, rng)
                belief = learn_from_look(belief, look, couple, S25)
    return inside / vats, sorted(before)[vats // 2], sorted(after)[vats // 2]


def test_three_honest_checks_narrow_the_interval_and_it_still_covers() -> None:
    coverage, before, after = simulate(1000, 0.0, 11)
    print(f"\nthree honest checks: coverage {coverage:.3f}, median width {before:.3f} -> {after:.3f}")
    assert coverage >= 0.88
    assert after <= before / 4


def test_one_wrong_check_in_five_does_not_break_it() -> None:
    coverage, _before, after = simulate(1000, 0.2, 12)
    print(f"\none in five wrong: coverage {coverage:.3f}, median width {after:.3f}")
    assert coverage >= 0.85


def test_the_budget_names_what_dominates_and_adds_up() -> None:
    """Untaught, the couple's offset dominates; looks shrink it. Parts are of the variance and sum to one."""
    from tests.vat.vats import SCAN_MS, Run, samples
    from vatwatch.records import JournalEntry
    from vatwatch.terms import EntryKind
    from vatwatch.vat.budget import uncertainty_budget

    run = Run()
    run.minutes(1, orp=-560.0)
    before = uncertainty_budget(run.settings, run.state, run.last.scan)
    assert before[0].name == "what this vat and dye add to the couple"
    assert math.fsum(term.part for term in before) == pytest.approx(1.0)
    reduction = run.last.scan.reduction
    assert reduction is not None
    whole = math.sqrt(math.fsum(term.sigma_mv**2 for term in before))
    assert whole == pytest.approx(reduction.margin_mv_sigma, rel=0.03)
    for number, look in enumerate(("yellow-green", "amber", "yellow-green")):
        at = run.slot_ms
        entry = JournalEntry(f"look-{number}", at, at, "plain", EntryKind.CHECK, what=look)
        run.slot(samples(run.slot_ms + SCAN_MS, orp=-560.0), journal=[entry])
    after = uncertainty_budget(run.settings, run.state, run.last.scan)
    assert after[0].sigma_mv < 0.5 * before[0].sigma_mv
    assert [lesson.look for lesson in run.state.lessons] == ["yellow-green", "amber", "yellow-green"]
    assert run.state.lessons[0].bits > 0.3
    assert run.state.lessons[0].sigma_after_mv < run.state.lessons[0].sigma_before_mv
