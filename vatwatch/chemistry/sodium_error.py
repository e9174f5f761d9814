"""How much too low a glass pH electrode reads where sodium is strong and pH is high. It corrects nothing by
itself.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from typing import Final

from vatwatch.chemistry.ranges import require_range

# (pH, error) read off one maker's published curve for a general-purpose glass at 25 °C; the first point of
# each row, where the error starts from 0, is our own extrapolation.
_CURVES: Final = {
    0.1: ((12.0, 0.0), (13.0, 0.10), (13.5, 0.14)),
    1.0: ((11.5, 0.0), (12.5, 0.10), (13.0, 0.18), (13.5, 0.29)),
}

_SOURCE: Final = "the sodium error curve"


def _on_curve(ph: float, sodium_mol_l: float) -> float:
    points = _CURVES[sodium_mol_l]
    if ph <= points[0][0]:
        return 0.0
    above = max(bisect_left([p for p, _ in points], ph), 1)
    (ph_a, error_a), (ph_b, error_b) = points[above - 1], points[above]
    return error_a + (error_b - error_a) * (ph - ph_a) / (ph_b - ph_a)


def sodium_error_ph(ph: float, sodium_mol_l: float) -> float:
    """By how much a glass electrode reads too low, pH units. Range pH 7–13.5, sodium 0–1 mol/L.

    Straight lines between the points of one maker's published curve (0.1 and 1 mol/L Na+), by log
    concentration between them, in proportion to concentration below 0.1 mol/L. Glasses differ by a factor of
    two: use it to warn, and as 1 sigma of what is not known, rather than to correct. Potash liquors have far
    less of it.

    Raises:
        RangeError: an input outside its range or not finite.
    """
    reading = require_range(ph, 7.0, 13.5, "pH", "", _SOURCE)
    sodium = require_range(sodium_mol_l, 0.0, 1.0, "sodium", "mol/L", _SOURCE)
    if sodium <= 0.1:
        return _on_curve(reading, 0.1) * sodium / 0.1
    share = math.log10(sodium / 0.1)
    return _on_curve(reading, 0.1) * (1.0 - share) + _on_curve(reading, 1.0) * share
