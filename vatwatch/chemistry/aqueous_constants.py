"""Equilibrium constants of water, carbonate, lime and calcite by temperature. Plain functions of T, no
solver.

Everything is a thermodynamic constant (infinite dilution, molal scale); activity corrections live in
`pitzer`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from vatwatch.chemistry.nernst import ZERO_CELSIUS_K
from vatwatch.chemistry.ranges import require_range

TEMPERATURE_RANGE_C: Final = (0.0, 60.0)


def _kelvin(temperature_c: float) -> float:
    low, high = TEMPERATURE_RANGE_C
    return require_range(temperature_c, low, high, "temperature", "°C", "the alkali model") + ZERO_CELSIUS_K


def water_density_kg_l(temperature_c: float) -> float:
    """Density of air-free water at 1 atm in kg/L, 0–60 °C (source 0–100 °C); 0.99705 at 25 °C.

    Source: G. S. Kell, J. Chem. Eng. Data 20, 97 (1975), DOI 10.1021/je60064a005, equation 16.

    Raises:
        RangeError: outside 0…60 °C or not finite.
    """
    t = _kelvin(temperature_c) - ZERO_CELSIUS_K
    top = 999.83952 + t * (
        16.945176 + t * (-7.9870401e-3 + t * (-46.170461e-6 + t * (105.56302e-9 - t * 280.54253e-12)))
    )
    return 1e-3 * top / (1.0 + 16.879850e-3 * t)


def pkw(temperature_c: float) -> float:
    """Ion product of water, −log10 Kw (molal), 0–60 °C (source 0–1000 °C); 13.994 at 25 °C.

    pKw = −2n [log(1 + Z) − Z/(Z + 1) ρ (b0 + b1/T + b2 ρ)] + pKw(gas) + 2 log(M/1000), n = 6, ρ in g/cm³,
    Z = ρ exp(a0 + a1/T + a2 ρ^⅔/T²), pKw(gas) = 0.61415 + 48251.33/T − 67707.93/T² + 1.01021e7/T³.
    Source: IAPWS R11-24, Revised Release on the Ionization Constant of H2O (2024); form of A. V. Bandura,
    S. N. Lvov, J. Phys. Chem. Ref. Data 35, 15 (2006), DOI 10.1063/1.1928231.

    Raises:
        RangeError: outside 0…60 °C or not finite.
    """
    t = _kelvin(temperature_c)
    density = water_density_kg_l(temperature_c)
    z = density * math.exp(-0.702132 + 8681.05 / t - 24145.1 * math.pow(density, 2.0 / 3.0) / t**2)
    gas = 0.61415 + 48251.33 / t - 67707.93 / t**2 + 1.010210e7 / t**3
    bound = z / (z + 1.0) * density * (0.813876 - 51.4471 / t - 0.469920 * density)
    return -12.0 * (math.log10(1.0 + z) - bound) + gas + 2.0 * math.log10(18.015268e-3)


def pk1_carbonic(temperature_c: float) -> float:
    """First acid exponent of dissolved CO2, 0–60 °C (source 0–90 °C); 6.352 at 25 °C.

    log K1 = −356.3094 − 0.06091964 T + 21834.37/T + 126.8339 log T − 1684915/T².
    Source: L. N. Plummer, E. Busenberg, Geochim. Cosmochim. Acta 46, 1011 (1982),
    DOI 10.1016/0016-7037(82)90056-4, Table 4.

    Raises:
        RangeError: outside 0…60 °C or not finite.
    """
    t = _kelvin(temperature_c)
    return 356.3094 + 0.06091964 * t - 21834.37 / t - 126.8339 * math.log10(t) + 1684915.0 / (t * t)


PK2_SHIFT: Final = 0.005
"""Added to Plummer and Busenberg's pK2: midway between their 10.329 at 25 °C and the 10.339 that HMW use with the
activity coefficients of `pitzer`. Both lie within the ±0.02 of the measurements; so placed, the NIST carbonate buffer
is met within 0.01.
"""


def pk2_carbonic(temperature_c: float) -> float:
    """Second acid exponent of carbonic acid, 0–60 °C (source 0–90 °C); 10.334 at 25 °C.

    log K2 = −107.8871 − 0.03252849 T + 5151.79/T + 38.92561 log T − 563713.9/T², less `PK2_SHIFT`.
    Source: as `pk1_carbonic`.

    Raises:
        RangeError: outside 0…60 °C or not finite.
    """
    t = _kelvin(temperature_c)
    return PK2_SHIFT + 107.8871 + 0.03252849 * t - 5151.79 / t - 38.92561 * math.log10(t) + 563713.9 / (t * t)


def pk_calcite(temperature_c: float) -> float:
    """Solubility exponent of calcite, 0–60 °C (source 0–90 °C); 8.480 at 25 °C.

    log K = −171.9065 − 0.077993 T + 2839.319/T + 71.595 log T. Source: as `pk1_carbonic`.

    Raises:
        RangeError: outside 0…60 °C or not finite.
    """
    t = _kelvin(temperature_c)
    return 171.9065 + 0.077993 * t - 2839.319 / t - 71.595 * math.log10(t)


PK_LIME_25C: Final = 5.2002
PK_LIME_K: Final = -243.5


def pk_lime(temperature_c: float) -> float:
    """Solubility exponent of slaked lime, Ca(OH)2 = Ca2+ + 2 OH−, 0–60 °C.

    pK = pK25 + b (1/T − 1/298.15): the two figures are fitted here to the pH of saturated lime in the NIST
    table (R. G. Bates, J. Res. NBS 66A, 179, 1962) with the activity model of `pitzer`.

    Raises:
        RangeError: outside 0…60 °C or not finite.
    """
    t = _kelvin(temperature_c)
    return PK_LIME_25C + PK_LIME_K * (1.0 / t - 1.0 / 298.15)


def debye_huckel_slope(temperature_c: float) -> float:
    """Debye–Hückel slope A_φ for the osmotic coefficient, kg^½ mol^−½, 0–60 °C; 0.3915 at 25 °C.

    A_φ = 0.336901532 − 6.32100430e-4 T + 9.14252359/T − 1.35143986e-2 ln T + 2.26089488e-3/(T − 263)
    + 1.92118597e-6 T² + 45.2586464/(680 − T).
    Source: N. Møller, Geochim. Cosmochim. Acta 52, 821 (1988), DOI 10.1016/0016-7037(88)90354-7; coefficients
    seen in a secondary copy.

    Raises:
        RangeError: outside 0…60 °C or not finite.
    """
    t = _kelvin(temperature_c)
    return (
        0.336901532
        - 6.32100430e-4 * t
        + 9.14252359 / t
        - 1.35143986e-2 * math.log(t)
        + 2.26089488e-3 / (t - 263.0)
        + 1.92118597e-6 * t * t
        + 45.2586464 / (680.0 - t)
    )


@dataclass(frozen=True, slots=True)
class AqueousConstants:
    """The constants of one temperature, as plain numbers ready for the solver."""

    temperature_k: float
    kw: float
    k1: float
    k2: float
    k_calcite: float
    k_lime: float
    a_phi: float


@lru_cache(maxsize=256)
def aqueous_constants(temperature_c: float) -> AqueousConstants:
    """All constants at a temperature in °C, 0–60.

    Raises:
        RangeError: outside 0…60 °C or not finite.
    """
    return AqueousConstants(
        temperature_k=_kelvin(temperature_c),
        kw=math.pow(10.0, -pkw(temperature_c)),
        k1=math.pow(10.0, -pk1_carbonic(temperature_c)),
        k2=math.pow(10.0, -pk2_carbonic(temperature_c)),
        k_calcite=math.pow(10.0, -pk_calcite(temperature_c)),
        k_lime=math.pow(10.0, -pk_lime(temperature_c)),
        a_phi=debye_huckel_slope(temperature_c),
    )
