"""The Nernst factor and nothing else: how many millivolts one decade, or one unit of ln a, is worth.

Constants are the exact ones of the SI since 2019 (CODATA 2018: E. Tiesinga et al., Rev. Mod. Phys. 93,
025010, 2021, DOI 10.1103/RevModPhys.93.025010). This module must not know any electrode.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Final

from vatwatch.chemistry.ranges import require_positive_int, require_range

GAS_CONSTANT_J_MOL_K: Final = 8.31446261815324
"""Molar gas constant R, exact (CODATA 2018)."""

FARADAY_C_MOL: Final = 96485.33212331001
"""Faraday constant F = e·N_A, exact (CODATA 2018)."""

ZERO_CELSIUS_K: Final = 273.15
"""0 °C on the kelvin scale, exact."""

LN_10: Final = math.log(10.0)

_SOURCE: Final = "the Nernst factor in liquid water"


def kelvin(temperature_c: float) -> float:
    """Thermodynamic temperature in K of a liquor between 0 and 100 °C.

    Raises:
        RangeError: outside 0…100 °C or not finite.
    """
    return require_range(temperature_c, 0.0, 100.0, "temperature", "°C", _SOURCE) + ZERO_CELSIUS_K


def thermal_mv(temperature_c: float, electrons: int = 1) -> float:
    """RT/(nF) in mV: 25.693 mV at 25 °C for one electron. Range 0–100 °C, `electrons` ≥ 1.

    Source: W. Nernst, Z. phys. Chem. 4, 129 (1889); constants CODATA 2018.

    Raises:
        RangeError: temperature outside 0…100 °C, or fewer than one electron.
    """
    return _thermal_mv(temperature_c, electrons)


# One scan asks a dozen times for the factor at its one temperature.
@lru_cache(maxsize=64)
def _thermal_mv(temperature_c: float, electrons: int) -> float:
    count = require_positive_int(electrons, "electrons")
    return 1000.0 * GAS_CONSTANT_J_MOL_K * kelvin(temperature_c) / (count * FARADAY_C_MOL)


def nernst_slope_mv(temperature_c: float, electrons: int = 1) -> float:
    """RT·ln 10/(nF) in mV per decade: 59.159 mV at 25 °C for one electron. Range 0–100 °C, `electrons` ≥ 1.

    Source: as `thermal_mv`; this is the slope of an ideal pH electrode.

    Raises:
        RangeError: temperature outside 0…100 °C, or fewer than one electron.
    """
    return LN_10 * thermal_mv(temperature_c, electrons)
