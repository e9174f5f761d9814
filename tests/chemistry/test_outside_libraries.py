"""Constants, the Nernst equation and the silver chloride electrode against general-purpose libraries, run live."""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable

import pytest
from scipy import constants

from tests.chemistry.phreeqc_oracle import Phreeqc
from vatwatch.chemistry.electrodes import ReferenceElectrode, reference_potential_mv
from vatwatch.chemistry.nernst import (
    FARADAY_C_MOL,
    GAS_CONSTANT_J_MOL_K,
    ZERO_CELSIUS_K,
    nernst_slope_mv,
    thermal_mv,
)

with warnings.catch_warnings():
    # chempy uses names that its own dependencies have deprecated; that is no fault of the code under test.
    warnings.simplefilter("ignore")
    from chempy.electrochemistry.nernst import nernst_potential

Record = Callable[[str, object], None]


def test_constants_are_those_of_codata() -> None:
    assert pytest.approx(constants.R, rel=1e-14) == GAS_CONSTANT_J_MOL_K
    assert pytest.approx(constants.physical_constants["Faraday constant"][0], rel=1e-9) == FARADAY_C_MOL
    assert constants.zero_Celsius == ZERO_CELSIUS_K


def test_nernst_against_chempy(record_property: Record) -> None:
    worst = 0.0
    count = 0
    for temperature_c in (0.0, 5.0, 15.0, 25.0, 37.0, 50.0, 60.0, 100.0):
        for electrons in (1, 2, 4):
            for ratio in (1e-9, 1e-3, 0.5, 1.0, 20.0, 1e6):
                chempys_v = nernst_potential(ratio, 1.0, electrons, temperature_c + ZERO_CELSIUS_K)
                ours_v = 1e-3 * thermal_mv(temperature_c, electrons) * math.log(ratio)
                by_decades_v = 1e-3 * nernst_slope_mv(temperature_c, electrons) * math.log10(ratio)
                worst = max(worst, abs(ours_v - chempys_v), abs(by_decades_v - chempys_v))
                count += 1
    record_property("reference", ("chempy: Nernst, V", count, worst, 1e-6))
    assert worst < 1e-6


@pytest.mark.parametrize("temperature_c", [5.0, 15.0, 25.0, 40.0, 50.0, 60.0])
def test_silver_chloride_in_3_m_kcl_from_activities(
    temperature_c: float, pitzer_dat: Phreeqc, record_property: Record
) -> None:
    t = temperature_c
    # R. G. Bates, V. E. Bower, J. Res. NBS 53, 283 (1954): standard potential of AgCl/Ag; coefficients from memory.
    standard_mv = 1e3 * (0.23655 - 4.8564e-4 * t - 3.4205e-6 * t**2 + 5.869e-9 * t**3)
    # 3 mol/L of KCl is 3.25 mol/kg of water (density 1.131 kg/L at 25 °C, handbook).
    ln_chloride = pitzer_dat.ln_chloride_activity(3.25, t)
    derived_mv = standard_mv - thermal_mv(t) * ln_chloride
    deviation = reference_potential_mv(ReferenceElectrode.AGCL_3M_KCL, t) - derived_mv
    record_property("reference", (f"PHREEQC: Ag/AgCl 3 M KCl at {t:g} °C, mV", 1, abs(deviation), 3.0))
    assert abs(deviation) < 3.0
