"""The figures in the notes are those of the code, to the last digit shown."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from vatwatch.assembly import CALIBRATE_EVERY_DAYS
from vatwatch.chemistry import calibration, electrode_health
from vatwatch.chemistry.alkali import MOLAR_MASS_G_MOL, Alkali, alkali_ph
from vatwatch.chemistry.buffers import Buffer, buffer_ph
from vatwatch.chemistry.check_solutions import PASS_BAND_MV, light_eh_mv, quinhydrone_eh_mv, zobell_eh_mv
from vatwatch.chemistry.electrodes import ReferenceElectrode, eh_mv_from_orp, orp_mv_from_eh, reference_potential_mv
from vatwatch.chemistry.indigo import E7_PRIOR_SIGMA_MV
from vatwatch.chemistry.nernst import nernst_slope_mv
from vatwatch.chemistry.sodium_error import sodium_error_ph
from vatwatch.chemistry.thermometers import is_digital_fault, pt100_ohm
from vatwatch.terms import Quantity
from vatwatch.vat.estimate import Couple, OffsetBelief, estimate_reduction, margin_of_share
from vatwatch.vat.probe_fault_names import FaultName
from vatwatch.vat.probe_recognising import FAILS
from vatwatch.vat.scan import OUT_MINUTES
from vatwatch.vat.teaching import COLOUR

NOTES = Path(__file__).parents[2] / "hardware_notes"


def page(name: str) -> str:
    return (NOTES / name).read_text(encoding="utf-8")


def words(name: str) -> str:
    return " ".join(page(name).split())


def table(name: str, first_heading: str) -> tuple[list[str], list[list[str]]]:
    """Headings and rows of the table whose first heading is given."""
    lines = [line.strip() for line in page(name).splitlines()]
    start = next(n for n, line in enumerate(lines) if line.startswith(f"| {first_heading} |"))
    rows = []
    for line in lines[start:]:
        if not line.startswith("|"):
            break
        rows.append([cell.strip() for cell in line.strip("|").split("|")])
    return rows[0], rows[2:]


def test_reference_electrodes() -> None:
    headings, rows = table("electrodes.md", "in the settings file")
    temperatures = [float(heading.removesuffix(" °C")) for heading in headings[2:]]
    shown = {row[0].strip("`"): [float(cell) for cell in row[2:]] for row in rows}
    assert set(shown) == set(ReferenceElectrode) - {ReferenceElectrode.SHE}
    for electrode, values in shown.items():
        expected = [reference_potential_mv(ReferenceElectrode(electrode), t) for t in temperatures]
        assert values == pytest.approx(expected, abs=0.51), electrode


def test_two_references_in_one_liquor() -> None:
    eh_mv = eh_mv_from_orp(-600.0, ReferenceElectrode.SCE, 25.0)
    assert orp_mv_from_eh(eh_mv, ReferenceElectrode.AGCL_3M_KCL, 25.0) == pytest.approx(-563, abs=0.5)
    assert "−600 mV against calomel are −563 mV" in words("electrodes.md")


def test_buffers() -> None:
    _, rows = table("care.md", "°C")
    columns = (Buffer.PHOSPHATE_TECHNICAL, Buffer.BORAX, Buffer.CARBONATE, Buffer.LIME_SATURATED)
    assert len(rows) == 7
    for temperature, *cells in rows:
        expected = [buffer_ph(buffer, float(temperature)) for buffer in columns]
        assert [float(cell) for cell in cells] == pytest.approx(expected, abs=0.0051), temperature


def test_buffers_in_the_calibration_example_have_their_own_temperature() -> None:
    shown = re.findall(r"```toml\n(.*?)```", page("care.md"), re.DOTALL)
    (table_,) = (tomllib.loads(one)["probe"]["tub-ph"]["calibration"] for one in shown if "readings_ph" in one)
    at = table_["temperature_c"]
    expected = [buffer_ph(Buffer.PHOSPHATE_TECHNICAL, at), buffer_ph(Buffer.CARBONATE, at)]
    assert table_["buffers_ph"] == pytest.approx(expected, abs=0.0051)


NAMED = {
    "Ag/AgCl 1 M": ReferenceElectrode.AGCL_1M_KCL,
    "Ag/AgCl 3 M": ReferenceElectrode.AGCL_3M_KCL,
    "Ag/AgCl 3.33 M": ReferenceElectrode.AGCL_3_33M_KCL,
    "Ag/AgCl 3.5 M": ReferenceElectrode.AGCL_3_5M_KCL,
    "Ag/AgCl saturated": ReferenceElectrode.AGCL_SAT_KCL,
    "calomel": ReferenceElectrode.SCE,
}


def test_check_solutions() -> None:
    _, rows = table("care.md", "reference")
    assert [row[0] for row in rows] == list(NAMED)
    for name, *cells in rows:
        electrode = NAMED[name]
        expected = [
            orp_mv_from_eh(zobell_eh_mv(20.0), electrode, 20.0),
            orp_mv_from_eh(zobell_eh_mv(25.0), electrode, 25.0),
            orp_mv_from_eh(light_eh_mv(25.0), electrode, 25.0),
            orp_mv_from_eh(quinhydrone_eh_mv(7.0, 25.0), electrode, 25.0),
            orp_mv_from_eh(quinhydrone_eh_mv(4.0, 25.0), electrode, 25.0),
        ]
        assert [float(cell) for cell in cells] == pytest.approx(expected, abs=0.51), name
    assert f"within ±{PASS_BAND_MV:g} mV is a pass" in words("care.md")


def test_limits_of_a_tired_electrode() -> None:
    low, high = calibration.SLOPE_GOOD_SHARE
    text = words("care.md")
    assert f"more than ±{calibration.OFFSET_GOOD_MV:g} mV (about half a pH)" in text
    assert calibration.OFFSET_GOOD_MV / nernst_slope_mv(25.0) == pytest.approx(0.5, abs=0.02)
    assert f"slope below {100 * low:.0f} % or above {100 * high:.0f} %" in text


def test_what_a_calibration_loses_in_a_month_and_when_it_is_due() -> None:
    text = words("care.md")
    ph = 30 * calibration.OFFSET_DRIFT_MV_PER_DAY / nernst_slope_mv(25.0)
    assert f"a month leaves pH unsure by {ph:.1f} and ORP by {30 * calibration.ORP_DRIFT_MV_PER_DAY:.0f} mV" in text
    days = {quantity: CALIBRATE_EVERY_DAYS[quantity] for quantity in Quantity}
    assert days[Quantity.PH] == days[Quantity.ORP] == 30
    assert f"after 30 days for pH and ORP, {days[Quantity.TEMPERATURE]:.0f} for thermometers" in text
    assert f"after the minutes given ({OUT_MINUTES:.0f} if none)" in text


def test_beyond_which_limits_a_calibration_is_refused() -> None:
    low, high = electrode_health.SLOPE_LIMITS
    refused = f"beyond ±{electrode_health.OFFSET_LIMIT_MV:.0f} mV, or outside {100 * low:.0f} to {100 * high:.0f} %"
    assert refused in words("care.md")


def test_every_finding_about_a_probe_is_told_with_what_becomes_of_its_number() -> None:
    _, rows = table("care.md", "finding")
    assert {row[0] for row in rows} == set(FaultName)
    for name, _, number in rows:
        assert ("withdrawn" in number) == (name in FAILS), name
        assert "doubtful" in number or name in FAILS


def test_sodium_error() -> None:
    _, rows = table("electrodes.md", "sodium in the liquor")
    assert len(rows) == 5
    for sodium, ph, error in rows:
        expected = sodium_error_ph(float(ph), float(sodium.removesuffix(" mol/L")))
        assert float(error) == pytest.approx(expected, abs=0.0051)
    soda = 0.1 * MOLAR_MASS_G_MOL[Alkali.SODA_ASH] / 2
    caustic = 0.1 * MOLAR_MASS_G_MOL[Alkali.CAUSTIC_SODA]
    assert f"{soda:.1f} g/L of soda ash or {caustic:.0f} g/L of caustic soda" in words("electrodes.md")


def test_what_warmth_does_to_a_vat_of_fixed_alkali() -> None:
    soda = alkali_ph(Alkali.SODA_ASH, 5.0, 25.0) - alkali_ph(Alkali.SODA_ASH, 5.0, 50.0)
    lime = buffer_ph(Buffer.LIME_SATURATED, 25.0) - buffer_ph(Buffer.LIME_SATURATED, 50.0)
    assert 0.4 < soda < lime < 0.755
    assert "falls by 0.4 to 0.75 pH between 25 and 50 °C" in words("electrodes.md")


def test_thermometers() -> None:
    assert pt100_ohm(31.0) - pt100_ohm(30.0) == pytest.approx(0.39, abs=0.005)
    assert "about 0.39 Ω per °C" in words("electrodes.md")
    assert is_digital_fault(85.0)
    assert is_digital_fault(-127.0)


def test_the_estimate_is_short_and_its_figures_are_the_programs() -> None:
    text = words("the-estimate.md")
    assert 250 <= len(re.findall(r"[A-Za-z]+", text)) <= 340
    assert f"uncertain by about {E7_PRIOR_SIGMA_MV:g} mV" in text
    assert all(look.value in text for look in COLOUR.looks)
    # at 25 °C: ten times less unreduced per 30 mV, and 99 % at 60 mV
    assert nernst_slope_mv(25.0, electrons=2) == pytest.approx(30, abs=0.6)
    assert margin_of_share(0.99, 25.0) == pytest.approx(60, abs=2)
    untaught = estimate_reduction(Couple(40.0, 8.0, 25.0), OffsetBelief.prior(E7_PRIOR_SIGMA_MV), 0.9)
    assert f"best guess is {100 * untaught.share:.0f} %" in text
    assert f"between {100 * untaught.share_low:.0f} and {100 * untaught.share_high:.0f} %" in text


@pytest.mark.parametrize("limit", ["undissolved", "hydrosulfite", "fermenting", "pH", "shade", "nine times in ten"])
def test_the_estimate_states_its_limits(limit: str) -> None:
    assert limit in words("the-estimate.md")


def test_cautions_come_before_the_first_wire() -> None:
    text = page("README.md")
    cautions = text.index("## Cautions first")
    assert cautions < text.index("## Parts") < text.index("```")
    for needed in (
        "not a safety device",
        "thermal cut-out",
        "RCD",
        "GFCI",
        "licensed",
        "goggles",
        "UN 1384",
        "No acid",
    ):
        assert needed in text[cautions : text.index("## Parts")], needed
