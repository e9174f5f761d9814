"""What the dyer sees teaches the estimate: a look at the liquor moves the belief about this vat's offset.

Bayes on the grid of `estimate.OffsetBelief`: P(offset | look) ∝ P(offset) · P(look | share(margin + offset)). A share
of looks is allowed to be plain wrong (poor light, a lagging probe, someone else's eyes). The belief widens slowly with
time, because dyes, sludge and electrodes change, and starts afresh when the vat is remade.

Three things can be looked at, each on a scale of its own: the colour of the liquor, the film on its surface, and a
strip of cloth as it comes up. Which share looks how is trade experience put into numbers: common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from vatwatch.terms import Look
from vatwatch.vat.estimate import GRID_STEP_MV, OFFSETS_MV, Couple, OffsetBelief


@dataclass(frozen=True, slots=True)
class Scale:
    """One thing to look at: its looks in order, the shares at which one passes into the next, and how eyes scatter.

    `scatter_logit` is on the logistic scale, in logit units of the share; `wrong_share` is the part of looks expected
    to be plain wrong. All three are judgement.
    """

    looks: tuple[Look, ...]
    share_between: tuple[float, ...]
    scatter_logit: float
    wrong_share: float


COLOUR = Scale(
    (Look.BLUE, Look.BLUE_GREEN, Look.GREEN, Look.YELLOW_GREEN, Look.AMBER), (0.25, 0.50, 0.80, 0.95), 0.38, 0.07
)
# A film needs stillness and a share well above half; a thin one says little.
FILM = Scale((Look.FILM_NONE, Look.FILM_THIN, Look.FILM_COPPERY), (0.50, 0.85), 0.8, 0.15)
STRIP = Scale((Look.STRIP_BLUE, Look.STRIP_GREEN, Look.STRIP_YELLOW), (0.40, 0.85), 0.5, 0.10)
SCALES = (COLOUR, FILM, STRIP)
SCALE_OF_LOOK = {look: scale for scale in SCALES for look in scale.looks}

DRIFT_MV_PER_SQRT_DAY = 4.0
"""How fast what was learnt goes stale: a random walk of the offset, 1 σ after one day. Judgement."""


def look_probability(look: Look, logit_share: float) -> float:
    """P(look | share) within its scale: ordered logit with outliers; `logit_share` = ln(share / (1 − share))."""
    scale = SCALE_OF_LOOK[look]
    i = scale.looks.index(look)
    borders = [_logistic((_logit(share) - logit_share) / scale.scatter_logit) for share in scale.share_between]
    lower, upper = [0.0, *borders, 1.0][i : i + 2]
    return scale.wrong_share / len(scale.looks) + (1.0 - scale.wrong_share) * (upper - lower)


SAME_AGAIN_MV = 10.0
SAME_AGAIN_WEIGHT = 0.4
"""A look like the last one at nearly the same margin is half the same evidence: same eyes, same light. Judgement."""


def learn_from_look(
    belief: OffsetBelief, look: Look, couple: Couple, thermal_mv: float, weight: float = 1.0
) -> OffsetBelief:
    """The belief after one look taken at the margin in `couple`; `thermal_mv` is RT/2F at its temperature.

    `weight` (above 0, to 1) is how much of a look of its own it is: its likelihood counts to that power.
    """
    return OffsetBelief.from_weights(
        [
            before * _blurred_look_probability(look, couple, offset, thermal_mv) ** weight
            for before, offset in zip(belief.weights, OFFSETS_MV, strict=True)
        ]
    )


def unlearn_look(
    belief: OffsetBelief, look: Look, couple: Couple, thermal_mv: float, weight: float = 1.0
) -> OffsetBelief:
    """The belief as if that look had not been taken: its likelihood divided out again (it is never zero)."""
    return OffsetBelief.from_weights(
        [
            before / _blurred_look_probability(look, couple, offset, thermal_mv) ** weight
            for before, offset in zip(belief.weights, OFFSETS_MV, strict=True)
        ]
    )


# The reading's own noise blurs what a look can teach: three-point Gauss-Hermite rule, nodes 0, ±√3 σ with weights 2/3,
# 1/6, 1/6 (Abramowitz & Stegun 1964, table 25.10).
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


def _logit(share: float) -> float:
    return math.log(share / (1.0 - share))


def _logistic(x: float) -> float:
    if x >= 0.0:
        return 1.0 / (1.0 + math.exp(-min(x, 700.0)))
    e = math.exp(max(x, -700.0))
    return e / (1.0 + e)
