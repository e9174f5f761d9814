"""Reference electrodes: what the other half of an ORP probe is worth against the standard hydrogen electrode.

Eh = E(measured) + E(reference, t). This module must not know probes, vats or calibrations.

Two traps, kept out on purpose. 222 mV is the *standard* potential of AgCl/Ag, not that of the electrode
filled with 1 M KCl (236 mV at 25 °C). The published DIN relation also has a term −0.198 (t − 25), which
restates a reading as if it had been taken at 25 °C; it is left out because Eh at the bath's own temperature
is wanted.
"""

from __future__ import annotations

import math
from enum import StrEnum
from typing import Final

from vatwatch.chemistry.ranges import require_finite, require_range


class ReferenceElectrode(StrEnum):
    """The reference half-cells a probe's data sheet may name."""

    AGCL_1M_KCL = "agcl_1m_kcl"
    AGCL_3M_KCL = "agcl_3m_kcl"
    AGCL_3_33M_KCL = "agcl_3.33m_kcl"
    AGCL_3_5M_KCL = "agcl_3.5m_kcl"
    AGCL_SAT_KCL = "agcl_sat_kcl"
    SCE = "sce"
    SHE = "she"


SHE_RANGE_C: Final = (0.0, 60.0)

# (a, b) of E = sqrt(a − b·t).
_ROOT_FITS: Final = {
    ReferenceElectrode.AGCL_1M_KCL: (62755.0, 284.0),
    ReferenceElectrode.AGCL_3M_KCL: (50301.0, 297.0),
}
# (E at 25 °C, mV per °C, °C range in which the source tabulates it).
_LINES: Final = {
    ReferenceElectrode.AGCL_3_33M_KCL: (206.0, -0.7, (0.0, 60.0)),
    ReferenceElectrode.AGCL_3_5M_KCL: (205.0, -0.75, (15.0, 35.0)),
    ReferenceElectrode.AGCL_SAT_KCL: (199.0, -1.00, (15.0, 35.0)),
    ReferenceElectrode.SCE: (244.4, -0.675, (15.0, 35.0)),
}


def reference_potential_mv(electrode: ReferenceElectrode, temperature_c: float) -> float:
    """Potential of a reference electrode against SHE in mV, 0–60 °C.

    Equations and sources:
        Ag/AgCl 1 M and 3 M KCl: E = sqrt(62755 − 284 t) and sqrt(50301 − 297 t), 0–60 °C; fit to DIN 38404-6
        given by C. Wolkersdorfer, Water Management at Abandoned Flooded Underground Mines (2008), DOI
        10.1007/978-3-540-77331-3 (±5 mV).
        Ag/AgCl 3.33 M KCl: E = 206 − 0.7 (t − 25), 0–60 °C; an instrument maker's published note.
        Ag/AgCl 3.5 M KCl: E = 205 − 0.75 (t − 25); saturated KCl: E = 199 − 1.00 (t − 25); saturated calomel:
        E = 244.4 − 0.675 (t − 25): D. T. Sawyer, A. Sobkowiak, J. L. Roberts, Electrochemistry for Chemists,
        2nd ed. (1995), tabulated 15–35 °C and used to 0–60 °C here with a wider sigma.

    Raises:
        RangeError: temperature outside 0…60 °C or not finite.
    """
    t = require_range(temperature_c, *SHE_RANGE_C, "temperature", "°C", "the reference electrode table")
    root = _ROOT_FITS.get(electrode)
    if root is not None:
        return math.sqrt(root[0] - root[1] * t)
    line = _LINES.get(electrode)
    if line is not None:
        return line[0] + line[1] * (t - 25.0)
    return 0.0


def reference_potential_sigma_mv(electrode: ReferenceElectrode, temperature_c: float) -> float:
    """One sigma in mV of `reference_potential_mv`, from the table and a refillable electrode's own scatter.

    3 mV where the source tabulates the electrode and 5–40 °C; 5 mV elsewhere in 0–60 °C; 0 for SHE by
    definition. The two figures are an engineering judgement from the spread between published tables (2–5
    mV).

    Raises:
        RangeError: temperature outside 0…60 °C or not finite.
    """
    t = require_range(temperature_c, *SHE_RANGE_C, "temperature", "°C", "the reference electrode table")
    if electrode is ReferenceElectrode.SHE:
        return 0.0
    low, high = 5.0, 40.0
    line = _LINES.get(electrode)
    if line is not None:
        low, high = max(low, line[2][0]), min(high, line[2][1])
    return 3.0 if low <= t <= high else 5.0


def eh_mv_from_orp(orp_mv: float, electrode: ReferenceElectrode, temperature_c: float) -> float:
    """Eh in mV vs SHE at the bath's own temperature from a raw ORP reading; −600 mV vs SCE is −356 mV at 25
    °C.

    Raises:
        RangeError: temperature outside 0…60 °C, or a reading that is not finite.
    """
    return require_finite(orp_mv, "ORP reading", "mV") + reference_potential_mv(electrode, temperature_c)


def orp_mv_from_eh(eh_mv: float, electrode: ReferenceElectrode, temperature_c: float) -> float:
    """The raw ORP in mV a probe with this reference shows at a given Eh (mV vs SHE): inverse of
    `eh_mv_from_orp`.

    Raises:
        RangeError: temperature outside 0…60 °C, or a potential that is not finite.
    """
    return require_finite(eh_mv, "Eh", "mV") - reference_potential_mv(electrode, temperature_c)
