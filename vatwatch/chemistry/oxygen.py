"""How much oxygen water holds under air. This module must not know surfaces, stirring or reductants."""

from __future__ import annotations

import math
from typing import Final

from vatwatch.chemistry.nernst import ZERO_CELSIUS_K
from vatwatch.chemistry.ranges import require_range

FIT_RANGE_C: Final = (0.0, 40.0)
EXTENDED_RANGE_C: Final = (0.0, 60.0)


def oxygen_saturation_mg_l(temperature_c: float, *, extended: bool = False) -> float:
    """Oxygen in fresh water in balance with moist air at 1 atm, mg/L; 8.263 at 25 °C. Range 0–40 °C.

    ln C = −139.34411 + 1.575701e5/T − 6.642308e7/T² + 1.243800e10/T³ − 8.621949e11/T⁴, T in K.
    Source: B. B. Benson, D. Krause, Limnol. Oceanogr. 29, 620 (1984), DOI 10.4319/lo.1984.29.3.0620,
    in the form of Standard Methods 4500-O. With `extended` the same equation is used on to 60 °C,
    beyond its fit, for warm vats.

    Raises:
        RangeError: outside 0…40 °C (0…60 °C with `extended`) or not finite.
    """
    low, high = EXTENDED_RANGE_C if extended else FIT_RANGE_C
    t = require_range(temperature_c, low, high, "temperature", "°C", "the oxygen saturation equation")
    inverse = 1.0 / (t + ZERO_CELSIUS_K)
    return math.exp(
        -139.34411 + inverse * (1.575701e5 + inverse * (-6.642308e7 + inverse * (1.243800e10 - inverse * 8.621949e11)))
    )
