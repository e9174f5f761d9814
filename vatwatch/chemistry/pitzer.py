"""Activity coefficients of an alkaline liquor by the Pitzer equations: Na, K, Ca with OH, HCO3, CO3, and CO2.

Why not a simpler form: the Davies equation misses the activity of carbonate at 20 g/L soda ash (ionic
strength 0.5 mol/kg) by several hundredths of a pH unit, and has no place for the difference between soda and
potash.

Equations: K. S. Pitzer, J. Phys. Chem. 77, 268 (1973), DOI 10.1021/j100621a026, with the unsymmetrical mixing
term of K. S. Pitzer, J. Solution Chem. 4, 249 (1975), DOI 10.1007/BF00646562, as written out by C. E. Harvie,
N. Møller, J. H. Weare, Geochim. Cosmochim. Acta 48, 723 (1984), DOI 10.1016/0016-7037(84)90098-X (HMW), whose
parameters at 25 °C are used. Temperature derivatives: L. N. Plummer et al., USGS Water-Resources
Investigations Report 88-4153 (1988), Table 1. This module must not know which solids or how much alkali there
is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from vatwatch.chemistry.aqueous_constants import aqueous_constants

B_ROOT: Final = 1.2
_T25_K: Final = 298.15

# (beta0, its change per K, beta1, its change per K, beta2, C_phi, its change per K).
_BINARY: Final[dict[tuple[str, str], tuple[float, float, float, float, float, float, float]]] = {
    ("Na", "OH"): (0.0864, 7.00e-4, 0.253, 1.34e-4, 0.0, 0.0044, -18.94e-5),
    ("Na", "HCO3"): (0.0277, 1.00e-3, 0.0411, 1.10e-3, 0.0, 0.0, 0.0),
    ("Na", "CO3"): (0.0399, 1.79e-3, 1.389, 2.05e-3, 0.0, 0.0044, 0.0),
    ("K", "OH"): (0.1298, 0.0, 0.320, 0.0, 0.0, 0.0041, 0.0),
    ("K", "HCO3"): (0.0296, 0.996e-3, -0.013, 1.104e-3, 0.0, -0.008, 0.0),
    ("K", "CO3"): (0.1488, 1.788e-3, 1.430, 2.051e-3, 0.0, -0.0015, 0.0),
    ("Ca", "OH"): (-0.1747, 0.0, -0.2303, 0.0, -5.72, 0.0, 0.0),
    ("Ca", "HCO3"): (0.400, 0.0, 2.977, 0.0, 0.0, 0.0, 0.0),
    ("Ca", "CO3"): (0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0),
}
_CATIONS: Final = ("Na", "K", "Ca")
_ANIONS: Final = ("OH", "HCO3", "CO3")

_THETA_NA_K: Final = -0.012
_THETA_NA_CA: Final = 0.07
_THETA_K_CA: Final = 0.032
_THETA_OH_CO3: Final = 0.10
_THETA_HCO3_CO3: Final = -0.04
# psi of two anions with one cation, and of two cations with one anion; those not listed by HMW are 0.
_PSI_OH_CO3: Final = (-0.017, -0.010, 0.0)
_PSI_HCO3_CO3: Final = (0.002, 0.012, 0.0)
_PSI_NA_K: Final = (0.0, -0.003, 0.003)
_LAMBDA_CO2: Final = (0.100, 0.051, 0.183)

# A trace of chloride, for the scale of single-ion activities only: Na, K, Ca with Cl; Cl with OH, HCO3, CO3.
_CHLORIDE: Final = (
    (0.0765, 7.159e-4, 0.2644, 7.005e-4, 0.00127, -10.54e-5),
    (0.04835, 5.794e-4, 0.2122, 10.71e-4, -0.00084, -5.095e-5),
    (0.3159, 1.725e-3, 1.614, 3.900e-3, -0.00034, 0.0),
)
_PSI_NA_K_CL: Final = -0.0018
_THETA_CL: Final = (-0.05, 0.03, -0.02)
_PSI_CL: Final = ((-0.006, -0.015, 0.0085), (-0.006, 0.0, 0.004), (-0.025, 0.0, 0.0))


@dataclass(frozen=True, slots=True)
class LnGamma:
    """Natural logarithms of the activity coefficients that the equilibria need.

    `macinnes` is what turns Pitzer's single-ion scale into that of MacInnes, in which K and Cl share alike in
    KCl: add it once per unit of charge to an anion, subtract it from a cation. It cancels in every
    equilibrium between neutral sums and shows only in pH itself.
    """

    ca: float
    oh: float
    hco3: float
    co3: float
    co2: float
    macinnes: float = 0.0


@dataclass(frozen=True, slots=True)
class _Coefficients:
    """Binary coefficients at one temperature, one row per cation, one entry per anion."""

    a_phi: float
    beta0: tuple[tuple[float, ...], ...]
    beta1: tuple[tuple[float, ...], ...]
    c: tuple[tuple[float, ...], ...]
    beta2_ca_oh: float
    chloride: tuple[tuple[float, float, float], ...]


@lru_cache(maxsize=256)
def _coefficients(temperature_c: float) -> _Coefficients:
    constants = aqueous_constants(temperature_c)
    dt = constants.temperature_k - _T25_K
    rows0, rows1, rows_c = [], [], []
    for cation in _CATIONS:
        charge_c = 2.0 if cation == "Ca" else 1.0
        row0, row1, row_c = [], [], []
        for anion in _ANIONS:
            b0, db0, b1, db1, _, c_phi, dc_phi = _BINARY[cation, anion]
            charge_a = 2.0 if anion == "CO3" else 1.0
            row0.append(b0 + db0 * dt)
            row1.append(b1 + db1 * dt)
            row_c.append((c_phi + dc_phi * dt) / (2.0 * math.sqrt(charge_c * charge_a)))
        rows0.append(tuple(row0))
        rows1.append(tuple(row1))
        rows_c.append(tuple(row_c))
    chloride = tuple(
        (b0 + db0 * dt, b1 + db1 * dt, (c + dc * dt) / (2.0 * math.sqrt(charge)))
        for (b0, db0, b1, db1, c, dc), charge in zip(_CHLORIDE, (1.0, 1.0, 2.0), strict=True)
    )
    return _Coefficients(constants.a_phi, tuple(rows0), tuple(rows1), tuple(rows_c), _BINARY["Ca", "OH"][4], chloride)


def _g(x: float) -> float:
    """g(x) = 2 [1 − (1 + x) e^−x] / x² (Pitzer 1973)."""
    return 2.0 * (1.0 - (1.0 + x) * math.exp(-x)) / (x * x)


def _g_prime(x: float) -> float:
    """g'(x) = −2 [1 − (1 + x + x²/2) e^−x] / x² (Pitzer 1973)."""
    return -2.0 * (1.0 - (1.0 + x + 0.5 * x * x) * math.exp(-x)) / (x * x)


def _j(x: float) -> tuple[float, float]:
    """J(x) = x / (4 + 4.581 x^−0.7237 exp(−0.0120 x^0.528)) and x·J'(x) (Pitzer 1975, eq. 47)."""
    bend = 0.0120 * math.pow(x, 0.528)
    g = 4.581 * math.pow(x, -0.7237) * math.exp(-bend)
    below = 4.0 + g
    x_dg = -g * (0.7237 + 0.528 * bend)
    return x / below, x / below - x * x_dg / (below * below)


def _unsymmetrical(a_phi: float, ionic: float, root: float) -> tuple[float, float]:
    """Eθ and Eθ' between a singly and a doubly charged ion of like sign (Pitzer 1975)."""
    j12, xj12 = _j(12.0 * a_phi * root)
    j11, xj11 = _j(6.0 * a_phi * root)
    j22, xj22 = _j(24.0 * a_phi * root)
    theta = 2.0 / (4.0 * ionic) * (j12 - 0.5 * j11 - 0.5 * j22)
    slope = -theta / ionic + 2.0 / (8.0 * ionic * ionic) * (xj12 - 0.5 * xj11 - 0.5 * xj22)
    return theta, slope


def _ln_gamma_kcl(q: _Coefficients, ionic: float, root: float, g1: float, g1p: float) -> float:
    """Ln of the mean activity coefficient of pure KCl at the same ionic strength."""
    b0, b1, c = q.chloride[1]
    f = -q.a_phi * (root / (1.0 + B_ROOT * root) + 2.0 / B_ROOT * math.log1p(B_ROOT * root))
    return f + ionic * (2.0 * (b0 + b1 * g1) + ionic * b1 * g1p) + 3.0 * ionic * ionic * c


def ln_gamma(temperature_c: float, na: float, k: float, ca: float, oh: float, hco3: float, co3: float) -> LnGamma:
    """Ln activity coefficients at molalities in mol/kg water. Range 0–60 °C, ionic strength up to about 6
    mol/kg.

    Single-ion values are in Pitzer's own convention; `LnGamma.macinnes` leads to that of D. A. MacInnes, J.
    Am. Chem. Soc. 41, 1086 (1919), on which pH is reported.

    Raises:
        RangeError: temperature outside 0…60 °C or not finite.
    """
    q = _coefficients(temperature_c)
    ionic = max(0.5 * (na + k + oh + hco3) + 2.0 * (ca + co3), 1e-9)
    root = math.sqrt(ionic)
    x1, x2 = 2.0 * root, 12.0 * root
    g1, g1p = _g(x1), _g_prime(x1) / ionic
    cations, anions = (na, k, ca), (oh, hco3, co3)
    z_sum = na + k + 2.0 * ca + oh + hco3 + 2.0 * co3

    b = [[q.beta0[i][j] + q.beta1[i][j] * g1 for j in range(3)] for i in range(3)]
    b[2][0] += q.beta2_ca_oh * _g(x2)
    # The two alpha of a 2-2 pair would differ, but Ca with CO3 has no virial terms in HMW.
    f = -q.a_phi * (root / (1.0 + B_ROOT * root) + 2.0 / B_ROOT * math.log1p(B_ROOT * root))
    c_sum = 0.0
    for i in range(3):
        for j in range(3):
            pair = cations[i] * anions[j]
            f += pair * q.beta1[i][j] * g1p
            c_sum += pair * q.c[i][j]
    f += ca * oh * q.beta2_ca_oh * _g_prime(x2) / ionic
    e_theta, e_slope = _unsymmetrical(q.a_phi, ionic, root)
    f += e_slope * (ca * (na + k) + co3 * (oh + hco3))

    def anion(j: int, charge: float, mixing: float) -> float:
        total = charge * charge * f + charge * c_sum + mixing + na * k * _PSI_NA_K[j]
        for i in range(3):
            total += cations[i] * (2.0 * b[i][j] + z_sum * q.c[i][j])
        return total

    oh_co3 = 2.0 * (_THETA_OH_CO3 + e_theta) + sum(m * p for m, p in zip(cations, _PSI_OH_CO3, strict=True))
    hco3_co3 = 2.0 * (_THETA_HCO3_CO3 + e_theta) + sum(m * p for m, p in zip(cations, _PSI_HCO3_CO3, strict=True))
    calcium = 4.0 * f + 2.0 * c_sum
    for j in range(3):
        calcium += anions[j] * (2.0 * b[2][j] + z_sum * q.c[2][j])
    calcium += 2.0 * na * (_THETA_NA_CA + e_theta) + 2.0 * k * (_THETA_K_CA + e_theta)
    cl = f + c_sum + na * k * _PSI_NA_K_CL
    for i in range(3):
        b0, b1, c = q.chloride[i]
        cl += cations[i] * (2.0 * (b0 + b1 * g1) + z_sum * c)
        cl += cations[i] * sum(m * p for m, p in zip(anions, _PSI_CL[i], strict=True))
    cl += 2.0 * sum(m * p for m, p in zip(anions, _THETA_CL, strict=True)) + 2.0 * co3 * e_theta
    return LnGamma(
        ca=calcium,
        oh=anion(0, 1.0, co3 * oh_co3),
        hco3=anion(1, 1.0, co3 * hco3_co3),
        co3=anion(2, 2.0, oh * oh_co3 + hco3 * hco3_co3),
        co2=2.0 * sum(m * p for m, p in zip(cations, _LAMBDA_CO2, strict=True)),
        macinnes=_ln_gamma_kcl(q, ionic, root, g1, g1p) - cl,
    )
