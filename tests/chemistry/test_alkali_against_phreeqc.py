"""PH of alkali liquors against PHREEQC with its own pitzer.dat, run live, 15–60 °C; and the cliff of a spent lime vat.

Both sides use Pitzer's equations with mostly the same published parameters (Harvie, Møller, Weare 1984), so this shows
that the equilibria are solved rightly; that they describe real liquors is shown by the NIST tables in tests/reference.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable

import pytest

from tests.chemistry.phreeqc_oracle import Phreeqc
from vatwatch.chemistry.alkali import Alkali, alkali_liquor, lime_solubility_g_l
from vatwatch.chemistry.liquor import Liquor, liquor_ph, settle

Record = Callable[[str, object], None]

TEMPERATURES_C = (15.0, 20.0, 25.0, 30.0, 40.0, 50.0, 60.0)
STRENGTHS_G_L: dict[Alkali, tuple[float, ...]] = {
    # Saturated is 1.4 to 1.5 g/L; 3 and 10 g/L stand over undissolved lime.
    Alkali.LIME: (0.1, 0.2, 0.5, 1.0, 1.3, 1.4, 1.5, 1.6, 3.0, 10.0),
    Alkali.SODA_ASH: (0.5, 1.0, 2.0, 5.0, 10.0, 20.0),
    Alkali.CAUSTIC_SODA: (0.1, 0.2, 0.5, 1.0, 2.0, 5.0),
    Alkali.POTASH: (0.5, 1.0, 2.0, 5.0, 10.0, 20.0),
}
TOLERANCE = {Alkali.LIME: 0.05, Alkali.SODA_ASH: 0.1, Alkali.CAUSTIC_SODA: 0.05, Alkali.POTASH: 0.1}


def _largest(liquors: list[Liquor], oracle: Phreeqc) -> tuple[int, float, str]:
    found = [
        (abs(liquor_ph(liquor, t) - oracle.ph(liquor, t)), f"{liquor} at {t:g} °C")
        for liquor, t in itertools.product(liquors, TEMPERATURES_C)
    ]
    worst = max(found)
    return len(found), worst[0], worst[1]


@pytest.mark.parametrize("alkali", list(Alkali))
def test_fresh_alkali(alkali: Alkali, pitzer_dat: Phreeqc, record_property: Record) -> None:
    liquors = [alkali_liquor(alkali, strength) for strength in STRENGTHS_G_L[alkali]]
    count, largest, where = _largest(liquors, pitzer_dat)
    record_property("reference", (f"PHREEQC: {alkali}, pH", count, largest, TOLERANCE[alkali]))
    assert largest < TOLERANCE[alkali], where


@pytest.mark.parametrize("alkali", [Alkali.SODA_ASH, Alkali.POTASH, Alkali.CAUSTIC_SODA])
def test_half_carbonated(alkali: Alkali, pitzer_dat: Phreeqc, record_property: Record) -> None:
    liquors = []
    for strength, share in itertools.product(STRENGTHS_G_L[alkali], (0.25, 0.5)):
        fresh = alkali_liquor(alkali, strength)
        room = fresh.sodium + fresh.potassium - fresh.carbon
        liquors.append(fresh.with_carbon(fresh.carbon + share * room))
    count, largest, where = _largest(liquors, pitzer_dat)
    record_property("reference", (f"PHREEQC: {alkali}, a quarter and half carbonated, pH", count, largest, 0.1))
    assert largest < 0.1, where


def test_mixed_liquors(pitzer_dat: Phreeqc, record_property: Record) -> None:
    liquors = [
        Liquor(sodium=0.05, potassium=0.05, carbon=0.05),
        Liquor(sodium=0.1, lime=0.01, carbon=0.04),
        Liquor(sodium=0.02, lime=0.03, carbon=0.01),
        Liquor(potassium=0.1, lime=0.02, carbon=0.05),
        Liquor(sodium=0.2, potassium=0.02, lime=0.005, carbon=0.1),
    ]
    count, largest, where = _largest(liquors, pitzer_dat)
    record_property("reference", ("PHREEQC: alkalis mixed, pH", count, largest, 0.1))
    assert largest < 0.1, where


def test_carbonated_beyond_half_with_bicarbonate_as_published(
    hmw_bicarbonate: Phreeqc, record_property: Record
) -> None:
    liquors = []
    for alkali, strength, share in itertools.product(
        (Alkali.SODA_ASH, Alkali.POTASH, Alkali.CAUSTIC_SODA), (0.5, 2.0, 5.0, 20.0), (0.25, 0.5, 0.75, 0.95)
    ):
        fresh = alkali_liquor(alkali, strength)
        room = fresh.sodium + fresh.potassium - fresh.carbon
        liquors.append(fresh.with_carbon(fresh.carbon + share * room))
    count, largest, where = _largest(liquors, hmw_bicarbonate)
    record_property("reference", ("PHREEQC, HMW bicarbonate: carbonated to 95 %, pH", count, largest, 0.02))
    assert largest < 0.02, where


@pytest.mark.parametrize("temperature_c", TEMPERATURES_C)
def test_the_cliff_of_a_spent_lime_vat(temperature_c: float, pitzer_dat: Phreeqc, record_property: Record) -> None:
    # 1 g of lime per kg of water, 13.5 mmol: as CO2 is taken up, chalk falls and pH holds, then drops within 1 mmol.
    lime = 1.0 / 74.092
    carbon = [1e-3 * mmol for mmol in (0, 2, 5, 8, 10, 11, 12, 12.5, 13, 13.2, 13.4, 13.6, 14, 16, 20)]
    ours = [liquor_ph(Liquor(lime=lime, carbon=c), temperature_c) for c in carbon]
    theirs = [pitzer_dat.ph(Liquor(lime=lime, carbon=c), temperature_c) for c in carbon]
    assert ours == sorted(ours, reverse=True)
    held = ours[0] - ours[4]
    assert held < 0.6, "the first 10 of 13.5 mmol of CO2 cost little"
    assert ours[6] - ours[11] > 1.5, "then 1.6 mmol take it over the edge"
    largest = max(abs(a - b) for a, b in zip(ours, theirs, strict=True))
    record_property("reference", (f"PHREEQC: spent lime at {temperature_c:g} °C, pH", len(ours), largest, 0.1))
    assert largest < 0.1


def test_lime_becomes_chalk_and_nothing_is_lost() -> None:
    lime = 1.0 / 74.092
    for carbon in (0.002, 0.010, 0.013):
        settled, _ = settle(Liquor(lime=lime, carbon=carbon), 25.0)
        dissolved_carbon = settled.carbonate + settled.bicarbonate + settled.carbon_dioxide
        assert settled.calcite + dissolved_carbon == pytest.approx(carbon, rel=1e-6)
        assert settled.calcite + settled.calcium + settled.solid_lime == pytest.approx(lime, rel=1e-6)
        assert settled.calcite > 0.98 * carbon


def test_lime_dissolves_less_when_warm() -> None:
    solubilities = [lime_solubility_g_l(t) for t in (0.0, 20.0, 40.0, 60.0)]
    assert solubilities == sorted(solubilities, reverse=True)
    # Handbook: 1.6 to 1.7 g/L at 20 °C (from memory); the docstring promises 0.2 g/L.
    assert solubilities[1] == pytest.approx(1.65, abs=0.2)
