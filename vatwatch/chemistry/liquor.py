"""The pH of a liquor from what went into it: alkalis, carbon dioxide, and the solids that may lie at the
bottom.

Full equilibrium of Na, K, Ca, OH, HCO3, CO3 and CO2 in water with calcite and slaked lime allowed to form or
dissolve. Amounts are in mol per kg of water, because that does not move when the vat warms. This module knows
nothing of grams, litres, vats or time; equilibrium is assumed, while a real vat takes minutes to dissolve
lime and days to take up air.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

from vatwatch.chemistry.aqueous_constants import AqueousConstants, aqueous_constants
from vatwatch.chemistry.nernst import LN_10
from vatwatch.chemistry.pitzer import LnGamma, ln_gamma
from vatwatch.chemistry.ranges import require_range
from vatwatch.errors import RangeError

AMOUNT_LIMIT_MOL_KG: Final = 6.0
_WATER_KG_MOL: Final = 0.018015
_LN_OH_LOW: Final = math.log(1e-14)
_LN_OH_HIGH: Final = math.log(30.0)


@dataclass(frozen=True, slots=True)
class Liquor:
    """What went into one kg of water, in mol: sodium and potassium as base, lime as Ca(OH)2, carbon as CO2.

    Soda ash is 2 sodium + 1 carbon, potash 2 potassium + 1 carbon, caustic soda 1 sodium. Each 0…6 mol/kg, and
    sodium with potassium up to 6 mol/kg, which is as far as the activity coefficients are known.
    """

    sodium: float = 0.0
    potassium: float = 0.0
    lime: float = 0.0
    carbon: float = 0.0

    def __post_init__(self) -> None:
        for name in ("sodium", "potassium", "lime", "carbon"):
            require_range(
                getattr(self, name), 0.0, AMOUNT_LIMIT_MOL_KG, f"{name} in the liquor", "mol/kg", "the alkali model"
            )
        require_range(
            self.sodium + self.potassium,
            0.0,
            AMOUNT_LIMIT_MOL_KG,
            "sodium and potassium together",
            "mol/kg",
            "the alkali model",
        )

    def with_carbon(self, carbon: float) -> Liquor:
        """The same alkali with another amount of carbon (mol/kg)."""
        return replace(self, carbon=carbon)


@dataclass(frozen=True, slots=True)
class Equilibrium:
    """What the liquor settles to: pH, dissolved amounts and solids in mol per kg of water."""

    ph: float
    hydroxide: float
    carbonate: float
    bicarbonate: float
    carbon_dioxide: float
    calcium: float
    calcite: float
    solid_lime: float


@dataclass(frozen=True, slots=True)
class _Split:
    """Charge left over and the amounts behind it, at one trial hydroxide activity."""

    charge: float
    oh: float
    co3: float
    hco3: float
    co2: float
    ca: float


def _split(liquor: Liquor, constants: AqueousConstants, gamma: LnGamma, water: float, ln_oh: float) -> _Split:
    a_oh = math.exp(ln_oh)
    a_h = constants.kw * water / a_oh
    oh = a_oh * math.exp(-gamma.oh)
    # The proton matters only near pH 7, where its coefficient is close to that of hydroxide.
    h = a_h * math.exp(-gamma.oh)
    bicarbonate_ratio = a_h * math.exp(gamma.co3 - gamma.hco3) / constants.k2
    gas_ratio = a_h * a_h * math.exp(gamma.co3 - gamma.co2) / (constants.k1 * constants.k2 * water)
    spread = 1.0 + bicarbonate_ratio + gas_ratio
    ca, carbon = liquor.lime, liquor.carbon
    if ca > 0.0:
        solubility = constants.k_calcite * math.exp(-gamma.ca - gamma.co3)
        product = solubility * spread
        if ca * carbon > product:
            # Calcite takes up equal amounts x of both: (ca − x)(carbon − x) = product, in the form that does
            # not cancel.
            gap = abs(ca - carbon)
            small = 2.0 * product / (gap + math.sqrt(gap * gap + 4.0 * product))
            ca, carbon = (small, small + gap) if ca < carbon else (small + gap, small)
        most = constants.k_lime * math.exp(-gamma.ca) / (a_oh * a_oh)
        if ca > most:
            ca = most
            carbon = min(liquor.carbon, product / ca)
    co3 = carbon / spread
    charge = liquor.sodium + liquor.potassium + 2.0 * ca + h - oh - co3 * (2.0 + bicarbonate_ratio)
    return _Split(charge, oh, co3, co3 * bicarbonate_ratio, co3 * gas_ratio, ca)


def _falling_root(function: Callable[[float], float], low: float, high: float, tolerance: float) -> float:
    """Root of a falling function between two points of opposite sign: the Illinois form of regula falsi."""
    f_low, f_high = function(low), function(high)
    side = 0
    for _ in range(200):
        if high - low < tolerance:
            break
        middle = (low * f_high - high * f_low) / (f_high - f_low)
        if not low < middle < high:
            middle = 0.5 * (low + high)
        f_middle = function(middle)
        if f_middle == 0.0:
            return middle
        if f_middle > 0.0:
            low, f_low = middle, f_middle
            if side == 1:
                f_high *= 0.5
            side = 1
        else:
            high, f_high = middle, f_middle
            if side == -1:
                f_low *= 0.5
            side = -1
    return 0.5 * (low + high)


def _solve_hydroxide(charge: Callable[[float], float], guess: float) -> float:
    """Ln of the hydroxide activity at which the charges balance, found outward from a guess."""
    reach = 0.02
    low = high = min(max(guess, _LN_OH_LOW), _LN_OH_HIGH)
    while low > _LN_OH_LOW and charge(low) < 0.0:
        high, low = low, max(low - reach, _LN_OH_LOW)
        reach *= 3.0
    while high < _LN_OH_HIGH and charge(high) > 0.0:
        low, high = high, min(high + reach, _LN_OH_HIGH)
        reach *= 3.0
    if charge(low) < 0.0 or charge(high) > 0.0:
        raise RangeError("this liquor has no pH between 0 and 15; check the amounts of alkali and carbon dioxide")
    return _falling_root(charge, low, high, 1e-10)


@dataclass(frozen=True, slots=True)
class WarmStart:
    """Where a neighbouring liquor settled: a starting point that saves iterations and changes no result."""

    gamma: LnGamma
    ln_oh: float
    dissolved: float


_COLD_START: Final = WarmStart(LnGamma(-1.5, -0.2, -0.2, -1.0, 0.0), math.log(1e-3), 0.1)


def settle(liquor: Liquor, temperature_c: float, start: WarmStart | None = None) -> tuple[Equilibrium, WarmStart]:
    """Equilibrium of a liquor at a temperature in °C (0–60), and a starting point for the next one.

    The activity coefficients and the charge balance are solved in turn until ln a(OH) moves by less than
    1e-8.

    Raises:
        RangeError: temperature outside 0…60 °C or not finite, or no balance found (not known to happen).
    """
    constants = aqueous_constants(temperature_c)
    warm = _COLD_START if start is None else start
    gamma, ln_oh, dissolved = warm.gamma, warm.ln_oh, warm.dissolved
    for step in range(100):
        water = math.exp(-_WATER_KG_MOL * dissolved)

        def charge(trial: float, gamma: LnGamma = gamma, water: float = water) -> float:
            return _split(liquor, constants, gamma, water, trial).charge

        found = _solve_hydroxide(charge, ln_oh)
        split = _split(liquor, constants, gamma, water, found)
        moved = abs(found - ln_oh)
        ln_oh = found
        if moved < 1e-8 and step > 1:
            return _equilibrium(liquor, split, (ln_oh + gamma.macinnes - math.log(constants.kw * water)) / LN_10), (
                WarmStart(gamma, ln_oh, dissolved)
            )
        dissolved = liquor.sodium + liquor.potassium + split.ca + split.oh + split.co3 + split.hco3 + split.co2
        gamma = ln_gamma(temperature_c, liquor.sodium, liquor.potassium, split.ca, split.oh, split.hco3, split.co3)
    raise RangeError(f"the equilibrium of {liquor} at {temperature_c:g} °C did not settle; please report this")


def _equilibrium(liquor: Liquor, split: _Split, ph: float) -> Equilibrium:
    calcite = max(liquor.carbon - split.co3 - split.hco3 - split.co2, 0.0) if liquor.lime else 0.0
    return Equilibrium(
        ph=ph,
        hydroxide=split.oh,
        carbonate=split.co3,
        bicarbonate=split.hco3,
        carbon_dioxide=split.co2,
        calcium=split.ca,
        calcite=calcite,
        solid_lime=max(liquor.lime - split.ca - calcite, 0.0),
    )


def liquor_ph(liquor: Liquor, temperature_c: float) -> float:
    """PH of a liquor in equilibrium at a temperature in °C (0–60).

    Raises:
        RangeError: temperature outside 0…60 °C or not finite.
    """
    return settle(liquor, temperature_c)[0].ph
