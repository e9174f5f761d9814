"""The filter against published and reference results on the Nile data."""

from __future__ import annotations

import math
import random

import pytest

from vatwatch.vat.trend import Trend, ahead, drift_noise, predict, started, update

# Annual flow of the Nile at Aswan, 1871-1970, 10^8 m^3 (G. W. Cobb 1978, Biometrika 65, 243; in Durbin & Koopman 2012,
# figure 2.1). Typed from memory of R's datasets::Nile; the published results below hold it.
NILE = [
    1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180, 799, 958, 1140,
    1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833, 701, 916, 692, 1020, 1050, 969,
    831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845, 864, 862, 698, 845, 744, 796, 1040, 759,
    781, 865, 845, 944, 984, 897, 822, 1010, 771, 676, 649, 846, 812, 742, 801, 1040, 860, 874, 848, 890,
    744, 749, 838, 1050, 918, 986, 797, 923, 975, 815, 1020, 906, 901, 1170, 912, 746, 919, 718, 714, 740,
]  # fmt: skip


def run(values: list[float | None], obs: float, level: float, slope: float) -> tuple[list[Trend], Trend]:
    """Filtered states (before predicting on), discrete model of Durbin & Koopman: Q = diag(level, slope)."""
    trend = Trend(p11=0.0 if slope == 0.0 else 1e7)
    filtered = []
    for value in values:
        if value is not None:
            trend = update(trend, value, obs, robust=False)
        filtered.append(trend)
        trend = predict(trend, 1.0, level, 0.0, slope)
    return filtered, trend


def test_local_level_on_the_nile() -> None:
    """σ²ε 15099, σ²η 1469.1 (Durbin & Koopman 2012, section 2.2): last level 798.37, variance 4032.16, gain 0.26705."""
    filtered, later = run(list(NILE), 15099.0, 1469.1, 0.0)
    assert filtered[-1].level == pytest.approx(798.370, abs=0.01)
    assert filtered[-1].p00 == pytest.approx(4032.16, abs=0.05)
    assert later.p00 / (later.p00 + 15099.0) == pytest.approx(0.26705, abs=1e-5)
    assert math.sqrt(later.p00 + 15099.0) == pytest.approx(143.53, abs=0.01)
    for _ in range(9):
        later = predict(later, 1.0, 1469.1, 0.0, 0.0)
    assert math.sqrt(later.p00 + 15099.0) == pytest.approx(183.91, abs=0.01)


def test_missing_observations_on_the_nile() -> None:
    """Years 21-40 and 61-80 missing (Durbin & Koopman 2012, section 2.7): level at 40: 1026.14, P 33414."""
    values: list[float | None] = [v if not (20 <= i < 40 or 60 <= i < 80) else None for i, v in enumerate(NILE)]
    filtered, _ = run(values, 15099.0, 1469.1, 0.0)
    assert filtered[39].level == pytest.approx(1026.14, abs=0.01)
    assert filtered[39].p00 == pytest.approx(33414, abs=1)


def test_local_linear_trend_on_the_nile() -> None:
    """15099, 1469.1, 10: last level 781.216, slope −6.9522; h=1 774.264 (s.e. 148.93), h=10 711.694 (242.71).

    Reference: statsmodels 0.15 UnobservedComponents with these variances, diffuse start.
    """
    filtered, later = run(list(NILE), 15099.0, 1469.1, 10.0)
    assert filtered[-1].level == pytest.approx(781.216, abs=0.05)
    assert filtered[-1].slope == pytest.approx(-6.9522, abs=0.002)
    assert later.level == pytest.approx(774.264, abs=0.05)
    assert math.sqrt(later.p00 + 15099.0) == pytest.approx(148.93, abs=0.02)
    for _ in range(9):
        later = predict(later, 1.0, 1469.1, 0.0, 10.0)
    assert later.level == pytest.approx(711.694, abs=0.1)
    assert math.sqrt(later.p00 + 15099.0) == pytest.approx(242.71, abs=0.05)


def test_a_spike_moves_the_level_little_and_a_step_is_followed() -> None:
    rng = random.Random(1)
    trend = Trend()
    for _ in range(200):
        trend = update(predict(trend, 1.0, *drift_noise(1.0, 1e-6, 1e-10)), 11.0 + rng.gauss(0, 0.02), 0.02**2)
    spiked = update(predict(trend, 1.0, *drift_noise(1.0, 1e-6, 1e-10)), 3.0, 0.02**2)
    assert abs(spiked.level - trend.level) < 0.02
    assert spiked.astray == -1
    stepped = started(11.4, 0.02**2, 0.01**2)
    for _ in range(60):
        stepped = update(predict(stepped, 1.0, *drift_noise(1.0, 1e-6, 1e-10)), 11.4 + rng.gauss(0, 0.02), 0.02**2)
    assert stepped.level == pytest.approx(11.4, abs=0.02)
    assert stepped.astray == 0
    for _ in range(8):
        trend = update(predict(trend, 1.0, *drift_noise(1.0, 1e-6, 1e-10)), 12.0, 0.02**2)
    assert trend.astray == 8, "a new level goes on being far away"


def test_uneven_steps_are_one_long_step() -> None:
    """The continuous model does not care how a gap is cut (semigroup property)."""
    trend = Trend(5.0, -0.2, 0.3, 0.01, 0.02, 9)
    once = ahead(trend, 90.0, 1e-3, 1e-6)
    cut = trend
    for dt in (10.0, 35.0, 45.0):
        cut = predict(cut, dt, *drift_noise(dt, 1e-3, 1e-6))
    assert once.mean == pytest.approx(cut.level)
    assert once.sigma == pytest.approx(math.sqrt(cut.p00))
