"""From ORP to the share of indigo in its soluble leuco form, with an interval that is as wide as our ignorance.

    margin = E½(pH, T) + offset − Eh          share = 1 / (1 + exp(−margin / s)),  s = RT/2F

E½ is the half-reduced potential of `chemistry.indigo`. `offset` is what this vat, this dye and this electrode add to
it: a prior of mean 0 and 50 mV (1 σ) until the dyer says what the liquor looks like. It is carried as weights on a
grid (`OffsetBelief`), so that a check that only says "at least this much" is not forced into a bell curve.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass

from vatwatch.chemistry.electrodes import ReferenceElectrode, reference_potential_sigma_mv
from vatwatch.chemistry.indigo import half_reduced_mv, reduced_share
from vatwatch.chemistry.nernst import thermal_mv
from vatwatch.records import Reduction
from vatwatch.vat.worked_out import Once

GRID_STEP_MV = 4.0
GRID_HALF_WIDTH_MV = 300.0
OFFSETS_MV: tuple[float, ...] = tuple(
    -GRID_HALF_WIDTH_MV + GRID_STEP_MV * i for i in range(int(2 * GRID_HALF_WIDTH_MV / GRID_STEP_MV) + 1)
)
SATURATED_SHARE = 0.99
_NORMAL_95 = 1.6448536269514722  # 95 % quantile of the standard normal distribution
_SIGMA_STEP_MV = 0.5
_MOST_SPREADS = 16


@dataclass(frozen=True, slots=True)
class OffsetBelief:
    """Weights over `OFFSETS_MV`, summing to 1."""

    weights: tuple[float, ...]

    @classmethod
    def prior(cls, sigma_mv: float) -> OffsetBelief:
        """Before anything was seen: normal, mean 0, `sigma_mv` wide."""
        return cls.from_weights([math.exp(-0.5 * (offset / sigma_mv) ** 2) for offset in OFFSETS_MV])

    @classmethod
    def from_weights(cls, weights: Sequence[float]) -> OffsetBelief:
        total = math.fsum(weights)
        return cls(tuple(weight / total for weight in weights))

    def mean_mv(self) -> float:
        return math.fsum(w * o for w, o in zip(self.weights, OFFSETS_MV, strict=True))

    def sigma_mv(self) -> float:
        return _sigma_mv(self)

    def quantile_mv(self, probability: float) -> float:
        return _spreads(self).at(_SIGMA_STEP_MV).quantile(probability)


@Once
def _sigma_mv(belief: OffsetBelief) -> float:
    mean = belief.mean_mv()
    return math.sqrt(math.fsum(w * (o - mean) ** 2 for w, o in zip(belief.weights, OFFSETS_MV, strict=True)))


class _Spread:
    """Belief and measurement noise together: the distribution function of offset + N(0, σ), tabulated once."""

    __slots__ = ("cumulative", "interval", "points")

    def __init__(self, belief: OffsetBelief, sigma_mv: float) -> None:
        reach = math.ceil(5.0 * sigma_mv / GRID_STEP_MV) + 1
        size = len(OFFSETS_MV) + 2 * reach
        # Each weight is spread over its own grid cell, then blurred by the noise: cell edges carry the distribution.
        self.points = [OFFSETS_MV[0] + GRID_STEP_MV * (i - reach - 0.5) for i in range(size + 1)]
        step_cdf = [
            0.5 * (1.0 + math.erf(GRID_STEP_MV * (i - reach - 0.5) / (sigma_mv * math.sqrt(2.0))))
            for i in range(2 * reach + 2)
        ]
        cumulative = [0.0] * (size + 1)
        completed = [0.0] * (size + 2)
        for index, weight in enumerate(belief.weights):
            for offset, share in enumerate(step_cdf):
                cumulative[index + offset] += weight * share
            completed[index + len(step_cdf)] += weight  # beyond the noise's reach this weight counts whole
        done = 0.0
        for position in range(size + 1):
            done += completed[position]
            cumulative[position] += done
        self.cumulative = cumulative
        self.interval = (self.quantile(0.05), self.quantile(0.5), self.quantile(0.95))

    def quantile(self, probability: float) -> float:
        i = min(max(bisect_left(self.cumulative, probability), 1), len(self.cumulative) - 1)
        low, high = self.cumulative[i - 1], self.cumulative[i]
        part = 0.0 if high <= low else (probability - low) / (high - low)
        return self.points[i - 1] + min(max(part, 0.0), 1.0) * (self.points[i] - self.points[i - 1])

    def probability_above(self, value: float) -> float:
        if value <= self.points[0]:
            return 1.0
        if value >= self.points[-1]:
            return 0.0
        position = (value - self.points[0]) / GRID_STEP_MV
        i = int(position)
        below = self.cumulative[i] + (position - i) * (self.cumulative[i + 1] - self.cumulative[i])
        return min(max(1.0 - below, 0.0), 1.0)


class _Spreads:
    """One belief's tables, by noise in whole steps: beliefs stand for an hour at least, the readings' noise hardly moves."""

    def __init__(self, belief: OffsetBelief) -> None:
        self._belief = belief
        self._known: dict[float, _Spread] = {}

    def at(self, sigma_mv: float) -> _Spread:
        spread = self._known.get(sigma_mv)
        if spread is None:
            if len(self._known) >= _MOST_SPREADS:
                self._known.clear()
            spread = self._known[sigma_mv] = _Spread(self._belief, sigma_mv)
        return spread


_spreads = Once(_Spreads)


@dataclass(frozen=True, slots=True)
class Couple:
    """The measured half of the estimate: the margin as it would be with offset 0, and its noise (1 σ), both in mV."""

    margin_mv: float
    sigma_mv: float
    temperature_c: float


def couple_from_readings(
    eh_mv: float,
    orp_sigma_mv: float,
    ph: float,
    ph_sigma: float,
    temperature_c: float,
    reference: ReferenceElectrode,
    e7_mv: float,
) -> Couple:
    """Margin without offset, and its noise propagated from ORP, the reference electrode's table and pH.

    pH enters through dE½/dpH (about −30 to −59 mV per pH). Raises RangeError outside the chemistry's range.
    """
    half = half_reduced_mv(ph, temperature_c, e7_mv=e7_mv)
    step = 0.05 if ph < 13.9 else -0.05
    slope = (half_reduced_mv(ph + step, temperature_c, e7_mv=e7_mv) - half) / step
    sigma = math.sqrt(
        orp_sigma_mv**2 + reference_potential_sigma_mv(reference, temperature_c) ** 2 + (slope * ph_sigma) ** 2
    )
    return Couple(margin_mv=half - eh_mv, sigma_mv=sigma, temperature_c=temperature_c)


def estimate_reduction(couple: Couple, belief: OffsetBelief, share_limit: float) -> Reduction:
    """Median and 90 % interval of the reduced share, the margin in mV, and the chance of standing above the limit."""
    sigma = max(_SIGMA_STEP_MV, round(couple.sigma_mv / _SIGMA_STEP_MV) * _SIGMA_STEP_MV)
    spread = _spreads(belief).at(sigma)
    from_low, from_middle, from_high = spread.interval
    low, middle, high = couple.margin_mv + from_low, couple.margin_mv + from_middle, couple.margin_mv + from_high
    t = couple.temperature_c
    share, share_low, share_high = (reduced_share(-margin, 0.0, t) for margin in (middle, low, high))
    limit_margin = margin_of_share(share_limit, t)
    return Reduction(
        # Far below the couple the reductant sets the potential and the share says nothing more: counting stops at 99 %.
        share=min(share, SATURATED_SHARE),
        share_low=min(share_low, SATURATED_SHARE),
        share_high=1.0 if share_high >= SATURATED_SHARE else share_high,
        margin_mv=middle,
        margin_mv_sigma=(high - low) / (2.0 * _NORMAL_95),
        saturated=share >= SATURATED_SHARE,
        probability_fit=spread.probability_above(limit_margin - couple.margin_mv),
    )


def margin_of_share(share: float, temperature_c: float) -> float:
    """Margin in mV at which `share` (0 < share < 1) of the indigo is reduced: s · ln(share / (1 − share))."""
    return thermal_mv(temperature_c, electrons=2) * math.log(share / (1.0 - share))
