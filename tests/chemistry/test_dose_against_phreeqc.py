"""Grams of alkali to reach a pH, against PHREEQC's own answer found by root search on live runs."""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest
from scipy.optimize import brentq

from tests.chemistry.phreeqc_oracle import Phreeqc
from vatwatch.chemistry.alkali import MOLAR_MASS_G_MOL, WATER_KG_PER_L, Alkali, alkali_liquor, alkali_ph
from vatwatch.chemistry.dose import (
    carbon_from_ph,
    co2_taken_up_mmol_l,
    grams_to_raise_ph,
    grams_to_reach_ph,
    mol_to_reach_ph,
    with_alkali,
)
from vatwatch.chemistry.liquor import Liquor, liquor_ph
from vatwatch.errors import RangeError

Record = Callable[[str, object], None]

STRENGTHS_G_L = {
    Alkali.LIME: (0.1, 1.5),
    Alkali.SODA_ASH: (0.5, 20.0),
    Alkali.CAUSTIC_SODA: (0.1, 5.0),
    Alkali.POTASH: (0.5, 20.0),
}
WANTED_CASES = 200


def _phreeqc_mol(oracle: Phreeqc, liquor: Liquor, add: Alkali, ph_target: float, temperature_c: float) -> float | None:
    def short(mol: float) -> float:
        return oracle.ph(with_alkali(liquor, add, mol), temperature_c) - ph_target

    high = 1e-5
    while short(high) < 0.0:
        high *= 2.0
        if high > 0.9:
            return None
    return float(brentq(short, 0.0, high, rtol=1e-8, xtol=1e-10))


def _deviations(oracle: Phreeqc, seed: int, most_carbonated: float) -> list[tuple[float, str]]:
    """Relative deviation of our dose from PHREEQC's, on random vats that both say can reach the pH."""
    chance = random.Random(seed)
    found: list[tuple[float, str]] = []
    while len(found) < WANTED_CASES:
        in_vat, add = chance.choice(list(Alkali)), chance.choice(list(Alkali))
        low, high = STRENGTHS_G_L[in_vat]
        fresh = alkali_liquor(in_vat, low * (high / low) ** chance.random())
        room = fresh.sodium + fresh.potassium - fresh.carbon + fresh.lime
        liquor = fresh.with_carbon(fresh.carbon + most_carbonated * chance.random() * room)
        temperature_c = chance.uniform(15.0, 60.0)
        target = min(liquor_ph(liquor, temperature_c) + chance.uniform(0.3, 1.2), 13.9)
        volume_l = chance.uniform(1.0, 500.0)
        try:
            grams = grams_to_reach_ph(liquor, add, target, volume_l, temperature_c)
        except RangeError:
            continue
        theirs = _phreeqc_mol(oracle, liquor, add, target, temperature_c)
        if theirs is None:
            continue
        phreeqc_grams = theirs * MOLAR_MASS_G_MOL[add] * volume_l * WATER_KG_PER_L
        found.append(
            (abs(grams / phreeqc_grams - 1.0), f"{add} into {liquor} to {target:.2f} at {temperature_c:.1f} °C")
        )
    return found


def test_200_random_doses(hmw_bicarbonate: Phreeqc, record_property: Record) -> None:
    deviations = _deviations(hmw_bicarbonate, seed=1856, most_carbonated=0.95)
    largest = max(deviations)
    record_property("reference", ("PHREEQC, HMW bicarbonate: 200 doses, share", len(deviations), largest[0], 0.05))
    assert largest[0] < 0.05, largest[1]


def test_200_random_doses_with_pitzer_dat_untouched(pitzer_dat: Phreeqc, record_property: Record) -> None:
    """With pitzer.dat as it comes, doses into carbonated liquors differ by more than 5 %: it puts the NIST carbonate
    buffer 0.08 too low, this model does not. Held here: where little bicarbonate is in play they do agree."""
    deviations = _deviations(pitzer_dat, seed=1857, most_carbonated=0.95)
    within = sum(deviation < 0.05 for deviation, _ in deviations)
    largest = max(deviations)
    record_property("reference", (f"PHREEQC untouched: {within} of 200 doses within 5 %, share", 200, largest[0], 0.25))
    assert within >= 0.5 * len(deviations)
    assert largest[0] < 0.25, largest[1]


@pytest.mark.parametrize("add", [Alkali.CAUSTIC_SODA, Alkali.LIME])
def test_doses_of_hydroxide_into_fresh_liquors_with_pitzer_dat_untouched(
    add: Alkali, pitzer_dat: Phreeqc, record_property: Record
) -> None:
    largest, count = 0.0, 0
    for in_vat, strength, temperature_c in (
        (Alkali.CAUSTIC_SODA, 0.1, 15.0),
        (Alkali.CAUSTIC_SODA, 0.3, 40.0),
        (Alkali.LIME, 0.1, 25.0),
        (Alkali.LIME, 0.2, 60.0),
    ):
        liquor = alkali_liquor(in_vat, strength)
        target = liquor_ph(liquor, temperature_c) + 0.4
        theirs = _phreeqc_mol(pitzer_dat, liquor, add, target, temperature_c)
        assert theirs is not None
        largest = max(largest, abs(mol_to_reach_ph(liquor, add, target, temperature_c) / theirs - 1.0))
        count += 1
    record_property("reference", (f"PHREEQC untouched: {add} into fresh liquors, share", count, largest, 0.05))
    assert largest < 0.05


def test_a_dose_gives_the_ph_it_was_asked_for() -> None:
    chance = random.Random(9)
    for _ in range(100):
        in_vat = chance.choice(list(Alkali))
        strength = chance.uniform(*STRENGTHS_G_L[in_vat])
        fresh = alkali_liquor(in_vat, strength)
        temperature_c = chance.uniform(15.0, 60.0)
        ph_now = liquor_ph(fresh, temperature_c) - chance.uniform(0.05, 1.5)
        target = min(ph_now + chance.uniform(0.1, 0.8), 14.0)
        liquor = carbon_from_ph(fresh, ph_now, temperature_c)
        assert liquor_ph(liquor, temperature_c) == pytest.approx(ph_now, abs=2e-5)
        grams = grams_to_raise_ph(in_vat, strength, ph_now, target, 40.0, temperature_c, Alkali.CAUSTIC_SODA)
        mol = grams / (MOLAR_MASS_G_MOL[Alkali.CAUSTIC_SODA] * 40.0 * WATER_KG_PER_L)
        assert liquor_ph(with_alkali(liquor, Alkali.CAUSTIC_SODA, mol), temperature_c) == pytest.approx(
            target, abs=2e-5
        )


def test_nothing_to_add_when_the_ph_is_there() -> None:
    assert grams_to_reach_ph(alkali_liquor(Alkali.LIME, 1.0), Alkali.LIME, 11.0, 100.0, 25.0) == 0.0


def test_co2_taken_up_is_found_again() -> None:
    ph = alkali_ph(Alkali.SODA_ASH, 5.0, 40.0, co2_mmol_l=12.0)
    assert co2_taken_up_mmol_l(Alkali.SODA_ASH, 5.0, ph, 40.0) == pytest.approx(12.0, rel=1e-3)


def test_a_fresh_liquor_has_taken_up_nothing() -> None:
    fresh = alkali_liquor(Alkali.POTASH, 3.0)
    assert carbon_from_ph(fresh, liquor_ph(fresh, 30.0) + 0.002, 30.0) == fresh


def test_what_cannot_be_is_said_in_words() -> None:
    with pytest.raises(RangeError, match=r"lime alone does not bring this liquor to pH 13\.20 at 25 °C"):
        grams_to_reach_ph(alkali_liquor(Alkali.LIME, 0.5), Alkali.LIME, 13.2, 10.0, 25.0)
    with pytest.raises(RangeError, match="more than the alkali given can show"):
        co2_taken_up_mmol_l(Alkali.SODA_ASH, 1.0, 12.5, 25.0)
    with pytest.raises(RangeError, match="an acid is at work"):
        co2_taken_up_mmol_l(Alkali.SODA_ASH, 80.0, 7.0, 60.0)
    with pytest.raises(RangeError, match="volume is -3 L"):
        grams_to_reach_ph(alkali_liquor(Alkali.LIME, 0.5), Alkali.LIME, 12.2, -3.0, 25.0)


@pytest.mark.parametrize(
    ("target", "start", "temperature_c", "mmol"),
    [
        (10.5, 10.0, 25.0, 0.22),
        (11.0, 10.5, 25.0, 0.72),
        (11.5, 11.0, 25.0, 2.4),
        (10.5, 10.0, 50.0, 1.26),
        (11.0, 10.5, 50.0, 4.15),
        (11.5, 11.0, 50.0, 14.0),
    ],
)
def test_caustic_into_plain_water(target: float, start: float, temperature_c: float, mmol: float) -> None:
    """Figures worked out beforehand with PHREEQC (pitzer.dat)."""
    at_start = mol_to_reach_ph(Liquor(), Alkali.CAUSTIC_SODA, start, temperature_c)
    at_target = mol_to_reach_ph(Liquor(), Alkali.CAUSTIC_SODA, target, temperature_c)
    assert 1e3 * (at_target - at_start) == pytest.approx(mmol, rel=0.03)
