"""The indigo / leuco-indigo couple of the simulated liquor: its true potential and the share that is reduced.

Own relations, not those of `vatwatch.chemistry`. The couple is 2 electrons, 2 protons (Bond, Marken et al. 1997,
J. Chem. Soc. Perkin Trans. 2, 1735); the leuco acid's pKa 7.97 and 12.68 are attributed to Etters, from memory; the
half-reduced potential at pH 7 is this project's inference from the sulphonated indigos (from memory), 1 sigma 50 mV.
Limit: with solid indigo in the vat platinum answers to the leuco concentration, not to the share; the rehearsal takes
the share, as the estimate it tests does.
"""

from __future__ import annotations

import math

GAS_CONSTANT = 8.314462618
FARADAY = 96485.33212
E7_PRIOR_MV = -195.0
E7_PRIOR_SIGMA_MV = 50.0
LEUCO_PKA = (7.97, 12.68)
LEUCO_KA = (10.0 ** -LEUCO_PKA[0], 10.0 ** -LEUCO_PKA[1])
SHARE_CLAMP = 1e-6


def spread_mv(temperature_c: float) -> float:
    """RT/2F in mV: 12.85 at 25 °C (CODATA constants)."""
    return 1000.0 * GAS_CONSTANT * (temperature_c + 273.15) / (2.0 * FARADAY)


def half_potential_mv(ph: float, temperature_c: float) -> float:
    """Potential in mV vs SHE at which half the indigo is reduced, before the vat's own offset."""
    h = 10.0**-ph
    k1, k2 = LEUCO_KA
    here = h * h + h * k1 + k1 * k2
    at_seven = 1e-14 + 1e-7 * k1 + k1 * k2
    return E7_PRIOR_MV + spread_mv(temperature_c) * math.log(here / at_seven)


def couple_potential_mv(share: float, ph: float, temperature_c: float, e7_offset_mv: float) -> float:
    """Potential in mV vs SHE set by the couple alone; the share is held within 1e-6 … 1 − 1e-6."""
    r = min(max(share, SHARE_CLAMP), 1.0 - SHARE_CLAMP)
    s = spread_mv(temperature_c)
    return half_potential_mv(ph, temperature_c) + e7_offset_mv - s * math.log(r / (1.0 - r))


def mixed_potential_mv(couple_mv: float, reductant_mv: float, reductant_strength: float, share: float) -> float:
    """Potential a platinum probe takes when a strong reductant competes with the couple.

    The couple holds the platinum as long as some oxidised indigo is left to carry current; once hardly any is, the
    reductant pulls the reading down towards its own potential. The weighting is a plain assumption of the rehearsal:
    nothing to speak of below a share of 0.99, half-way at 0.999 with a full feed.
    """
    x = 1e-3 * reductant_strength / max(1.0 - share, SHARE_CLAMP)
    weight = x * x / (1.0 + x * x)
    return couple_mv - weight * max(0.0, couple_mv - reductant_mv)
