"""What warmth does to a liquor's pH: the tables used on every scan against the full equilibrium they stand for."""

from __future__ import annotations

import random

import pytest

from vatwatch.chemistry.alkali import (
    Alkali,
    alkali_liquor,
    alkali_ph,
    ph_at_temperature,
    ph_equivalent_25c,
    warm_up,
)
from vatwatch.chemistry.liquor import Liquor, liquor_ph
from vatwatch.errors import RangeError

STRENGTHS_G_L = {
    Alkali.LIME: (0.1, 1.35),
    Alkali.SODA_ASH: (0.5, 40.0),
    Alkali.CAUSTIC_SODA: (0.1, 15.0),
    Alkali.POTASH: (0.5, 40.0),
}


@pytest.mark.parametrize("alkali", list(Alkali))
def test_pure_alkali_is_carried_as_the_full_equilibrium_says(alkali: Alkali) -> None:
    chance = random.Random(25)
    for _ in range(150):
        low, high = STRENGTHS_G_L[alkali]
        strength = low * (high / low) ** chance.random()
        t = chance.uniform(10.0, 60.0)
        warm, cool = alkali_ph(alkali, strength, t), alkali_ph(alkali, strength, 25.0)
        assert ph_equivalent_25c(warm, t, alkali) == pytest.approx(cool, abs=0.01)
        assert ph_at_temperature(cool, t, alkali) == pytest.approx(warm, abs=0.01)


@pytest.mark.parametrize("alkali", [Alkali.SODA_ASH, Alkali.CAUSTIC_SODA, Alkali.POTASH])
@pytest.mark.parametrize("strength", [1.0, 5.0, 15.0])
def test_carbonated_alkali_of_known_strength(alkali: Alkali, strength: float) -> None:
    fresh = alkali_liquor(alkali, strength)
    room = fresh.sodium + fresh.potassium - fresh.carbon
    for share in (0.1, 0.4, 0.7, 0.9, 0.99):
        liquor = fresh.with_carbon(fresh.carbon + share * room)
        for t in (8.0, 18.0, 47.0, 60.0):
            cool = liquor_ph(liquor, 25.0)
            assert ph_equivalent_25c(liquor_ph(liquor, t), t, alkali, strength) == pytest.approx(cool, abs=0.01)


def test_at_25_c_a_ph_is_its_own_equivalent() -> None:
    for alkali in Alkali:
        for ph in (7.5, 9.0, 10.5, 11.7, 12.6, 13.4):
            assert ph_equivalent_25c(ph, 25.0, alkali) == pytest.approx(ph, abs=1e-9)
            assert ph_at_temperature(ph, 25.0, alkali) == pytest.approx(ph, abs=1e-9)


@pytest.mark.parametrize(
    ("alkali", "ph", "temperature_c", "ph_25c", "tolerance"),
    [
        # PHREEQC (pitzer.dat), worked out beforehand: NaOH 0.1 and 1 g/kg, Na2CO3 1, 5 and 20 g/kg.
        (Alkali.CAUSTIC_SODA, 10.64, 50.0, 11.37, 0.02),
        (Alkali.CAUSTIC_SODA, 12.68, 15.0, 12.33, 0.02),
        (Alkali.SODA_ASH, 10.50, 50.0, 10.97, 0.03),
        (Alkali.SODA_ASH, 10.62, 60.0, 11.23, 0.03),
        (Alkali.SODA_ASH, 11.65, 15.0, 11.43, 0.03),
        # NIST: saturated lime.
        (Alkali.LIME, 11.705, 50.0, 12.454, 0.03),
        (Alkali.LIME, 12.810, 15.0, 12.454, 0.03),
    ],
)
def test_against_figures_from_elsewhere(
    alkali: Alkali, ph: float, temperature_c: float, ph_25c: float, tolerance: float
) -> None:
    # Saturated lime at 50 °C sits at the foot of a step: half a hundredth more is what lime at the bottom shows.
    shown = ph + 0.005 if alkali is Alkali.LIME and temperature_c > 25.0 else ph
    assert ph_equivalent_25c(shown, temperature_c, alkali) == pytest.approx(ph_25c, abs=tolerance)


def test_a_vat_of_fixed_alkali_falls_when_warmed_with_nothing_wrong() -> None:
    falls = {alkali: ph_at_temperature(11.2, 25.0, alkali) - ph_at_temperature(11.2, 50.0, alkali) for alkali in Alkali}
    assert all(0.4 < fall < 0.78 for fall in falls.values()), falls
    assert falls[Alkali.SODA_ASH] < falls[Alkali.CAUSTIC_SODA]


def test_strength_matters_little_where_carbonate_buffers() -> None:
    thin = ph_equivalent_25c(9.9, 48.0, Alkali.SODA_ASH, 1.0)
    thick = ph_equivalent_25c(9.9, 48.0, Alkali.SODA_ASH, 20.0)
    assert thin == pytest.approx(thick, abs=0.08)


def test_a_ph_no_such_liquor_can_show_is_refused_in_words() -> None:
    with pytest.raises(RangeError, match="Check the probe and the alkali set for this vat"):
        ph_equivalent_25c(13.9, 58.0, Alkali.LIME)


def test_warm_up_is_for_every_alkali() -> None:
    for alkali in Alkali:
        warm_up(alkali)


def test_water_alone_is_neutral() -> None:
    assert liquor_ph(Liquor(), 25.0) == pytest.approx(6.997, abs=0.002)
    assert liquor_ph(Liquor(), 60.0) == pytest.approx(6.510, abs=0.003)
