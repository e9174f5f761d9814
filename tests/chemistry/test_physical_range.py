"""Nothing leaves the physical range for any input in range; anything out of range raises RangeError, never a number."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vatwatch.chemistry.alkali import (
    MOLAR_MASS_G_MOL,
    Alkali,
    alkali_liquor,
    alkali_ph,
    lime_solubility_g_l,
    ph_at_temperature,
    ph_equivalent_25c,
)
from vatwatch.chemistry.aqueous_constants import (
    aqueous_constants,
    debye_huckel_slope,
    pk1_carbonic,
    pk2_carbonic,
    pk_calcite,
    pk_lime,
    pkw,
    water_density_kg_l,
)
from vatwatch.chemistry.buffers import Buffer, buffer_ph, buffer_range_c
from vatwatch.chemistry.calibration import OrpCalibration, PhCalibration, ideal_mv_from_ph, ph_from_mv
from vatwatch.chemistry.check_solutions import (
    CheckSolution,
    check_orp,
    light_eh_mv,
    quinhydrone_eh_mv,
    zobell_eh_mv,
    zobell_eh_nordstrom_mv,
)
from vatwatch.chemistry.dose import (
    carbon_from_ph,
    co2_taken_up_mmol_l,
    grams_to_raise_ph,
    grams_to_reach_ph,
    mol_to_reach_ph,
    with_alkali,
)
from vatwatch.chemistry.electrodes import (
    ReferenceElectrode,
    eh_mv_from_orp,
    orp_mv_from_eh,
    reference_potential_mv,
    reference_potential_sigma_mv,
)
from vatwatch.chemistry.indigo import (
    eh_mv_at_share,
    half_reduced_mv,
    half_reduced_slope_mv_per_ph,
    leuco_fractions,
    reduced_share,
)
from vatwatch.chemistry.liquor import Liquor, liquor_ph, settle
from vatwatch.chemistry.nernst import nernst_slope_mv, thermal_mv
from vatwatch.chemistry.oxygen import oxygen_saturation_mg_l
from vatwatch.chemistry.reductant import (
    Reductant,
    caustic_g_for_indigo,
    caustic_g_for_oxygen,
    indigo_g_oxidised_by,
    oxygen_g_in_air_saturated_water,
    reductant_g_for_indigo,
    reductant_g_for_oxygen,
)
from vatwatch.chemistry.sodium_error import sodium_error_ph
from vatwatch.chemistry.thermometers import is_digital_fault, pt100_ohm, temperature_c_from_pt100
from vatwatch.errors import RangeError

ALKALIS = st.sampled_from(list(Alkali))
ELECTRODES = st.sampled_from(list(ReferenceElectrode))
VAT_C = st.floats(0.0, 60.0)
ANY_FINITE = st.floats(allow_nan=False, allow_infinity=False)


@given(ELECTRODES, VAT_C, st.floats(-2000.0, 2000.0))
def test_reference_electrodes(electrode: ReferenceElectrode, t: float, orp_mv: float) -> None:
    potential = reference_potential_mv(electrode, t)
    assert potential == 0.0 if electrode is ReferenceElectrode.SHE else 150.0 < potential < 275.0
    assert 0.0 <= reference_potential_sigma_mv(electrode, t) <= 5.0
    back = orp_mv_from_eh(eh_mv_from_orp(orp_mv, electrode, t), electrode, t)
    assert back == pytest.approx(orp_mv, abs=1e-9)


@given(st.floats(0.0, 100.0), st.integers(1, 8))
def test_nernst(t: float, electrons: int) -> None:
    assert 0.0 < thermal_mv(t, electrons) < nernst_slope_mv(t, electrons) < 75.0


@given(ANY_FINITE, ANY_FINITE, st.floats(0.0, 100.0))
def test_reduced_share_is_a_share_at_any_potential(eh_mv: float, middle_mv: float, t: float) -> None:
    if not math.isfinite(eh_mv - middle_mv):
        eh_mv, middle_mv = eh_mv / 4.0, middle_mv / 4.0
    assert 0.0 <= reduced_share(eh_mv, middle_mv, t) <= 1.0


@given(st.floats(1e-9, 1.0 - 1e-9), st.floats(-1000.0, 500.0), st.floats(0.0, 100.0))
def test_share_and_potential_are_inverse(share: float, middle_mv: float, t: float) -> None:
    assert reduced_share(eh_mv_at_share(share, middle_mv, t), middle_mv, t) == pytest.approx(share, abs=1e-9)


@given(st.floats(4.0, 14.0), st.floats(0.0, 100.0))
def test_leuco_indigo(ph: float, t: float) -> None:
    acid, mono, di = leuco_fractions(ph)
    assert min(acid, mono, di) >= 0.0
    assert acid + mono + di == pytest.approx(1.0, abs=1e-12)
    assert -600.0 < half_reduced_mv(ph, t) < 100.0
    assert -nernst_slope_mv(t) - 1e-9 <= half_reduced_slope_mv_per_ph(ph, t) <= 0.0


@given(st.floats(4.001, 13.999), st.floats(0.0, 100.0))
def test_slope_is_the_derivative(ph: float, t: float) -> None:
    numeric = (half_reduced_mv(ph + 1e-4, t) - half_reduced_mv(ph - 1e-4, t)) / 2e-4
    assert half_reduced_slope_mv_per_ph(ph, t) == pytest.approx(numeric, abs=1e-3)


@given(VAT_C)
def test_constants(t: float) -> None:
    assert 13.0 < pkw(t) < 15.0
    assert 6.2 < pk1_carbonic(t) < 6.6
    assert 10.1 < pk2_carbonic(t) < 10.7
    assert 8.3 < pk_calcite(t) < 8.8
    assert 5.1 < pk_lime(t) < 5.4
    assert 0.98 < water_density_kg_l(t) <= 1.0
    assert 0.37 < debye_huckel_slope(t) < 0.42
    assert 1.2 < lime_solubility_g_l(t) < 1.7
    assert aqueous_constants(t).kw > 0.0


@given(st.sampled_from(list(Buffer)), st.floats(0.0, 1.0))
def test_buffers(buffer: Buffer, share: float) -> None:
    low, high = buffer_range_c(buffer)
    ph = buffer_ph(buffer, low + share * (high - low))
    assert 3.9 < ph < 13.5


@given(
    st.floats(0.0, 3.0) | st.just(0.0),
    st.floats(0.0, 3.0) | st.just(0.0),
    st.floats(0.0, 6.0) | st.just(0.0),
    st.floats(0.0, 6.0) | st.just(0.0),
    VAT_C,
)
@settings(max_examples=300, deadline=None)
def test_liquors_settle_within_physics(sodium: float, potassium: float, lime: float, carbon: float, t: float) -> None:
    settled, _ = settle(Liquor(sodium, potassium, lime, carbon), t)
    assert 2.5 < settled.ph < 16.5
    amounts = (
        settled.hydroxide,
        settled.carbonate,
        settled.bicarbonate,
        settled.carbon_dioxide,
        settled.calcium,
        settled.calcite,
        settled.solid_lime,
    )
    assert min(amounts) >= 0.0
    dissolved = settled.carbonate + settled.bicarbonate + settled.carbon_dioxide
    assert dissolved <= carbon * (1.0 + 1e-6) + 1e-12
    assert settled.calcium <= lime * (1.0 + 1e-6)


@given(ALKALIS, st.floats(0.0, 79.0), VAT_C, st.floats(0.0, 900.0))
@settings(max_examples=200, deadline=None)
def test_more_co2_never_raises_ph(alkali: Alkali, strength: float, t: float, co2: float) -> None:
    assert alkali_ph(alkali, strength, t, co2 + 20.0) <= alkali_ph(alkali, strength, t, co2) + 1e-6


@given(ALKALIS, st.floats(7.2, 12.9), VAT_C)
@settings(max_examples=500, deadline=None)
def test_ph_carried_to_25_c_and_back(alkali: Alkali, ph: float, t: float) -> None:
    there = ph_equivalent_25c(ph, t, alkali)
    assert 6.5 < there < 14.6
    assert (there - ph) * (t - 25.0) >= -0.02 or ph < 8.5, "warmth lowers the pH of an alkaline liquor"
    if 7.0 <= there <= 14.0 and alkali is not Alkali.LIME:
        assert ph_at_temperature(there, t, alkali) == pytest.approx(ph, abs=1e-6)


@given(st.floats(7.2, 12.3), VAT_C)
@settings(max_examples=300, deadline=None)
def test_clear_lime_carried_to_25_c_and_back(ph_25c: float, t: float) -> None:
    # Where undissolved lime holds the pH, many liquors show the same one and there is no way back.
    if ph_at_temperature(ph_25c, t, Alkali.LIME) < alkali_ph(Alkali.LIME, 3.0, t) - 1e-3:
        there = ph_at_temperature(ph_25c, t, Alkali.LIME)
        assert ph_equivalent_25c(there, t, Alkali.LIME) == pytest.approx(ph_25c, abs=1e-6)


@given(ALKALIS, st.floats(7.2, 12.8), st.floats(7.2, 12.8), VAT_C)
@settings(max_examples=300, deadline=None)
def test_equivalents_keep_their_order(alkali: Alkali, one: float, other: float, t: float) -> None:
    low, high = sorted((one, other))
    assert ph_equivalent_25c(low, t, alkali) <= ph_equivalent_25c(high, t, alkali) + 1e-9


@given(st.floats(-200.0, 850.0))
def test_pt100(t: float) -> None:
    assert temperature_c_from_pt100(min(max(pt100_ohm(t), 18.52), 390.49)) == pytest.approx(t, abs=1e-3)


@given(st.floats(0.0, 40.0))
def test_oxygen(t: float) -> None:
    assert 6.0 < oxygen_saturation_mg_l(t) < 15.0
    assert 4.0 < oxygen_saturation_mg_l(t + 20.0, extended=True) < oxygen_saturation_mg_l(t, extended=True)


@given(st.floats(-400.0, 400.0), st.floats(0.0, 100.0), st.floats(-30.0, 30.0), st.floats(0.85, 1.05))
def test_ph_from_mv(mv: float, t: float, offset_mv: float, slope: float) -> None:
    calibration = PhCalibration(offset_mv, slope, 1.0, 0.01)
    ph = ph_from_mv(mv, t, calibration)
    assert -4.0 < ph < 18.0
    assert calibration.sigma(ph, t) > 0.0


@given(st.floats(7.0, 13.5), st.floats(0.0, 1.0))
def test_sodium_error(ph: float, sodium: float) -> None:
    assert 0.0 <= sodium_error_ph(ph, sodium) < 0.3


@given(ALKALIS, st.floats(0.1, 5.0), st.floats(0.1, 1.0), VAT_C, st.floats(0.5, 500.0))
@settings(max_examples=150, deadline=None)
def test_doses(alkali: Alkali, strength: float, rise: float, t: float, volume_l: float) -> None:
    liquor = alkali_liquor(alkali, strength, 5.0)
    target = min(max(liquor_ph(liquor, t) + rise, 7.0), 14.0)
    most = with_alkali(liquor, alkali, 1.0)
    if alkali is Alkali.CAUSTIC_SODA or liquor_ph(most, t) > target + 0.1:
        grams = grams_to_reach_ph(liquor, alkali, target, volume_l, t)
        assert 0.0 <= grams <= volume_l * MOLAR_MASS_G_MOL[alkali]
    elif liquor_ph(most, t) < target - 0.1:
        with pytest.raises(RangeError, match="does not bring this liquor to"):
            grams_to_reach_ph(liquor, alkali, target, volume_l, t)


@given(st.floats(0.0, 1e6), st.sampled_from(list(Reductant)))
def test_budgets_are_in_proportion(grams: float, reductant: Reductant) -> None:
    assert reductant_g_for_oxygen(grams, reductant) == pytest.approx(grams * reductant_g_for_oxygen(1.0, reductant))
    # What turns leuco back to blue and what makes it leuco again must balance.
    blue = indigo_g_oxidised_by(grams)
    assert reductant_g_for_indigo(min(blue, 1e6), reductant) == pytest.approx(
        min(blue, 1e6) / 16.3929 * reductant_g_for_oxygen(1.0, reductant) * _indigo_share(reductant), rel=1e-4
    )


def _indigo_share(reductant: Reductant) -> float:
    """Dithionite gives four electrons to oxygen (sulphate forms) and two to indigo; metals give the same to both."""
    return 2.0 if reductant is Reductant.DITHIONITE else 1.0


BAD = (math.nan, math.inf, -math.inf)
NUMBERS: list[tuple[str, Callable[[float], object], tuple[float, ...]]] = [
    ("reference electrode", lambda x: reference_potential_mv(ReferenceElectrode.SCE, x), (-0.1, 60.1)),
    ("its sigma", lambda x: reference_potential_sigma_mv(ReferenceElectrode.SHE, x), (-0.1, 60.1)),
    ("ORP", lambda x: eh_mv_from_orp(x, ReferenceElectrode.SCE, 25.0), ()),
    ("Eh", lambda x: orp_mv_from_eh(x, ReferenceElectrode.SCE, 25.0), ()),
    ("Nernst", nernst_slope_mv, (-0.1, 100.1)),
    ("half reduced, pH", lambda x: half_reduced_mv(x, 25.0), (3.9, 14.1)),
    ("half reduced, t", lambda x: half_reduced_mv(10.0, x), (-0.1, 100.1)),
    ("half reduced, E7", lambda x: half_reduced_mv(10.0, 25.0, e7_mv=x), ()),
    ("half reduced, pKa1", lambda x: half_reduced_mv(10.0, 25.0, pka1=x), (3.9, 14.1)),
    ("half reduced, pKa2", lambda x: half_reduced_mv(10.0, 25.0, pka2=x), (7.0, 16.1)),
    ("share, Eh", lambda x: reduced_share(x, -300.0, 25.0), ()),
    ("share, middle", lambda x: reduced_share(-300.0, x, 25.0), ()),
    ("Eh at share", lambda x: eh_mv_at_share(x, -300.0, 25.0), (0.0, 1.0, -0.1)),
    ("leuco", leuco_fractions, (3.9, 14.1)),
    ("pKw", pkw, (-0.1, 60.1)),
    ("constants", aqueous_constants, (-0.1, 60.1)),
    ("buffer", lambda x: buffer_ph(Buffer.CARBONATE, x), (-0.1, 50.1)),
    ("oxygen", oxygen_saturation_mg_l, (-0.1, 40.1)),
    ("oxygen, warm", lambda x: oxygen_saturation_mg_l(x, extended=True), (-0.1, 60.1)),
    ("Pt100", pt100_ohm, (-200.1, 850.1)),
    ("Pt100 back", temperature_c_from_pt100, (0.0, 18.5, 390.6)),
    ("digital fault", is_digital_fault, ()),
    ("ZoBell", zobell_eh_mv, (4.9, 30.1)),
    ("ZoBell, Nordstrom", zobell_eh_nordstrom_mv, (7.9, 85.1)),
    ("Light", light_eh_mv, (19.9, 30.1)),
    ("quinhydrone", lambda x: quinhydrone_eh_mv(x, 25.0), (0.9, 8.1)),
    ("check reading", lambda x: check_orp(x, CheckSolution.ZOBELL, ReferenceElectrode.SCE, 25.0), ()),
    ("pH mV", lambda x: ph_from_mv(x, 25.0, PhCalibration()), (-1001.0, 1001.0)),
    ("pH reading", lambda x: ideal_mv_from_ph(x, 25.0), (-2.1, 16.1)),
    ("offset", lambda x: PhCalibration(offset_mv=x), (-301.0, 301.0)),
    ("slope", lambda x: PhCalibration(slope_share=x), (0.49, 1.21)),
    ("ORP offset", lambda x: OrpCalibration(offset_mv=x), (-301.0, 301.0)),
    ("ORP corrected", lambda x: OrpCalibration().apply(x), ()),
    ("strength", lambda x: alkali_liquor(Alkali.LIME, x), (-0.1, 80.1)),
    ("CO2", lambda x: alkali_liquor(Alkali.LIME, 1.0, x), (-0.1, 1001.0)),
    ("sodium", lambda x: Liquor(sodium=x), (-0.1, 6.1)),
    ("liquor pH", lambda x: liquor_ph(Liquor(sodium=0.1), x), (-0.1, 60.1)),
    ("equivalent, pH", lambda x: ph_equivalent_25c(x, 40.0, Alkali.LIME), (6.9, 14.1)),
    ("equivalent, t", lambda x: ph_equivalent_25c(10.0, x, Alkali.LIME), (-0.1, 60.1)),
    ("equivalent, strength", lambda x: ph_equivalent_25c(10.0, 40.0, Alkali.LIME, x), (0.0, 81.0)),
    ("at temperature, pH", lambda x: ph_at_temperature(x, 40.0, Alkali.LIME), (6.9, 14.1)),
    ("at temperature, t", lambda x: ph_at_temperature(10.0, x, Alkali.LIME), (-0.1, 60.1)),
    ("dose, target", lambda x: mol_to_reach_ph(Liquor(), Alkali.LIME, x, 25.0), (6.9, 14.1)),
    ("dose, volume", lambda x: grams_to_reach_ph(Liquor(), Alkali.LIME, 9.0, x, 25.0), (0.0, 100_001.0)),
    ("dose, added", lambda x: with_alkali(Liquor(), Alkali.LIME, x), (-0.1, 1.1)),
    ("dose, pH now", lambda x: carbon_from_ph(Liquor(sodium=0.1), x, 25.0), (6.9, 14.1)),
    ("CO2 found", lambda x: co2_taken_up_mmol_l(Alkali.LIME, 1.0, x, 25.0), (6.9, 14.1)),
    ("dose from pH", lambda x: grams_to_raise_ph(Alkali.LIME, 1.0, x, 12.0, 10.0, 25.0), (6.9, 14.1)),
    ("sodium error, pH", lambda x: sodium_error_ph(x, 0.1), (6.9, 13.6)),
    ("sodium error, Na", lambda x: sodium_error_ph(12.0, x), (-0.1, 1.1)),
    ("oxygen cost", lambda x: reductant_g_for_oxygen(x, Reductant.ZINC), (-0.1, 2e6)),
    ("indigo cost", lambda x: reductant_g_for_indigo(x, Reductant.IRON_SULPHATE), (-0.1, 2e6)),
    ("caustic for oxygen", caustic_g_for_oxygen, (-0.1, 2e6)),
    ("caustic for indigo", caustic_g_for_indigo, (-0.1, 2e6)),
    ("oxidised", indigo_g_oxidised_by, (-0.1, 2e6)),
    ("oxygen in water", lambda x: oxygen_g_in_air_saturated_water(x, 25.0), (-0.1, 2e5)),
]


@pytest.mark.parametrize(("name", "function", "outside"), NUMBERS, ids=[n[0] for n in NUMBERS])
def test_out_of_range_is_refused_in_words(
    name: str, function: Callable[[float], object], outside: tuple[float, ...]
) -> None:
    for value in (*BAD, *outside):
        with pytest.raises(RangeError) as refusal:
            function(value)
        assert len(str(refusal.value)) > 30


@pytest.mark.parametrize("electrons", [0, -1])
def test_electrons_are_at_least_one(electrons: int) -> None:
    with pytest.raises(RangeError, match="whole number of at least 1"):
        nernst_slope_mv(25.0, electrons)
