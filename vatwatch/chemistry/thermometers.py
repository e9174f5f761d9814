"""Platinum resistance thermometers, and the two telltale values of digital one-wire sensors.

This module must not talk to a sensor. The older ITS-68 coefficients (3.90802e-3, −5.802e-7) are not mixed in.
"""

from __future__ import annotations

import math
from typing import Final

from vatwatch.chemistry.ranges import require_finite, require_range

A_PER_C: Final = 3.9083e-3
B_PER_C2: Final = -5.775e-7
C_PER_C4: Final = -4.183e-12
NOMINAL_OHM: Final = 100.0

RANGE_C: Final = (-200.0, 850.0)
RANGE_OHM: Final = (18.52, 390.49)

_SOURCE: Final = "IEC 60751 for a Pt100"


def _ohm(t: float) -> float:
    cold = C_PER_C4 * (t - 100.0) * t * t * t if t < 0.0 else 0.0
    return NOMINAL_OHM * (1.0 + A_PER_C * t + B_PER_C2 * t * t + cold)


def pt100_ohm(temperature_c: float) -> float:
    """Resistance in Ω of a Pt100 at a temperature in °C, −200…850 °C; 109.735 Ω at 25 °C.

    R = R0 (1 + A t + B t²), and below 0 °C further + C (t − 100) t³. Source: IEC 60751:2022, with A =
    3.9083e-3, B = −5.775e-7, C = −4.183e-12.

    Raises:
        RangeError: outside −200…850 °C or not finite.
    """
    return _ohm(require_range(temperature_c, *RANGE_C, "temperature", "°C", _SOURCE))


def temperature_c_from_pt100(ohm: float) -> float:
    """Temperature in °C of a Pt100 from its resistance in Ω, 18.52…390.49 Ω; the inverse of `pt100_ohm`.

    Above 100 Ω the quadratic is solved outright; below, Newton steps refine it to under 1e-9 °C.

    Raises:
        RangeError: outside what −200…850 °C can give (a broken wire or a short), or not finite.
    """
    r = require_range(ohm, *RANGE_OHM, "resistance", "Ω", _SOURCE)
    ratio = r / NOMINAL_OHM
    t = (-A_PER_C + math.sqrt(A_PER_C * A_PER_C - 4.0 * B_PER_C2 * (1.0 - ratio))) / (2.0 * B_PER_C2)
    if ratio < 1.0:
        for _ in range(6):
            slope = A_PER_C + 2.0 * B_PER_C2 * t + C_PER_C4 * t * t * (4.0 * t - 300.0)
            t -= (_ohm(t) - r) / (NOMINAL_OHM * slope)
    return t


def is_digital_fault(temperature_c: float) -> bool:
    """Whether a digital one-wire sensor's value is its power-on / failed-conversion or "nothing answered"
    value.

    +85.0 °C (up to +85.4375 with the undefined low bits of a 9-bit conversion) is what the sensor's register
    holds before its first conversion; −127 °C is what common software gives for a missing sensor. Common
    knowledge, no source. No vat is worked at 85 °C, so nothing true is lost.

    Raises:
        RangeError: a value that is not finite.
    """
    t = require_finite(temperature_c, "temperature", "°C")
    return 84.995 <= t <= 85.4425 or t <= -126.5
