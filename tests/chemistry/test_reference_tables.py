"""Every published value in tests/reference against the function that claims it."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from tests.chemistry.reference_tables import Row, read_table, table_names
from vatwatch.chemistry.aqueous_constants import (
    debye_huckel_slope,
    pk1_carbonic,
    pk2_carbonic,
    pk_calcite,
    pkw,
    water_density_kg_l,
)
from vatwatch.chemistry.buffers import Buffer, buffer_ph
from vatwatch.chemistry.calibration import PhCalibration, ideal_mv_from_ph, ph_from_mv
from vatwatch.chemistry.check_solutions import (
    CheckSolution,
    check_eh_mv,
    light_eh_mv,
    quinhydrone_eh_mv,
    zobell_eh_mv,
)
from vatwatch.chemistry.electrodes import (
    ReferenceElectrode,
    eh_mv_from_orp,
    orp_mv_from_eh,
    reference_potential_mv,
)
from vatwatch.chemistry.indigo import leuco_fractions
from vatwatch.chemistry.liquor import Liquor, liquor_ph
from vatwatch.chemistry.nernst import nernst_slope_mv
from vatwatch.chemistry.oxygen import oxygen_saturation_mg_l
from vatwatch.chemistry.pitzer import ln_gamma
from vatwatch.chemistry.reductant import (
    caustic_g_for_indigo,
    caustic_g_for_oxygen,
    oxygen_g_in_air_saturated_water,
    reductant_g_for_indigo,
    reductant_g_for_oxygen,
)
from vatwatch.chemistry.sodium_error import sodium_error_ph
from vatwatch.chemistry.thermometers import pt100_ohm, temperature_c_from_pt100

Deviation = Callable[[Row], float]


def _t(row: Row) -> float:
    return float(row["temperature_c"])


def _electrode(row: Row) -> float:
    return reference_potential_mv(ReferenceElectrode(row["electrode"]), _t(row)) - float(row["potential_mv"])


def _eh(row: Row) -> float:
    return eh_mv_from_orp(float(row["orp_mv"]), ReferenceElectrode(row["electrode"]), _t(row)) - float(row["eh_mv"])


def _quinhydrone(row: Row) -> float:
    eh = check_eh_mv(CheckSolution(row["solution"]), _t(row))
    return orp_mv_from_eh(eh, ReferenceElectrode(row["electrode"]), _t(row)) - float(row["orp_mv"])


def _quinhydrone_sat(row: Row) -> float:
    eh = quinhydrone_eh_mv(float(row["ph"]), _t(row))
    return orp_mv_from_eh(eh, ReferenceElectrode.AGCL_SAT_KCL, _t(row)) - float(row["orp_mv"])


def _buffer(row: Row) -> float:
    return buffer_ph(Buffer(row["buffer"]), _t(row)) - float(row["ph"])


def _lime(row: Row) -> float:
    return liquor_ph(Liquor(lime=0.1), _t(row)) - float(row["ph"])


def _carbonate(row: Row) -> float:
    return liquor_ph(Liquor(sodium=0.075, carbon=0.05), _t(row)) - float(row["ph"])


def _plummer(row: Row) -> float:
    function = {"pk1": pk1_carbonic, "pk2": pk2_carbonic, "calcite": pk_calcite}[row["constant"]]
    return function(_t(row)) - float(row["pk"])


def _hydroxide(row: Row) -> float:
    m = float(row["molality"])
    sodium, potassium = (m, 0.0) if row["hydroxide"] == "NaOH" else (0.0, m)
    # In one pure 1-1 electrolyte Pitzer's single-ion coefficients are equal, and so equal to the mean.
    return math.exp(ln_gamma(25.0, sodium, potassium, 0.0, m, 0.0, 0.0).oh) - float(row["gamma"])


def _pt100(row: Row) -> float:
    assert temperature_c_from_pt100(float(row["ohm"])) == pytest.approx(_t(row), abs=0.02)
    return pt100_ohm(_t(row)) - float(row["ohm"])


def _speciation(row: Row) -> float:
    wanted = (float(row["acid_percent"]), float(row["mono_percent"]), float(row["di_percent"]))
    found = leuco_fractions(float(row["ph"]))
    return max(abs(100.0 * f - w) for f, w in zip(found, wanted, strict=True))


def _budget(row: Row) -> float:
    saturated_g_l = oxygen_g_in_air_saturated_water(1.0, 25.0)
    found = {
        "dithionite_per_oxygen": reductant_g_for_oxygen(1.0),
        "caustic_per_oxygen": caustic_g_for_oxygen(1.0),
        "dithionite_per_indigo": reductant_g_for_indigo(1.0),
        "caustic_per_indigo": caustic_g_for_indigo(1.0),
        "dithionite_mg_l_25c": 1000.0 * reductant_g_for_oxygen(saturated_g_l),
        "caustic_mg_l_25c": 1000.0 * caustic_g_for_oxygen(saturated_g_l),
    }[row["what"]]
    return found / float(row["value"]) - 1.0


def _compensation_left_off(row: Row) -> float:
    true_mv = ideal_mv_from_ph(float(row["ph"]), _t(row))
    shown = ph_from_mv(true_mv, 25.0, PhCalibration())
    return shown - float(row["ph"]) - float(row["error_ph"])


DEVIATION: dict[str, Deviation] = {
    "activity_hydroxides": _hydroxide,
    "buffer_technical_7": _buffer,
    "buffers_nist": _buffer,
    "carbonate_buffer_model": _carbonate,
    "compensation_left_off": _compensation_left_off,
    "debye_huckel_slope": lambda row: debye_huckel_slope(_t(row)) - float(row["a_phi"]),
    "eh_from_orp": _eh,
    "electrodes_agcl_3_33m": _electrode,
    "electrodes_din_38404_6": _electrode,
    "electrodes_sawyer_1995": _electrode,
    "leuco_speciation": _speciation,
    "light_1972": lambda row: light_eh_mv(_t(row)) - float(row["eh_mv"]),
    "lime_saturated_model": _lime,
    "nernst_slope": lambda row: nernst_slope_mv(_t(row)) - float(row["slope_mv"]),
    "oxygen_en_25814": lambda row: oxygen_saturation_mg_l(_t(row)) - float(row["mg_l"]),
    "oxygen_standard_methods": lambda row: oxygen_saturation_mg_l(_t(row)) - float(row["mg_l"]),
    "pk1_harned_davis": lambda row: pk1_carbonic(_t(row)) - float(row["pk1"]),
    "pk2_harned_scholes": lambda row: pk2_carbonic(_t(row)) - float(row["pk2"]),
    "pkw_iapws": lambda row: pkw(_t(row)) - float(row["pkw"]),
    "plummer_busenberg": _plummer,
    "pt100_iec_60751": _pt100,
    "quinhydrone_agcl_3_33m": _quinhydrone,
    "quinhydrone_agcl_sat": _quinhydrone_sat,
    "reductant_budget": _budget,
    "sodium_error": lambda row: sodium_error_ph(float(row["ph"]), float(row["sodium_mol_l"])) - float(row["error_ph"]),
    "water_density": lambda row: water_density_kg_l(_t(row)) - float(row["density_kg_l"]),
    "zobell_standard_methods": lambda row: zobell_eh_mv(_t(row)) - float(row["eh_mv"]),
}


@pytest.mark.parametrize("name", table_names())
def test_published_values(name: str, record_property: Callable[[str, object], None]) -> None:
    table = read_table(name)
    deviations = [abs(DEVIATION[name](row)) for row in table.rows]
    record_property("reference", (name, len(deviations), max(deviations), table.tolerance))
    worst = max(zip(deviations, table.rows, strict=True), key=lambda pair: pair[0])
    assert worst[0] <= table.tolerance, f"{worst[1]} is off by {worst[0]:.5f} ({table.header['source']})"


def test_every_table_has_a_check_and_they_hold_300_values() -> None:
    assert set(DEVIATION) == set(table_names())
    assert sum(len(read_table(name).rows) for name in table_names()) >= 300
