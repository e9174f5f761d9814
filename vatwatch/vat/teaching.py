"""What the dyer sees teaches the estimate: a look at the liquor moves the belief about this vat's offset.

Bayes on the grid of `estimate.OffsetBelief`: P(offset | look) ∝ P(offset) · P(look | share(margin + offset)). A share
of looks is allowed to be plain wrong (poor light, a lagging probe, someone else's eyes). The belief widens slowly with
time, because dyes, sludge and electrodes change, and starts afresh when the vat is remade.

Which share looks how is trade experience put into numbers: common practice, no source.
"""

from __future__ import annotations

import math
from enum import StrEnum

from vatwatch.vat.estimate import GRID_STEP_MV, OFFSETS_MV, Couple, OffsetBelief


class Look(StrEnum):
    """How a spoonful of clear liquor from below the surface looks, held against the light."""

    BLUE = "blue"
    BLUE_GREEN = "blue-green"
    GREEN = "green"
    YELLOW_GREEN = "yellow-green"
    AMBER = "amber"


LOOKS = tuple(Look)
SHARE_BETWEEN_LOOKS = (0.25, 0.50, 0.80, 0.95)
"""Share at which one look passes into the next, in the order of `Look`. Common practice, no source."""
LOOK_SCATTER_LOGIT = 0.35
"""1 σ (logistic scale) of eyes and light around those shares, in logit units. Judgement."""
WRONG_SHARE = 0.08
"""Share of looks expected to be plain wrong. Judgement."""
DRIFT_MV_PER_SQRT_DAY = 4.0
"""How fast what was learnt goes stale: a random walk of the offset, 1 σ after one day. Judgement."""

_THRESHOLDS = tuple(math.log(share / (1.0 - share)) for share in SHARE_BETWEEN_LOOKS)


def look_probability(look: Look, logit_share: float) -> float:
    """P(look | share), an ordered-logit model with an outlier share; `logit_share` = ln(share / (1 − share))."""
    i = LOOKS.index(look)
    upper = 1.0 if i == len(_THRESHOLDS) else _logistic((_THRESHOLDS[i] - logit_share) / LOOK_SCATTER_LOGIT)
    lower = 0.0 if i == 0 else _logistic((_THRESHOLDS[i - 1] - logit_share) / LOOK_SCATTER_LOGIT)
    return WRONG_SHARE / len(LOOKS) + (1.0 - WRONG_SHARE) * (upper - lower)


def learn_from_look(belief: OffsetBelief, look: Look, couple: Couple, thermal_mv: float) -> OffsetBelief:
    """The belief after one look taken at the margin in `couple`; `thermal_mv` is RT/2F at its temperature."""
    # The reading's own noise blurs what a look can teach; folded in as extra scatter around the same margin.
    return OffsetBelief.from_weights(
        [
            weight * _blurred_look_probability(look, couple, offset, thermal_mv)
            for weight, offset in zip(belief.weights, OFFSETS_MV, strict=True)
        ]
    )


# Three-point Gauss-Hermite rule: nodes 0, ±√3 σ with weights 2/3, 1/6, 1/6 (Abramowitz & Stegun 1964, table 25.10).
_NODES = ((-math.sqrt(3.0), 1.0 / 6.0), (0.0, 2.0 / 3.0), (math.sqrt(3.0), 1.0 / 6.0))


def _blurred_look_probability(look: Look, couple: Couple, offset_mv: float, thermal_mv: float) -> float:
    return math.fsum(
        weight * look_probability(look, (couple.margin_mv + offset_mv + node * couple.sigma_mv) / thermal_mv)
        for node, weight in _NODES
    )


def widen(belief: OffsetBelief, days: float) -> OffsetBelief:
    """The belief after `days` (≥ 0) without a look: blurred by a random walk. Probability does not leave the grid."""
    sigma_steps = DRIFT_MV_PER_SQRT_DAY * math.sqrt(days) / GRID_STEP_MV
    if sigma_steps < 0.05:
        return belief
    reach = max(1, math.ceil(4.0 * sigma_steps))
    kernel = [math.exp(-0.5 * (k / sigma_steps) ** 2) for k in range(-reach, reach + 1)]
    last = len(belief.weights) - 1
    blurred = [0.0] * (last + 1)
    for i, weight in enumerate(belief.weights):
        for k, part in enumerate(kernel):
            blurred[min(max(i + k - reach, 0), last)] += weight * part
    return OffsetBelief.from_weights(blurred)


def information_bits(before: OffsetBelief, after: OffsetBelief) -> float:
    """How much a look taught: Kullback–Leibler divergence of `after` from `before`, in bits (≥ 0)."""
    return math.fsum(
        a * math.log2(a / b) for a, b in zip(after.weights, before.weights, strict=True) if a > 0.0 and b > 0.0
    )


def _logistic(x: float) -> float:
    if x >= 0.0:
        return 1.0 / (1.0 + math.exp(-min(x, 700.0)))
    e = math.exp(max(x, -700.0))
    return e / (1.0 + e)
