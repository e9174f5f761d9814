"""pH of standard buffers by temperature. This module must not know probes; `calibration` uses it.

Primary buffers: NIST (formerly NBS) and IUPAC values as tabulated by temperature; see R. P. Buck et al., Pure
Appl. Chem. 74, 2169 (2002), DOI 10.1351/pac200274112169, and R. G. Bates, J. Res. NBS 66A, 179 (1962) for
saturated lime. A second table (standard HJ 1147-2020) agrees within 0.006, for lime within 0.013.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Final

from vatwatch.chemistry.ranges import require_range


class Buffer(StrEnum):
    """Buffers whose pH is known by temperature."""

    PHTHALATE = "phthalate"
    PHOSPHATE = "phosphate"
    PHOSPHATE_TECHNICAL = "phosphate-technical"
    BORAX = "borax"
    CARBONATE = "carbonate"
    LIME_SATURATED = "lime-saturated"


_FIVES: Final = tuple(float(t) for t in range(0, 61, 5))

# fmt: off
_TABLE: Final[dict[Buffer, tuple[tuple[float, ...], tuple[float, ...]]]] = {
    Buffer.PHTHALATE: (_FIVES, (
        4.000, 3.998, 3.997, 3.998, 4.001, 4.005, 4.011, 4.018, 4.027, 4.038, 4.050, 4.064, 4.080)),
    Buffer.PHOSPHATE: (_FIVES, (
        6.984, 6.951, 6.923, 6.900, 6.881, 6.865, 6.853, 6.844, 6.838, 6.834, 6.833, 6.833, 6.836)),
    Buffer.BORAX: (_FIVES, (
        9.464, 9.395, 9.332, 9.276, 9.225, 9.180, 9.139, 9.102, 9.068, 9.038, 9.010, 8.985, 8.962)),
    Buffer.CARBONATE: (_FIVES[:11], (
        10.317, 10.245, 10.179, 10.118, 10.062, 10.012, 9.966, 9.925, 9.889, 9.857, 9.828)),
    Buffer.LIME_SATURATED: (_FIVES, (
        13.424, 13.207, 13.003, 12.810, 12.627, 12.454, 12.289, 12.133, 11.984, 11.841, 11.705, 11.574,
        11.449)),
    # The coloured "pH 7.00" solution of the trade, as makers print it on the bottle.
    Buffer.PHOSPHATE_TECHNICAL: ((0.0, 10.0, 20.0, 25.0, 30.0, 40.0, 50.0, 60.0), (
        7.118, 7.059, 7.016, 7.000, 6.987, 6.970, 6.964, 6.968)),
}
# fmt: on


def buffer_range_c(buffer: Buffer) -> tuple[float, float]:
    """The temperatures in °C between which a buffer's pH is tabulated."""
    nodes = _TABLE[buffer][0]
    return nodes[0], nodes[-1]


def buffer_ph(buffer: Buffer, temperature_c: float) -> float:
    """pH of a buffer at a temperature in °C, by cubic interpolation between the table's four nearest rows.

    Range 0–60 °C, carbonate 0–50 °C. The interpolation reproduces every tabulated value exactly.

    Raises:
        RangeError: temperature outside the buffer's table or not finite.
    """
    nodes, values = _TABLE[buffer]
    t = require_range(temperature_c, nodes[0], nodes[-1], "temperature", "°C", f"the table of the {buffer} buffer")
    above = next(i for i, node in enumerate(nodes) if t <= node)
    start = min(max(above - 2, 0), len(nodes) - 4)
    window = range(start, start + 4)
    result = 0.0
    for i in window:
        weight = 1.0
        for j in window:
            if j != i:
                weight *= (t - nodes[j]) / (nodes[i] - nodes[j])
        result += weight * values[i]
    return result


def buffer_ph_sigma(buffer: Buffer) -> float:
    """One sigma of a buffer as poured from a bottle in a workshop: 0.01, saturated lime 0.02.

    Common practice (bottles are sold as ±0.02 or better); lime takes up CO2 and is harder to keep.
    """
    return 0.02 if buffer is Buffer.LIME_SATURATED else 0.01
