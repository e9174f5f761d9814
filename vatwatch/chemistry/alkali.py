"""The four alkalis of the indigo vat, and what temperature alone does to their pH.

First version: water, hydroxide and carbonate with the Davies activity coefficients. This module must not give
doses.
"""

from __future__ import annotations

import math
from enum import StrEnum
from typing import Final

from vatwatch.chemistry.nernst import LN_10, ZERO_CELSIUS_K
from vatwatch.chemistry.ranges import require_range


class Alkali(StrEnum):
    """What keeps a vat alkaline. Potash is the carbonate of wood-ash lye."""

    LIME = "lime"
    SODA_ASH = "soda-ash"
    CAUSTIC_SODA = "caustic-soda"
    POTASH = "potash"


PH_RANGE: Final = (7.0, 14.0)
TEMPERATURE_RANGE_C: Final = (0.0, 60.0)
_SOURCE: Final = "the alkali model"


def _pkw(temperature_c: float) -> float:
    """Millero 1995, Geochim. Cosmochim. Acta 59, 661, from Harned & Owen: ln Kw = 148.9652 − 13847.26/T −
    23.6521 ln T.
    """
    t = temperature_c + ZERO_CELSIUS_K
    return -(148.9652 - 13847.26 / t - 23.6521 * math.log(t)) / LN_10


def _pk2(temperature_c: float) -> float:
    """Plummer & Busenberg 1982, Geochim. Cosmochim. Acta 46, 1011."""
    t = temperature_c + ZERO_CELSIUS_K
    return 107.8871 + 0.03252849 * t - 5151.79 / t - 38.92561 * math.log10(t) + 563713.9 / (t * t)


def _shift(ph: float, from_c: float, to_c: float, alkali: Alkali) -> float:
    # Hydroxide liquors follow pKw; a carbonate buffer follows pK2; soda and potash lie between, by their
    # hydroxide share.
    by_water = _pkw(to_c) - _pkw(from_c)
    if alkali in (Alkali.LIME, Alkali.CAUSTIC_SODA):
        return by_water
    by_carbonate = _pk2(to_c) - _pk2(from_c)
    hydrolysed = by_water / 2.0 + by_carbonate / 2.0
    share = 1.0 / (1.0 + math.pow(10.0, 3.0 * (10.5 - ph)))
    return by_carbonate * (1.0 - share) + hydrolysed * share


def ph_equivalent_25c(ph: float, temperature_c: float, alkali: Alkali) -> float:
    """The pH the same liquor would show at 25 °C. Range pH 7–14, 0–60 °C.

    Raises:
        RangeError: an input outside its range or not finite.
    """
    value = require_range(ph, *PH_RANGE, "pH", "", _SOURCE)
    t = require_range(temperature_c, *TEMPERATURE_RANGE_C, "temperature", "°C", _SOURCE)
    return float(value + _shift(value, t, 25.0, alkali))


def ph_at_temperature(ph_25c: float, temperature_c: float, alkali: Alkali) -> float:
    """The pH at a temperature of a liquor that shows `ph_25c` at 25 °C. Range pH 7–14, 0–60 °C.

    Raises:
        RangeError: an input outside its range or not finite.
    """
    value = require_range(ph_25c, *PH_RANGE, "pH", "", _SOURCE)
    t = require_range(temperature_c, *TEMPERATURE_RANGE_C, "temperature", "°C", _SOURCE)
    return value + _shift(value, 25.0, t, alkali)
