"""The indigo / leuco-indigo couple: speciation, half-reduced potential, reduced share.

Indigo + 2 e− + 2 H+ = leuco-indigo acid, which loses two protons in alkali (acid → mono-phenolate →
di-phenolate). The two-electron, two-proton couple and its slope of 60 mV per pH between pH 4 and 11 were
shown by A. M. Bond, F. Marken, E. Hill, R. G. Compton, H. Hügel, J. Chem. Soc., Perkin Trans. 2, 1997, 1735.

What this module must not do: claim an absolute potential. `E7_PRIOR_MV` is a *prior* with a wide sigma, to be
moved per vat by what the dyer sees. With solid indigo present Eh fixes the concentration of leuco, not its
share. Speciation alone does not give the pH of best uptake either.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Final

from vatwatch.chemistry.nernst import LN_10, thermal_mv
from vatwatch.chemistry.ranges import require_finite, require_range

MOLAR_MASS_INDIGO_G_MOL: Final = 262.27
"""C16H10N2O2 (handbook; 262.268 from IUPAC abridged atomic weights 2021)."""

MOLAR_MASS_LEUCO_G_MOL: Final = 264.28
"""Leuco-indigo acid C16H12N2O2 (264.284 from IUPAC abridged atomic weights 2021)."""

PKA1_LEUCO: Final = 7.97
"""First acid exponent of leuco-indigo; from memory, attributed to J. N. Etters. Configurable."""

PKA2_LEUCO: Final = 12.68
"""Second acid exponent of leuco-indigo; from memory, attributed to J. N. Etters. Configurable."""

E7_PRIOR_MV: Final = -195.0
"""Half-reduced potential at pH 7, 25 °C, mV vs SHE: prior mean, extrapolated by us along the sulphonated
series (tetra −46, tri −81, di −125, mono −157 mV: M. X. Sullivan, B. Cohen, W. M. Clark, 1923, values from
memory)."""

E7_PRIOR_SIGMA_MV: Final = 50.0
"""One sigma of `E7_PRIOR_MV`: our judgement, wide enough to hold a published voltammetric value 55 mV
lower.
"""

PH_RANGE: Final = (4.0, 14.0)
TEMPERATURE_RANGE_C: Final = (0.0, 100.0)

_SOURCE: Final = "the indigo couple as modelled"


def _ln_proton_term(ph: float, pka1: float, pka2: float) -> float:
    """ln(10^(−2 pH) + 10^(−pK1 − pH) + 10^(−pK1 − pK2)), safe against underflow."""
    exponents = (-2.0 * ph, -pka1 - ph, -pka1 - pka2)
    top = max(exponents)
    a, b, c = exponents
    return LN_10 * top + math.log(sum((10.0 ** (a - top), 10.0 ** (b - top), 10.0 ** (c - top))))


# A vat asks for one pair, the published one, in every scan.
@lru_cache(maxsize=8)
def _pka_and_neutral(pka1: float, pka2: float) -> tuple[float, float, float]:
    """Both exponents, checked, and the proton term at pH 7."""
    first, second = _checked_pka(pka1, pka2)
    return first, second, _ln_proton_term(7.0, first, second)


def _checked_pka(pka1: float, pka2: float) -> tuple[float, float]:
    first = require_range(pka1, 4.0, 14.0, "pKa1 of leuco-indigo", "", _SOURCE)
    return first, require_range(pka2, first, 16.0, "pKa2 of leuco-indigo", "", _SOURCE)


def half_reduced_mv(
    ph: float,
    temperature_c: float,
    e7_mv: float = E7_PRIOR_MV,
    pka1: float = PKA1_LEUCO,
    pka2: float = PKA2_LEUCO,
) -> float:
    """Potential in mV vs SHE at which half the dissolved indigo is leuco. Range pH 4–14, 0–100 °C.

    E½(pH) = E7 + s·[ln f(pH) − ln f(7)], s = RT/2F, f(pH) = 10^(−2 pH) + 10^(−pK1−pH) + 10^(−pK1−pK2): the
    two-electron couple with a diprotic reduced form (W. M. Clark, Oxidation-Reduction Potentials of Organic
    Systems, 1960, general form). No temperature coefficients of E7 and the pKa values are known to us; only s
    moves with temperature.

    Raises:
        RangeError: an input outside its range or not finite.
    """
    acidity = require_range(ph, *PH_RANGE, "pH", "", _SOURCE)
    s = thermal_mv(temperature_c, 2)
    first, second, neutral = _pka_and_neutral(pka1, pka2)
    rise = _ln_proton_term(acidity, first, second) - neutral
    return require_finite(e7_mv, "half-reduced potential at pH 7", "mV") + s * rise


def half_reduced_slope_mv_per_ph(
    ph: float, temperature_c: float, pka1: float = PKA1_LEUCO, pka2: float = PKA2_LEUCO
) -> float:
    """dE½/dpH in mV per pH unit, from −k (acid form) through −k/2 (mono-phenolate) towards 0 (di-phenolate).

    The derivative of `half_reduced_mv`, for propagating the uncertainty of pH. Range pH 4–14, 0–100 °C.

    Raises:
        RangeError: an input outside its range or not finite.
    """
    acid, mono, _ = leuco_fractions(ph, pka1, pka2)
    return -LN_10 * thermal_mv(temperature_c, 2) * (2.0 * acid + mono)


def reduced_share(eh_mv: float, half_reduced_mv: float, temperature_c: float) -> float:
    """Share of the dissolved indigo that is leuco, 0…1: r = 1 / (1 + exp((Eh − E½)/s)), s = RT/2F.

    Safe at any finite potential (it goes to exactly 0 or 1 at the far ends). Range 0–100 °C.

    Raises:
        RangeError: temperature outside 0…100 °C, or a potential that is not finite.
    """
    above = require_finite(eh_mv, "Eh", "mV") - require_finite(half_reduced_mv, "half-reduced potential", "mV")
    x = above / thermal_mv(temperature_c, 2)
    if x > 0.0:
        shrunk = math.exp(-min(x, 745.0))
        return shrunk / (1.0 + shrunk)
    return 1.0 / (1.0 + math.exp(max(x, -745.0)))


def eh_mv_at_share(share: float, half_reduced_mv: float, temperature_c: float) -> float:
    """Eh in mV vs SHE at which a given share (above 0, below 1) is leuco: inverse of `reduced_share`.

    Raises:
        RangeError: share outside 1e-12…1 − 1e-12, temperature outside 0…100 °C, or an input not finite.
    """
    r = require_range(share, 1e-12, 1.0 - 1e-12, "reduced share", "", _SOURCE)
    middle = require_finite(half_reduced_mv, "half-reduced potential", "mV")
    return middle + thermal_mv(temperature_c, 2) * math.log((1.0 - r) / r)


def leuco_fractions(ph: float, pka1: float = PKA1_LEUCO, pka2: float = PKA2_LEUCO) -> tuple[float, float, float]:
    """Shares of leuco-indigo as acid, mono-phenolate and di-phenolate; they add up to 1. Range pH 4–14.

    Diprotic acid: acid : mono : di = 10^(−2 pH) : 10^(−pK1−pH) : 10^(−pK1−pK2).

    Raises:
        RangeError: an input outside its range or not finite.
    """
    acidity = require_range(ph, *PH_RANGE, "pH", "", _SOURCE)
    first, second = _checked_pka(pka1, pka2)
    exponents = (-2.0 * acidity, -first - acidity, -first - second)
    top = max(exponents)
    acid, mono, di = (10.0 ** (x - top) for x in exponents)
    total = acid + mono + di
    return acid / total, mono / total, di / total
