"""The estimate's arithmetic against scipy, and its honesty against draws from its own prior."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from vatwatch.chemistry.electrodes import ReferenceElectrode, eh_mv_from_orp
from vatwatch.chemistry.indigo import half_reduced_mv, reduced_share
from vatwatch.chemistry.nernst import thermal_mv
from vatwatch.vat.estimate import (
    OFFSETS_MV,
    Couple,
    OffsetBelief,
    couple_from_readings,
    estimate_reduction,
    margin_of_share,
)

PRIOR = OffsetBelief.prior(50.0)


@pytest.mark.parametrize("sigma", [3.0, 10.0, 40.0])
def test_interval_equals_the_normal_distribution_where_everything_is_normal(sigma: float) -> None:
    """Prior N(0, 50) and noise N(0, σ) add to N(0, √(50² + σ²)); scipy.stats.norm is the reference."""
    reduction = estimate_reduction(Couple(-60.0, sigma, 25.0), PRIOR, 0.9)
    total = math.hypot(50.0, sigma)
    s = thermal_mv(25.0, 2)
    for share, probability in ((reduction.share_low, 0.05), (reduction.share, 0.5), (reduction.share_high, 0.95)):
        margin = s * math.log(share / (1 - share))
        assert margin == pytest.approx(-60.0 + stats.norm.ppf(probability) * total, abs=0.8)
    expected = stats.norm.sf((margin_of_share(0.9, 25.0) + 60.0) / total)
    assert reduction.probability_fit == pytest.approx(expected, abs=0.005)


def test_interval_of_an_odd_belief_equals_a_monte_carlo_draw() -> None:
    """A two-humped belief: quantiles against 400,000 draws (numpy)."""
    weights = [math.exp(-0.5 * ((o + 60) / 15) ** 2) + 0.5 * math.exp(-0.5 * ((o - 80) / 20) ** 2) for o in OFFSETS_MV]
    belief = OffsetBelief.from_weights(weights)
    rng = np.random.default_rng(5)
    draws = rng.choice(OFFSETS_MV, size=400_000, p=belief.weights) + rng.uniform(-2, 2, 400_000)
    draws = draws + rng.normal(0, 8.0, 400_000)
    reduction = estimate_reduction(Couple(-60.0, 8.0, 30.0), belief, 0.9)
    s = thermal_mv(30.0, 2)
    for share, q in ((reduction.share_low, 5), (reduction.share, 50), (reduction.share_high, 95)):
        assert s * math.log(share / (1 - share)) == pytest.approx(float(np.percentile(draws, q)) - 60.0, abs=1.5)


def test_noise_adds_up_as_the_gum_says() -> None:
    """σ² = σ_ORP² + σ_ref² + (dE½/dpH · σ_pH)² (JCGM 100:2008, 5.1.2), the derivative taken by the test itself."""
    couple = couple_from_readings(-500.0, 4.0, 11.0, 0.1, 25.0, ReferenceElectrode.AGCL_3M_KCL, -195.0)
    slope = (half_reduced_mv(11.01, 25.0) - half_reduced_mv(10.99, 25.0)) / 0.02
    assert couple.sigma_mv == pytest.approx(math.sqrt(4.0**2 + 3.0**2 + (slope * 0.1) ** 2), rel=0.02)
    assert couple.margin_mv == pytest.approx(half_reduced_mv(11.0, 25.0) + 500.0)


@given(st.floats(-1300, 300), st.floats(7, 13.5), st.floats(0, 60), st.floats(0.1, 60), st.floats(0.5, 0.99))
def test_nothing_leaves_the_physical_range(orp: float, ph: float, t: float, sigma: float, limit: float) -> None:
    eh = eh_mv_from_orp(orp, ReferenceElectrode.AGCL_3M_KCL, t)
    couple = couple_from_readings(eh, sigma, ph, 0.1, t, ReferenceElectrode.AGCL_3M_KCL, -195.0)
    reduction = estimate_reduction(couple, PRIOR, limit)
    assert 0.0 <= reduction.share_low <= reduction.share <= reduction.share_high <= 1.0
    assert 0.0 <= reduction.probability_fit <= 1.0
    assert math.isfinite(reduction.margin_mv)
    assert reduction.margin_mv_sigma > 0
    assert reduction.saturated == (reduction.share >= 0.99)


def test_counting_stops_at_ninety_nine_percent() -> None:
    reduction = estimate_reduction(Couple(300.0, 5.0, 25.0), PRIOR, 0.9)
    assert (reduction.share, reduction.share_low, reduction.share_high) == (0.99, 0.99, 1.0)
    assert reduction.saturated
    assert reduction.margin_mv == pytest.approx(300.0, abs=0.5)


def test_published_vats_come_out_reduced() -> None:
    """Woad at pH 9, 47 °C, −560 to −595 mV vs SCE (Padden, John et al. 1998, Nature 396, 225): a working vat.

    Composted leaf at pH 10 to 11, at or below −600 mV, electrode not stated (Int. J. Mol. Sci. 2023, 24, 14696), taken
    as Ag/AgCl 3 M and as saturated calomel.
    """
    rows = [
        (-560.0, 9.0, 47.0, ReferenceElectrode.SCE),
        (-595.0, 9.0, 47.0, ReferenceElectrode.SCE),
        (-600.0, 10.5, 25.0, ReferenceElectrode.AGCL_3M_KCL),
        (-600.0, 10.5, 25.0, ReferenceElectrode.SCE),
    ]
    for orp, ph, t, reference in rows:
        eh = eh_mv_from_orp(orp, reference, t)
        reduction = estimate_reduction(couple_from_readings(eh, 3, ph, 0.05, t, reference, -195.0), PRIOR, 0.9)
        assert reduction.share > 0.85, (orp, reference)
        assert reduction.share_high > 0.99


def test_the_interval_covers_what_it_says_on_drawn_vats() -> None:
    """4,000 vats with an offset drawn from the prior and noisy probes: 88 to 92 % of the truths lie inside."""
    rng = random.Random(20260601)
    inside = 0
    for _ in range(4000):
        t, ph = rng.uniform(15, 55), rng.uniform(9, 12.5)
        share = 1 / (1 + math.exp(-rng.uniform(-3, 6)))
        offset = rng.gauss(0, 50)
        eh = half_reduced_mv(ph, t) + offset - thermal_mv(t, 2) * math.log(share / (1 - share))
        seen_eh, seen_ph = eh + rng.gauss(0, 5), ph + rng.gauss(0, 0.08)
        couple = couple_from_readings(seen_eh, 4.0, seen_ph, 0.08, t, ReferenceElectrode.AGCL_3M_KCL, -195.0)
        reduction = estimate_reduction(couple, PRIOR, 0.9)
        inside += reduction.share_low <= share <= reduction.share_high
    print(f"\nthe 90 % interval covers {inside / 4000:.3f} of 4,000 drawn vats")
    assert 0.88 <= inside / 4000 <= 0.92


def test_share_and_margin_are_inverse() -> None:
    for share in (0.5, 0.8, 0.9, 0.99):
        assert reduced_share(-margin_of_share(share, 40.0), 0.0, 40.0) == pytest.approx(share)
