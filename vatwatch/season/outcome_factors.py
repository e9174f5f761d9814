"""What of a vat's state may bear upon an outcome: its unit, its scale, and which of the dyer's own limits it can move. Pure.

Knows no fit. The spread below which nothing can be said of a factor stands beside it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import fmean, pstdev

from vatwatch.chemistry.nernst import thermal_mv
from vatwatch.season.piece_states import PieceState

LEAST_SHARE, MOST_SHARE = 0.5, 0.99
"""The range of `reduction_low` in the settings."""


@dataclass(frozen=True, slots=True)
class Factor:
    """One number of a piece's dips. `step` is what an effect is told for, in `step_words`.

    `least_spread` is the standard deviation below which it hardly moved: 8 mV, 0.1 pH, 1 °C are the judgement's own
    deadbands, the others common practice, no source. `low_key` and `high_key` name the settings of the vat's window that
    bound it from below and above; empty where there is none.
    """

    name: str
    label: str
    unit: str
    of: Callable[[PieceState], float]
    step: float
    step_words: str
    least_spread: float
    low_key: str = ""
    high_key: str = ""


REDUCTION = Factor(
    "reduction", "reduction", "mV", lambda piece: piece.margin_mv, 10.0, "10 mV more margin", 8.0, "reduction_low"
)
RESTED = Factor(
    "rested",
    "rest before the dip",
    "min",
    lambda piece: math.log2(max(piece.rested_min, 1.0)),
    1.0,
    "twice the rest",
    0.5,
    "settle_min",
)
PH = Factor("ph", "pH at 25 °C", "", lambda piece: piece.ph_25c, 0.2, "0.2 more pH", 0.1, "ph_low", "ph_high")
TEMPERATURE = Factor(
    "temperature",
    "temperature",
    "°C",
    lambda piece: piece.temperature_c,
    5.0,
    "5 °C more",
    1.0,
    "temperature_low_c",
    "temperature_high_c",
)
LIQUOR = Factor(
    "liquor", "time in the liquor", "min", lambda piece: piece.liquor_min, 10.0, "10 min more in the liquor", 5.0
)
FACTORS = (REDUCTION, RESTED, PH, TEMPERATURE, LIQUOR)
"""In the order in which they are taken up: with few pieces that rubbed off only the first can be told apart."""


@dataclass(frozen=True, slots=True)
class Scale:
    """A factor as the fit sees it: mean 0, standard deviation 0.5 (Gelman et al. 2008)."""

    factor: Factor
    mean: float
    spread: float

    def z(self, value: float) -> float:
        return (value - self.mean) / (2.0 * self.spread)

    def value(self, z: float) -> float:
        return self.mean + 2.0 * self.spread * z

    @property
    def step_z(self) -> float:
        return self.factor.step / (2.0 * self.spread)


def scales_of(pieces: Sequence[PieceState], most: int) -> tuple[tuple[Scale, ...], tuple[Factor, ...]]:
    """The factors that moved enough, at most `most`, scaled; and those that did not move or were one too many."""
    used: list[Scale] = []
    left: list[Factor] = []
    for factor in FACTORS:
        values = [factor.of(piece) for piece in pieces]
        spread = pstdev(values)
        if spread >= factor.least_spread and len(used) < most:
            used.append(Scale(factor, fmean(values), spread))
        else:
            left.append(factor)
    return tuple(used), tuple(left)


def shown(factor: Factor, value: float) -> float:
    """A factor's value in the unit of its label: the fit works with log2 of the rest."""
    if factor is not RESTED:
        return value
    return math.inf if value > 1000 else 2.0**value


def setting_value(factor: Factor, value: float, temperature_c: float) -> float:
    """A factor's value as its setting takes it: share for the reduction, minutes for the rest.

    A margin becomes a share by share = 1/(1 + exp(−margin/s)), s = RT/2F, kept within what the setting allows.
    """
    if factor is REDUCTION:
        ratio = max(-700.0, min(700.0, value / thermal_mv(temperature_c, 2)))
        return min(max(1.0 / (1.0 + math.exp(-ratio)), LEAST_SHARE), MOST_SHARE)
    return shown(factor, value)
