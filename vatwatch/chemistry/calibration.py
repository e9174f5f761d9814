"""Calibration of pH and ORP probes from what they read in known solutions.

One model serves both kinds of pH probe. An electrode gives E = E_offset + slope_share · k(t) · (7 − pH), with
k the Nernst slope; a transmitter that already shows pH has divided by the ideal slope, so its reading is
first turned back into the millivolts it must have seen. This module must not know vats, ports or files.

Sources: IUPAC practice of bracketing and multi-point calibration, R. P. Buck et al., Pure Appl. Chem. 74,
2169 (2002), DOI 10.1351/pac200274112169 (sections on practical pH measurement); isopotential point at pH 7,
common practice.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from vatwatch.chemistry.nernst import nernst_slope_mv
from vatwatch.chemistry.ranges import require_finite, require_range
from vatwatch.errors import RangeError

ISOPOTENTIAL_PH: Final = 7.0
SLOPE_SHARE_RANGE: Final = (0.5, 1.2)
SLOPE_PRIOR: Final = 0.98
"""Slope assumed when only one buffer was read: a healthy electrode reads 92–102 % (from memory, common
practice).
"""
SLOPE_PRIOR_SIGMA: Final = 0.03
OFFSET_DRIFT_MV_PER_DAY: Final = 0.2
SLOPE_DRIFT_SHARE_PER_DAY: Final = 0.0005
ORP_DRIFT_MV_PER_DAY: Final = 0.3
THERMOMETER_DRIFT_C_PER_DAY: Final = 0.0005
"""1 σ of how fast a probe in a warm alkaline vat wanders from its calibration: a month leaves a pH electrode unsure by
6 mV (0.1 pH) and 1.5 % of slope, an ORP probe by 9 mV. Judgement of this project, no source.
"""
OFFSET_GOOD_MV: Final = 30.0
SLOPE_GOOD_SHARE: Final = (0.85, 1.05)


def ideal_mv_from_ph(reading_ph: float, temperature_c: float) -> float:
    """The millivolts an ideal electrode gives at a pH, 0 at pH 7: what a pH transmitter must have seen.

    Raises:
        RangeError: temperature outside 0…100 °C or a reading outside −2…16 or not finite.
    """
    ph = require_range(reading_ph, -2.0, 16.0, "pH reading", "", "a pH transmitter's scale")
    return (ISOPOTENTIAL_PH - ph) * nernst_slope_mv(temperature_c)


@dataclass(frozen=True, slots=True)
class PhCalibration:
    """Offset in mV at pH 7 and slope as a share of the Nernst slope, with 1 sigma each and their covariance
    (mV).
    """

    offset_mv: float = 0.0
    slope_share: float = 1.0
    offset_mv_sigma: float = 6.0
    slope_share_sigma: float = 0.03
    offset_slope_covariance_mv: float = 0.0

    def __post_init__(self) -> None:
        require_range(self.offset_mv, -300.0, 300.0, "pH electrode offset", "mV", "a working pH electrode")
        require_range(self.slope_share, *SLOPE_SHARE_RANGE, "pH electrode slope", "of Nernst", "a working pH electrode")
        require_range(self.offset_mv_sigma, 0.0, 300.0, "offset sigma", "mV", "a calibration")
        require_range(self.slope_share_sigma, 0.0, 1.0, "slope sigma", "of Nernst", "a calibration")
        require_finite(self.offset_slope_covariance_mv, "offset and slope covariance", "mV")

    @property
    def offset_ph(self) -> float:
        """The offset as a pH transmitter shows it in pH 7 at 25 °C: reading minus 7."""
        return -self.offset_mv / nernst_slope_mv(25.0)

    def apply(self, reading_ph: float, temperature_c: float = 25.0) -> float:
        """True pH from a transmitter's pH reading; `temperature_c` is the one the transmitter compensated
        with.

        Raises:
            RangeError: a reading outside −2…16, a temperature outside 0…100 °C, or not finite.
        """
        return ph_from_mv(ideal_mv_from_ph(reading_ph, temperature_c), temperature_c, self)

    def sigma(
        self, ph: float, temperature_c: float = 25.0, reading_sigma_ph: float = 0.0, age_days: float = 0.0
    ) -> float:
        """One sigma of a calibrated pH, by derivative: offset, slope, their covariance, the reading's own noise, and
        what the electrode may have drifted in the `age_days` (0 or more) since it was calibrated.

        pH = 7 + (E_off − E)/(m·k): dpH/dE_off = 1/(m·k), dpH/dm = −(pH − 7)/m. JCGM 100:2008 (GUM), eq. 13. Drift of
        offset and slope grows in proportion to age and is independent of the fit.

        Raises:
            RangeError: temperature outside 0…100 °C or an input not finite.
        """
        k = nernst_slope_mv(temperature_c)
        by_offset = 1.0 / (self.slope_share * k)
        by_slope = -(require_finite(ph, "pH", "") - ISOPOTENTIAL_PH) / self.slope_share
        variance = (
            (by_offset * self.offset_mv_sigma) ** 2
            + (by_slope * self.slope_share_sigma) ** 2
            + 2.0 * by_offset * by_slope * self.offset_slope_covariance_mv
            + (reading_sigma_ph / self.slope_share) ** 2
        )
        if age_days > 0.0:
            variance += (by_offset * OFFSET_DRIFT_MV_PER_DAY * age_days) ** 2
            variance += (by_slope * SLOPE_DRIFT_SHARE_PER_DAY * age_days) ** 2
        return math.sqrt(max(variance, 0.0))

    def doubts(self) -> tuple[str, ...]:
        """Sentences about an electrode that still calibrates but is wearing out (limits: common practice)."""
        found: list[str] = []
        if abs(self.offset_mv) > OFFSET_GOOD_MV:
            found.append(
                f"the pH electrode is off by {self.offset_mv:+.0f} mV at pH 7 "
                f"(good: within ±{OFFSET_GOOD_MV:.0f} mV); clean it, renew its filling, or replace it"
            )
        low, high = SLOPE_GOOD_SHARE
        if not low <= self.slope_share <= high:
            found.append(
                f"the pH electrode's slope is {100 * self.slope_share:.0f} % (good: {100 * low:.0f} to "
                f"{100 * high:.0f} %); use fresh buffers, clean it, or replace it"
            )
        return tuple(found)


def ph_from_mv(mv: float, temperature_c: float, calibration: PhCalibration) -> float:
    """pH from a raw electrode potential in mV at a temperature in °C: pH = 7 + (E_off − E)/(slope_share ·
    k(t)).

    Temperature compensation scales the slope only; it cannot undo what the bath itself does with temperature.

    Raises:
        RangeError: temperature outside 0…100 °C, or millivolts outside ±1000 or not finite.
    """
    potential = require_range(mv, -1000.0, 1000.0, "pH electrode potential", "mV", "a pH electrode")
    slope = calibration.slope_share * nernst_slope_mv(temperature_c)
    return ISOPOTENTIAL_PH + (calibration.offset_mv - potential) / slope


@dataclass(frozen=True, slots=True)
class PhPoint:
    """One buffer as read: electrode mV, the buffer's pH at that temperature, and 1 sigma of each."""

    mv: float
    buffer_ph: float
    temperature_c: float = 25.0
    mv_sigma: float = 0.6
    buffer_ph_sigma: float = 0.01


def point_from_ph_reading(
    reading_ph: float,
    buffer_ph: float,
    temperature_c: float = 25.0,
    reading_sigma_ph: float = 0.01,
    buffer_ph_sigma: float = 0.01,
) -> PhPoint:
    """A calibration point from a transmitter that shows pH (compensating at `temperature_c`)."""
    k = nernst_slope_mv(temperature_c)
    mv = ideal_mv_from_ph(reading_ph, temperature_c)
    return PhPoint(mv, buffer_ph, temperature_c, reading_sigma_ph * k, buffer_ph_sigma)


def fit_ph(points: Sequence[PhPoint]) -> PhCalibration:
    """Calibration from one to five buffers by weighted least squares, with standard uncertainties.

    E = E_off + m·x with x = k(t)(7 − pH); weights 1/(σ_E² + (k σ_pH)²). With one buffer the slope is taken as
    0.98 ± 0.03 and only the offset is learnt. Source of the estimator: JCGM 100:2008 (GUM), annex H.3.

    Raises:
        RangeError: no point, more than five, buffers less than 1 pH apart, a slope outside 50–120 %, or input
        not finite.
    """
    if not 1 <= len(points) <= 5:
        raise RangeError(f"{len(points)} buffer readings given; expected one to five")
    xs, ys, weights = [], [], []
    for point in points:
        k = nernst_slope_mv(point.temperature_c)
        buffer_ph = require_range(point.buffer_ph, 1.0, 14.0, "buffer pH", "", "a calibration buffer")
        xs.append(k * (ISOPOTENTIAL_PH - buffer_ph))
        ys.append(require_range(point.mv, -1000.0, 1000.0, "pH electrode potential", "mV", "a pH electrode"))
        variance = point.mv_sigma**2 + (k * point.buffer_ph_sigma) ** 2
        weights.append(1.0 / require_range(variance, 1e-6, 1e6, "variance of a buffer reading", "mV²", "a calibration"))
    if len(points) == 1:
        offset = ys[0] - SLOPE_PRIOR * xs[0]
        sigma = math.hypot(weights[0] ** -0.5, xs[0] * SLOPE_PRIOR_SIGMA)
        return PhCalibration(offset, SLOPE_PRIOR, sigma, SLOPE_PRIOR_SIGMA, -xs[0] * SLOPE_PRIOR_SIGMA**2)
    span = max(p.buffer_ph for p in points) - min(p.buffer_ph for p in points)
    if span < 1.0:
        raise RangeError(f"the buffers are only {span:.2f} pH apart; use two at least 1 pH apart, such as 7 and 10")
    total = sum(weights)
    mean_x = sum(w * x for w, x in zip(weights, xs, strict=True)) / total
    mean_y = sum(w * y for w, y in zip(weights, ys, strict=True)) / total
    spread = sum(w * (x - mean_x) ** 2 for w, x in zip(weights, xs, strict=True))
    slope = sum(w * (x - mean_x) * (y - mean_y) for w, x, y in zip(weights, xs, ys, strict=True)) / spread
    if not SLOPE_SHARE_RANGE[0] <= slope <= SLOPE_SHARE_RANGE[1]:
        raise RangeError(
            f"the buffer readings give a slope of {100 * slope:.0f} % of Nernst; expected 50 to 120 %. "
            "Check that the probe stood in the buffers named, in that order, was rinsed, and had settled"
        )
    offset = mean_y - slope * mean_x
    return PhCalibration(
        offset_mv=offset,
        slope_share=slope,
        offset_mv_sigma=math.sqrt(1.0 / total + mean_x**2 / spread),
        slope_share_sigma=math.sqrt(1.0 / spread),
        offset_slope_covariance_mv=-mean_x / spread,
    )


def fit_ph_two_point(
    reading_1: float, buffer_1: float, reading_2: float, buffer_2: float, temperature_c: float = 25.0
) -> PhCalibration:
    """Calibration of a pH transmitter from its pH readings in two buffers (both pH units) at one temperature.

    Raises:
        RangeError: as `fit_ph`.
    """
    return fit_ph(
        (
            point_from_ph_reading(reading_1, buffer_1, temperature_c),
            point_from_ph_reading(reading_2, buffer_2, temperature_c),
        )
    )


def fit_ph_two_point_mv(
    mv_1: float, buffer_1: float, mv_2: float, buffer_2: float, temperature_c: float = 25.0
) -> PhCalibration:
    """Calibration of a raw electrode from its mV in two buffers (pH units) at one temperature.

    Raises:
        RangeError: as `fit_ph`.
    """
    return fit_ph((PhPoint(mv_1, buffer_1, temperature_c), PhPoint(mv_2, buffer_2, temperature_c)))


@dataclass(frozen=True, slots=True)
class OrpCalibration:
    """What to add to a raw ORP reading, in mV, and its 1 sigma. An ORP probe has no slope to calibrate."""

    offset_mv: float = 0.0
    sigma_mv: float = 10.0

    def __post_init__(self) -> None:
        require_range(self.offset_mv, -300.0, 300.0, "ORP offset", "mV", "a working ORP electrode")
        require_range(self.sigma_mv, 0.0, 300.0, "ORP sigma", "mV", "a calibration")

    def apply(self, orp_mv: float) -> float:
        """The corrected ORP in mV, against the same reference electrode.

        Raises:
            RangeError: a reading that is not finite.
        """
        return require_finite(orp_mv, "ORP reading", "mV") + self.offset_mv

    def sigma(self, reading_sigma_mv: float = 0.0, age_days: float = 0.0) -> float:
        """One sigma in mV of a corrected ORP: the offset's own, the reading's noise, and drift in `age_days` since."""
        return math.hypot(reading_sigma_mv, self.sigma_mv, ORP_DRIFT_MV_PER_DAY * max(age_days, 0.0))
