"""The water chemistry of the simulated liquor: alkali, carbonate, lime, oxygen. Numbers in, numbers out.

Written for the rehearsal alone and on purpose not shared with `vatwatch.chemistry`, so that the two check each
other. This module must not import another room, keep state or know what a vat is.

Concentrations are mol per litre of liquor (taken as equal to mol per kg), temperatures °C, pH is −log10 of the
activity of H+. Valid for 0–70 °C and ionic strengths up to about 0.6 mol/kg.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import NamedTuple

KELVIN = 273.15
LN10 = math.log(10.0)
AIR_CO2_ATM = 420e-6
MOLAR_MASS_O2 = 31.998


class Constants(NamedTuple):
    """Equilibrium constants (activities) and the Debye-Hückel A of one temperature."""

    kw: float
    k1: float
    k2: float
    henry_co2: float
    calcite: float
    portlandite: float
    debye_a: float


class Activity(NamedTuple):
    """Activity coefficients of ions of charge one and two."""

    one: float
    two: float


class Carbonate(NamedTuple):
    """Carbonate species, mol/L."""

    co2: float
    hco3: float
    co3: float


def constants_at(temperature_c: float) -> Constants:
    """Constants at a temperature, rounded to 0.02 °C so that repeated steps find them again.

    Sources: K1, K2, Henry's constant and calcite from Plummer & Busenberg (1982), Geochim. Cosmochim. Acta 46,
    1011; Kw as Nordstrom et al. (1990) in the `phreeqc.dat` of PHREEQC 3 (USGS); Ca(OH)2 from this module's own
    fit to the pH of the calcium hydroxide buffer (NIST/IUPAC secondary buffer, 12.454 at 25 °C), see the test.
    """
    return _constants(round(temperature_c * 50.0))


@lru_cache(maxsize=4096)
def _constants(fiftieths: int) -> Constants:
    t = fiftieths / 50.0 + KELVIN
    log_t = math.log10(t)
    log_kw = -283.9710 - 0.05069842 * t + 13323.0 / t + 102.24447 * log_t - 1119669.0 / t**2
    log_k1 = -356.3094 - 0.06091964 * t + 21834.37 / t + 126.8339 * log_t - 1684915.0 / t**2
    log_k2 = -107.8871 - 0.03252849 * t + 5151.79 / t + 38.92561 * log_t - 563713.9 / t**2
    log_kh = 108.3865 + 0.01985076 * t - 6919.53 / t - 40.45154 * log_t + 669365.0 / t**2
    log_calcite = -171.9065 - 0.077993 * t + 2839.319 / t + 71.595 * log_t
    log_portlandite = PORTLANDITE_LOG_K25 + PORTLANDITE_SLOPE * (1.0 / t - 1.0 / 298.15)
    # dielectric constant of water: Malmberg & Maryott (1956), J. Res. NBS 56, 1 (coefficients from memory)
    c = t - KELVIN
    epsilon = 87.740 - 0.40008 * c + 9.398e-4 * c**2 - 1.410e-6 * c**3
    debye_a = 1.8246e6 / (epsilon * t) ** 1.5
    return Constants(
        kw=10.0**log_kw,
        k1=10.0**log_k1,
        k2=10.0**log_k2,
        henry_co2=10.0**log_kh,
        calcite=10.0**log_calcite,
        portlandite=10.0**log_portlandite,
        debye_a=debye_a,
    )


# log10 of [Ca++][OH-]^2 (activities) and its van 't Hoff slope in kelvin, fitted to the NIST lime buffer 10–60 °C
PORTLANDITE_LOG_K25 = -5.202
PORTLANDITE_SLOPE = 316.4


def activity_of(ionic_strength: float, debye_a: float) -> Activity:
    """Davies (1962) equation, log γ = −A z² (√I/(1+√I) − 0.3 I). Good to about I = 0.5 mol/kg."""
    i = min(max(ionic_strength, 0.0), 0.8)
    root = math.sqrt(i)
    one = 10.0 ** (-debye_a * (root / (1.0 + root) - 0.3 * i))
    return Activity(one=one, two=one**4)


def carbonate_of(ph: float, dic: float, k: Constants, g: Activity) -> Carbonate:
    """Split of the dissolved inorganic carbon at a pH."""
    h = 10.0**-ph
    b1 = k.k1 / (h * g.one)
    b2 = b1 * k.k2 * g.one / (h * g.two)
    co2 = dic / (1.0 + b1 + b2)
    return Carbonate(co2=co2, hco3=co2 * b1, co3=co2 * b2)


def charge_and_slope(
    ph: float,
    dic: float,
    leuco: float,
    weak: float,
    weak_ka: float,
    leuco_ka: tuple[float, float],
    k: Constants,
    g: Activity,
) -> tuple[float, float]:
    """Alkalinity (eq/L) that balances the charge at this pH, and its derivative by pH (eq/L per pH unit).

    The derivative of a mean charge by ln h is the variance of the charge: it is never negative, so Newton's method
    on the balance always points the right way.
    """
    h = 10.0**-ph
    oh = k.kw / (h * g.one)
    hydrogen = h / g.one
    b1 = k.k1 / (h * g.one)
    b2 = b1 * k.k2 * g.one / (h * g.two)
    total = 1.0 + b1 + b2
    carbonate_mean = (b1 + 2.0 * b2) / total
    carbonate_var = (b1 + 4.0 * b2) / total - carbonate_mean**2
    l1 = leuco_ka[0] / h
    l2 = l1 * leuco_ka[1] / h
    total = 1.0 + l1 + l2
    leuco_mean = (l1 + 2.0 * l2) / total
    leuco_var = (l1 + 4.0 * l2) / total - leuco_mean**2
    share = weak_ka / (weak_ka + h)
    charge = oh - hydrogen + dic * carbonate_mean + leuco * leuco_mean + weak * share
    slope = oh + hydrogen + dic * carbonate_var + leuco * leuco_var + weak * share * (1.0 - share)
    return charge, LN10 * slope


def solve_ph(
    alkalinity: float,
    dic: float,
    leuco: float,
    weak: float,
    weak_ka: float,
    leuco_ka: tuple[float, float],
    k: Constants,
    g: Activity,
    guess: float,
) -> float:
    """pH at which the charges balance, 0–14.5, to 1e-7. Newton from `guess`, bounded steps."""
    ph = guess
    for _ in range(60):
        charge, slope = charge_and_slope(ph, dic, leuco, weak, weak_ka, leuco_ka, k, g)
        step = (alkalinity - charge) / max(slope, 1e-12)
        step = min(max(step, -0.7), 0.7)
        ph = min(max(ph + step, 0.0), 14.5)
        if abs(step) < 1e-7:
            break
    return ph


def lime_dissolving(calcium: float, hydroxide: float, k: Constants, g: Activity) -> float:
    """Mol/L of Ca(OH)2 that would dissolve (negative: precipitate) to reach saturation, buffers left aside."""
    product = k.portlandite / (g.two * g.one**2)
    low = -min(calcium, hydroxide / 2.0)
    d = max(0.0, low)
    for _ in range(40):
        oh = hydroxide + 2.0 * d
        f = (calcium + d) * oh * oh - product
        slope = oh * oh + 4.0 * oh * (calcium + d)
        step = -f / max(slope, 1e-15)
        d = max(d + min(max(step, -0.05), 0.05), low)
        if abs(step) < 1e-10:
            break
    return d


def calcite_forming(calcium: float, dic: float, co3: float, k: Constants, g: Activity) -> float:
    """Mol/L of CaCO3 that would precipitate (negative: dissolve) to reach saturation at this pH."""
    if dic <= 0.0 or co3 <= 0.0:
        return 0.0
    product = k.calcite / (g.two * g.two) * dic / co3
    middle = (calcium + dic) / 2.0
    return middle - math.sqrt(((calcium - dic) / 2.0) ** 2 + product)


def oxygen_saturation_mg_l(temperature_c: float) -> float:
    """Dissolved oxygen of fresh water under air at 1 atm, mg/L.

    Source: Benson & Krause (1984), Limnol. Oceanogr. 29, 620, as in APHA Standard Methods 4500-O. Valid 0–40 °C;
    above that the curve is simply continued, since vats are warmer and no source was at hand.
    """
    t = max(temperature_c, 0.0) + KELVIN
    return math.exp(-139.34411 + 1.575701e5 / t - 6.642308e7 / t**2 + 1.2438e10 / t**3 - 8.621949e11 / t**4)


def oxygen_saturation_mol_l(temperature_c: float) -> float:
    """The same in mol/L."""
    return oxygen_saturation_mg_l(temperature_c) / (1000.0 * MOLAR_MASS_O2)
