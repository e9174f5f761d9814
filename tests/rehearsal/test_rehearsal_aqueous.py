"""The rehearsal's own water chemistry against published values."""

from __future__ import annotations

import math

import pytest

from vatwatch.rehearsal import aqueous
from vatwatch.rehearsal.couple import LEUCO_KA, half_potential_mv, spread_mv


def ph_of(
    temperature_c: float, *, alkali: float = 0.0, carbonate: float = 0.0, lime: float = 0.0, chalk: bool = False
) -> float:
    """pH of a pure solution: `alkali` eq/L of strong base, `carbonate` mol/L, `lime` mol/L of Ca(OH)2 given."""
    k = aqueous.constants_at(temperature_c)
    g = aqueous.activity_of(0.05, k.debye_a)
    ph, calcium, solid, dissolved_carbonate, base = 11.0, 0.0, lime, carbonate, alkali
    for _ in range(200):
        oh = k.kw * 10.0**ph / g.one
        moved = min(max(aqueous.lime_dissolving(calcium, oh, k, g), -calcium), solid)
        solid, calcium, base = solid - moved, calcium + moved, base + 2.0 * moved
        c = aqueous.carbonate_of(ph, dissolved_carbonate, k, g)
        if chalk:
            formed = aqueous.calcite_forming(calcium, dissolved_carbonate, c.co3, k, g)
            formed = max(min(0.3 * formed, calcium, dissolved_carbonate), 0.0)
            calcium, dissolved_carbonate, base = calcium - formed, dissolved_carbonate - formed, base - 2.0 * formed
        others = max(base - 2.0 * calcium, 0.0)
        g = aqueous.activity_of(0.5 * (others + 4.0 * calcium + oh + c.hco3 + 4.0 * c.co3), k.debye_a)
        ph = aqueous.solve_ph(base, dissolved_carbonate, 0.0, 0.0, 1e-10, LEUCO_KA, k, g, ph)
    return ph


# L. Benson & D. Krause (1984), Limnol. Oceanogr. 29, 620; table in APHA Standard Methods 4500-O
@pytest.mark.parametrize(
    ("temperature_c", "mg_l"), [(0, 14.621), (10, 11.288), (20, 9.092), (25, 8.263), (30, 7.559), (40, 6.413)]
)
def test_oxygen_saturation_is_benson_and_krause(temperature_c: float, mg_l: float) -> None:
    assert aqueous.oxygen_saturation_mg_l(temperature_c) == pytest.approx(mg_l, abs=0.004)


# ionisation of water: IAPWS release (2007/2019), at saturation pressure
@pytest.mark.parametrize(
    ("temperature_c", "pkw"), [(0, 14.947), (20, 14.165), (25, 13.994), (40, 13.534), (50, 13.265), (60, 13.021)]
)
def test_ionisation_of_water(temperature_c: float, pkw: float) -> None:
    assert -math.log10(aqueous.constants_at(temperature_c).kw) == pytest.approx(pkw, abs=0.02)


def test_carbonate_constants_at_25c() -> None:
    """Plummer & Busenberg (1982): log K1 −6.352, log K2 −10.329, log KH −1.468, log Kcalcite −8.480."""
    k = aqueous.constants_at(25.0)
    logs = [math.log10(x) for x in (k.k1, k.k2, k.henry_co2, k.calcite)]
    assert logs == pytest.approx([-6.352, -10.329, -1.468, -8.480], abs=0.002)


# calcium hydroxide buffer, saturated at 25 °C: NIST/IUPAC secondary buffer table
@pytest.mark.parametrize(
    ("temperature_c", "ph"),
    [(10, 13.003), (20, 12.627), (25, 12.454), (30, 12.289), (40, 11.984), (50, 11.705), (60, 11.449)],
)
def test_saturated_lime(temperature_c: float, ph: float) -> None:
    assert ph_of(temperature_c, lime=0.1) == pytest.approx(ph, abs=0.03)


# PHREEQC 3 (USGS) with pitzer.dat; grams per kg at 25 °C unless said otherwise
@pytest.mark.parametrize(
    ("grams", "temperature_c", "ph"),
    [(0.1, 25, 11.37), (1.0, 25, 12.33), (5.0, 25, 12.98), (1.0, 40, 11.86), (1.0, 60, 11.34)],
)
def test_caustic_soda(grams: float, temperature_c: float, ph: float) -> None:
    assert ph_of(temperature_c, alkali=grams / 40.0) == pytest.approx(ph, abs=0.05)


@pytest.mark.parametrize(
    ("grams", "temperature_c", "ph"),
    [(1.0, 25, 10.97), (5.0, 25, 11.23), (20.0, 25, 11.43), (5.0, 40, 10.94), (5.0, 60, 10.62)],
)
def test_soda_ash(grams: float, temperature_c: float, ph: float) -> None:
    mol = grams / 105.99
    assert ph_of(temperature_c, alkali=2.0 * mol, carbonate=mol) == pytest.approx(ph, abs=0.15)


@pytest.mark.parametrize(("co2", "ph"), [(1e-3, 11.04), (5e-3, 10.53), (10e-3, 10.18), (20e-3, 9.73)])
def test_soda_takes_up_carbon_dioxide(co2: float, ph: float) -> None:
    mol = 5.0 / 105.99
    assert ph_of(25.0, alkali=2.0 * mol, carbonate=mol + co2) == pytest.approx(ph, abs=0.15)


@pytest.mark.parametrize(("grams", "ph"), [(0.1, 11.39), (0.2, 11.68), (0.5, 12.04), (1.0, 12.31)])
def test_lime_below_saturation(grams: float, ph: float) -> None:
    assert ph_of(25.0, lime=grams / 74.09) == pytest.approx(ph, abs=0.05)


@pytest.mark.parametrize(("co2", "ph"), [(5e-3, 12.13), (10e-3, 11.78), (12e-3, 11.43)])
def test_lime_holds_while_chalk_forms(co2: float, ph: float) -> None:
    assert ph_of(25.0, lime=1.0 / 74.09, carbonate=co2, chalk=True) == pytest.approx(ph, abs=0.15)


def test_lime_falls_off_its_cliff() -> None:
    """PHREEQC: 1 g/kg of lime stands at 11.43 after 12 mmol/kg of CO2, and at 9.35 after 13.6."""
    before = ph_of(25.0, lime=1.0 / 74.09, carbonate=12.0e-3, chalk=True)
    after = ph_of(25.0, lime=1.0 / 74.09, carbonate=13.9e-3, chalk=True)
    assert before > 11.2
    assert after < 10.0


def test_half_reduced_potential() -> None:
    """The prior as worked out by hand from E7 −195 mV and pKa 7.97, 12.68 (from memory): mV vs SHE at 25 °C."""
    worked = {9.0: -283, 10.0: -314, 10.5: -328, 11.0: -343, 11.5: -357, 12.0: -371, 13.0: -388}
    for ph, mv in worked.items():
        assert half_potential_mv(ph, 25.0) == pytest.approx(mv, abs=1.0)
    assert spread_mv(25.0) == pytest.approx(12.846, abs=0.002)


def test_indigo_falls_60_mv_per_ph_below_the_first_pka() -> None:
    """Bond, Marken et al. (1997), J. Chem. Soc. Perkin Trans. 2, 1735: 60 mV per pH at low pH."""
    assert half_potential_mv(4.0, 25.0) - half_potential_mv(5.0, 25.0) == pytest.approx(59.2, abs=0.5)
