"""Redox check solutions: what an ORP probe ought to show in them, and how far off it is.

None of these proves a probe at the −600 mV of a vat: they show that the platinum answers and that the
reference is whole. Published ZoBell values differ by 2–6 mV among themselves, hence the pass band of ±10 mV.
This module must not judge vats.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from vatwatch.chemistry.buffers import Buffer, buffer_ph
from vatwatch.chemistry.calibration import OrpCalibration
from vatwatch.chemistry.electrodes import ReferenceElectrode, orp_mv_from_eh, reference_potential_sigma_mv
from vatwatch.chemistry.nernst import nernst_slope_mv
from vatwatch.chemistry.ranges import require_finite, require_range


class CheckSolution(StrEnum):
    """Redox solutions sold or mixed for checking ORP probes."""

    ZOBELL = "zobell"
    LIGHT = "light"
    QUINHYDRONE_PHTHALATE = "quinhydrone-phthalate"
    QUINHYDRONE_PHOSPHATE = "quinhydrone-phosphate"


PASS_BAND_MV: Final = 10.0
SOLUTION_SIGMA_MV: Final = 4.0
"""One sigma of a check solution, from the spread of published ZoBell values (2–6 mV)."""

E0_QUINHYDRONE_MV: Final = 699.94
"""Standard potential of quinhydrone at 25 °C, mV vs SHE (handbook)."""
E0_QUINHYDRONE_SLOPE_MV_C: Final = -0.74
"""Its temperature coefficient; from memory, and borne out by a published table of 16 cells within 2 mV."""

_ZOBELL_MV: Final = ((5.0, 472.0), (10.0, 461.0), (15.0, 450.0), (20.0, 439.0), (25.0, 428.0), (30.0, 417.0))


def zobell_eh_mv(temperature_c: float) -> float:
    """Eh of ZoBell's solution in mV vs SHE, 5–30 °C; 428 at 25 °C.

    Source: Standard Methods for the Examination of Water and Wastewater, 20th ed., Table 2580:I; straight
    lines between.

    Raises:
        RangeError: outside 5…30 °C or not finite.
    """
    t = require_range(temperature_c, 5.0, 30.0, "temperature", "°C", "Standard Methods Table 2580:I (ZoBell)")
    low = min(int((t - 5.0) // 5.0), len(_ZOBELL_MV) - 2)
    (t_low, e_low), (t_high, e_high) = _ZOBELL_MV[low], _ZOBELL_MV[low + 1]
    return e_low + (e_high - e_low) * (t - t_low) / (t_high - t_low)


def zobell_eh_nordstrom_mv(temperature_c: float) -> float:
    """Eh of ZoBell's solution in mV vs SHE, 8–85 °C: 430.28 − 2.5157 (t − 25) − 0.0037979 (t − 25)².

    Source: D. K. Nordstrom, Geochim. Cosmochim. Acta 41, 1835 (1977); coefficients from memory, for
    comparison only.

    Raises:
        RangeError: outside 8…85 °C or not finite.
    """
    t = require_range(temperature_c, 8.0, 85.0, "temperature", "°C", "Nordstrom's ZoBell equation") - 25.0
    return 430.28 - 2.5157 * t - 0.0037979 * t * t


def light_eh_mv(temperature_c: float) -> float:
    """Eh of Light's iron solution: +675 mV vs SHE, given for 25 °C and taken for 20–30 °C.

    Source: T. S. Light, Anal. Chem. 44, 1038 (1972).

    Raises:
        RangeError: outside 20…30 °C or not finite.
    """
    require_range(temperature_c, 20.0, 30.0, "temperature", "°C", "Light's solution (given for 25 °C)")
    return 675.0


def quinhydrone_eh_mv(ph: float, temperature_c: float) -> float:
    """Eh in mV vs SHE of a buffer saturated with quinhydrone: E0(t) − k(t)·pH. Range pH 1–8, 5–40 °C.

    E0(t) = 699.94 − 0.74 (t − 25) mV. Source: E0 at 25 °C handbook; its slope from memory. Above pH 8
    quinhydrone decays.

    Raises:
        RangeError: an input outside its range or not finite.
    """
    acidity = require_range(ph, 1.0, 8.0, "pH", "", "the quinhydrone electrode")
    t = require_range(temperature_c, 5.0, 40.0, "temperature", "°C", "the quinhydrone electrode")
    return E0_QUINHYDRONE_MV + E0_QUINHYDRONE_SLOPE_MV_C * (t - 25.0) - nernst_slope_mv(t) * acidity


def check_eh_mv(solution: CheckSolution, temperature_c: float) -> float:
    """Eh of a check solution in mV vs SHE at a temperature in °C.

    Quinhydrone in phthalate takes the pH of the primary phthalate buffer, in phosphate that of the primary
    one.

    Raises:
        RangeError: temperature outside the solution's range or not finite.
    """
    if solution is CheckSolution.ZOBELL:
        return zobell_eh_mv(temperature_c)
    if solution is CheckSolution.LIGHT:
        return light_eh_mv(temperature_c)
    buffer = Buffer.PHTHALATE if solution is CheckSolution.QUINHYDRONE_PHTHALATE else Buffer.PHOSPHATE
    return quinhydrone_eh_mv(buffer_ph(buffer, temperature_c), temperature_c)


@dataclass(frozen=True, slots=True)
class OrpCheck:
    """Outcome of standing an ORP probe in a check solution; all in mV against the probe's own reference."""

    expected_mv: float
    found_mv: float
    deviation_mv: float
    sigma_mv: float
    passed: bool

    @property
    def calibration(self) -> OrpCalibration:
        """The offset that would bring the probe onto the solution's value."""
        return OrpCalibration(offset_mv=-self.deviation_mv, sigma_mv=self.sigma_mv)


def check_orp(
    reading_mv: float,
    solution: CheckSolution,
    electrode: ReferenceElectrode,
    temperature_c: float,
    reading_sigma_mv: float = 1.0,
) -> OrpCheck:
    """Compare an ORP reading in a check solution with what it ought to be; passed within ±10 mV.

    Raises:
        RangeError: temperature outside the solution's or the electrode's range, or a reading not finite.
    """
    found = require_finite(reading_mv, "ORP reading", "mV")
    expected = orp_mv_from_eh(check_eh_mv(solution, temperature_c), electrode, temperature_c)
    table = reference_potential_sigma_mv(electrode, temperature_c)
    sigma = (SOLUTION_SIGMA_MV**2 + table**2 + reading_sigma_mv**2) ** 0.5
    deviation = found - expected
    return OrpCheck(expected, found, deviation, sigma, abs(deviation) <= PASS_BAND_MV)
