"""What is in a simulated vat's liquor and how it reacts: indigo, reductant, air, alkali, lime, bacteria.

Amounts are mol per litre of liquor; temperature is given from outside. Every exchange is booked on both sides, so that
indigo, oxygen and charge balance exactly. No clock, no randomness, no I/O, no warmth (see `liquor`).
"""

from __future__ import annotations

import math

from vatwatch.rehearsal import aqueous
from vatwatch.rehearsal.couple import LEUCO_KA, couple_potential_mv, half_potential_mv, mixed_potential_mv
from vatwatch.rehearsal.recipes import VatRecipe
from vatwatch.rehearsal.reductants import REDUCTANTS, Ferment, readiness
from vatwatch.rehearsal.substances import Substance

INDIGO_MOLAR_MASS = 262.27
LIME_MOLAR_MASS = 74.09
LEUCO_O2_RATE = 30.0  # L/(mol s): assumed; fast enough that oxygen does not survive in a reduced vat
LIME_DISSOLVE_S = (
    900.0  # lying as a sediment; stirred up it dissolves as much faster as the surface is renewed: assumed
)
CALCITE_S = 1200.0


class Mixture:
    """The liquor. `react(dt_s, ...)` moves it on; amounts may be read, and are changed by the methods only."""

    def __init__(self, recipe: VatRecipe) -> None:
        r = recipe
        self.recipe = recipe
        self.agent = recipe.reductant
        self.volume_l = r.volume_l
        self.temperature_c = r.start_temperature_c
        total = r.indigo_g_l / INDIGO_MOLAR_MASS
        self.leuco = total * min(max(r.start_share, 0.0), 1.0)
        self.indigo = total - self.leuco
        self.reductant = r.reductant_mol_l
        self.oxygen = 0.0
        self.carbonate = r.carbonate_mol_l
        self.lime_solid = r.lime_solid_g_l / LIME_MOLAR_MASS
        self.acid_anions = 0.0
        self.salt = r.salt_mol_l
        self.weak_acid = r.weak_acid_mol_l
        self.food = r.food_mol_l
        self.activity = r.activity
        self.oxygen_taken_up = 0.0
        self.oxygen_to_leuco = 0.0
        self.oxygen_to_reductant = 0.0
        self._weak_ka = 10.0**-r.weak_acid_pka
        self.ph = 12.3 if self.lime_solid > 0.0 else r.start_ph
        self.calcium = 0.0
        self.alkalinity = 0.01
        self._k = aqueous.constants_at(self.temperature_c)
        self._g = aqueous.activity_of(0.05, self._k.debye_a)
        self._start_alkali()
        self.eh_mv = self._potential()

    def _start_alkali(self) -> None:
        """Finds the alkali that gives the recipe's pH, or that of a liquor saturated with lime and at rest on more."""
        share = self.recipe.calcium_share
        reserve, self.lime_solid = self.lime_solid, 1.0
        for _ in range(60):
            if reserve > 0.0:
                self._lime(1.0)
                self._settle_ph()
            else:
                self.alkalinity, _ = self._charge(self.ph)
                self.calcium = max(self.alkalinity * share / 2.0, 0.0)
                self._g = aqueous.activity_of(self._ionic_strength(), self._k.debye_a)
        self.lime_solid = reserve

    def react(self, dt_s: float, lid_open: bool, stirred: float) -> None:
        """One step of at most a minute. `stirred` is how many times faster than at rest the surface is renewed."""
        self._k = aqueous.constants_at(self.temperature_c)
        if self.agent.ferment is not None:
            self._ferment(self.agent.ferment, dt_s)
        self._decay(dt_s)
        renewal = self.recipe.surface_renewal_m_s * (1.0 if lid_open else self.recipe.lid_leak_share)
        area_per_m = self.recipe.surface_m2 / (self.volume_l / 1000.0)
        self._breathe_oxygen(dt_s, renewal * stirred * area_per_m)
        self._catch_co2(dt_s, renewal, area_per_m)
        self._reduce(dt_s)
        if self.lime_solid > 0.0 or self.calcium > 0.0:
            self._lime(1.0 - math.exp(-dt_s * stirred / LIME_DISSOLVE_S))
            self._calcite(1.0 - math.exp(-dt_s / CALCITE_S))
        self._settle_ph()
        self.eh_mv = self._potential()

    def _charge(self, ph: float) -> tuple[float, float]:
        return aqueous.charge_and_slope(
            ph, self.carbonate, self.leuco, self.weak_acid, self._weak_ka, LEUCO_KA, self._k, self._g
        )

    def _ionic_strength(self) -> float:
        """mol/kg, from the species at the last pH. Every cation that is not calcium is taken as monovalent."""
        c = aqueous.carbonate_of(self.ph, self.carbonate, self._k, self._g)
        monovalent = max(self.alkalinity + self.acid_anions - 2.0 * self.calcium, 0.0)
        oh = self._hydroxide()
        ions = monovalent + 4.0 * self.calcium + self.acid_anions + oh + c.hco3 + 4.0 * c.co3 + self.leuco
        return 0.5 * ions + self.salt

    def _settle_ph(self) -> None:
        self._g = aqueous.activity_of(self._ionic_strength(), self._k.debye_a)
        self.ph = aqueous.solve_ph(
            self.alkalinity, self.carbonate, self.leuco, self.weak_acid, self._weak_ka, LEUCO_KA,
            self._k, self._g, self.ph,
        )  # fmt: skip

    def _hydroxide(self) -> float:
        return float(self._k.kw * 10.0**self.ph / self._g.one)

    def _lime(self, share: float) -> None:
        """Moves solid and dissolved lime the given share of the way to saturation."""
        wanted = aqueous.lime_dissolving(self.calcium, self._hydroxide(), self._k, self._g) * share
        moved = min(max(wanted, -self.calcium), self.lime_solid)
        self.lime_solid -= moved
        self.calcium += moved
        self.alkalinity += 2.0 * moved

    def _calcite(self, share: float) -> None:
        """Chalk forms from dissolved calcium and carbonate; it is taken as not dissolving again."""
        c = aqueous.carbonate_of(self.ph, self.carbonate, self._k, self._g)
        formed = aqueous.calcite_forming(self.calcium, self.carbonate, c.co3, self._k, self._g) * share
        if formed > 0.0:
            formed = min(formed, self.calcium, self.carbonate)
            self.calcium -= formed
            self.carbonate -= formed
            self.alkalinity -= 2.0 * formed

    def _acid(self, equivalents: float) -> None:
        self.alkalinity -= equivalents
        self.acid_anions += equivalents

    def _potential(self) -> float:
        r = self.recipe
        couple = couple_potential_mv(self.leuco_share, self.ph, self.temperature_c, r.e7_offset_mv)
        own = half_potential_mv(self.ph, self.temperature_c) + r.e7_offset_mv - self.agent.pull_mv
        return mixed_potential_mv(couple, own, self._strength(), self.leuco_share)

    def _strength(self) -> float:
        return self.reductant / (self.reductant + self.agent.half_saturation_mol_l)

    @property
    def total_indigo(self) -> float:
        """Indigo and leuco-indigo together, mol/L."""
        return self.indigo + self.leuco

    @property
    def leuco_share(self) -> float:
        """Share of the indigo that is reduced, 0–1 (1 for a vat without any)."""
        total = self.indigo + self.leuco
        return self.leuco / total if total > 0.0 else 1.0

    def _ferment(self, ferment: Ferment, dt_s: float) -> None:
        """Bacteria eat, hand on reducing power, sour the liquor and breathe out. Rates are assumptions."""
        well = readiness(ferment, self.temperature_c, self.ph)
        fed = self.food / (self.food + 0.002)
        eaten = min(self.food, self.activity * well * fed * 2.0e-8 * dt_s)
        self.food -= eaten
        room_left = max(0.0, 1.0 - self.reductant / 0.004)
        self.reductant += 2.0 * eaten * room_left
        self._acid(0.6 * eaten)
        self.carbonate += 0.3 * eaten
        hot = max(0.0, self.temperature_c - ferment.t_max_c)
        growth = 3.0e-5 * well * fed * (1.0 - self.activity) - 2.0e-6 - 2.0e-4 * hot
        self.activity = min(max(self.activity * math.exp(growth * dt_s), 1e-4), 1.0)

    def _agent_awake(self) -> float:
        return self.agent.readiness_in_alkali(self.ph) if self.agent.only_in_alkali else 1.0

    def _decay(self, dt_s: float) -> None:
        a = self.agent
        rate = a.decay_per_s * a.decay_q10 ** ((self.temperature_c - 25.0) / 10.0) * self._agent_awake()
        lost = self.reductant * (1.0 - math.exp(-rate * dt_s))
        self.reductant -= lost
        self._acid(a.decay_acid_per_mol * lost)

    def _breathe_oxygen(self, dt_s: float, per_s: float) -> None:
        """Oxygen through the surface at `per_s` (kLa), and what it eats.

        2 leuco-indigo + O2 -> 2 indigo + 2 H2O; the reductant by its own stoichiometry. The balance is solved at the
        end of the step (backward Euler), so that what is eaten is exactly what came in less what is left.
        """
        saturated = aqueous.oxygen_saturation_mol_l(self.temperature_c)
        by_leuco = LEUCO_O2_RATE * self.leuco
        by_agent = self.agent.o2_rate_l_mol_s * self._agent_awake() * self.reductant
        eating = by_leuco + by_agent
        before = self.oxygen
        after = (before + per_s * dt_s * saturated) / (1.0 + (per_s + eating) * dt_s)
        taken_up = per_s * dt_s * (saturated - after)
        if eating > 0.0:
            spent = before + taken_up - after
            to_leuco = min(spent * by_leuco / eating, self.leuco / 2.0)
            to_agent = min(spent * by_agent / eating, self.reductant / self.agent.mol_per_o2)
            self.leuco -= 2.0 * to_leuco
            self.indigo += 2.0 * to_leuco
            lost = to_agent * self.agent.mol_per_o2
            self.reductant = max(self.reductant - lost, 0.0)
            self._acid(self.agent.acid_per_mol * lost)
            after = before + taken_up - to_leuco - to_agent
            self.oxygen_to_leuco += to_leuco
            self.oxygen_to_reductant += to_agent
        self.oxygen = after
        self.oxygen_taken_up += taken_up

    def _catch_co2(self, dt_s: float, renewal_m_s: float, area_per_m: float) -> None:
        """Carbon dioxide from the air, caught by hydroxide in the surface film (Hatta's film theory).

        Rate constant 8.5e3 L/(mol s) at 25 °C and diffusivity 1.9e-9 m2/s after Pinsent, Pearson & Roughton (1956),
        Trans. Faraday Soc. 52, 1512, from memory. A lid lets in the same share of it as of oxygen.
        """
        covered = renewal_m_s / self.recipe.surface_renewal_m_s
        film = math.sqrt(renewal_m_s**2 + covered**2 * 1.9e-9 * 8.5e3 * self._hydroxide())
        dissolved = aqueous.carbonate_of(self.ph, self.carbonate, self._k, self._g).co2
        gap = self._k.henry_co2 * aqueous.AIR_CO2_ATM - dissolved
        self.carbonate = max(self.carbonate + film * area_per_m * gap * dt_s, 0.0)

    def _reduce(self, dt_s: float) -> None:
        a = self.agent
        warm = a.rate_q10 ** ((self.temperature_c - 25.0) / 10.0)
        rate = a.rate_per_s * warm * a.readiness_in_alkali(self.ph) * self._strength()
        done = min(self.indigo * (1.0 - math.exp(-rate * dt_s)), self.reductant / a.mol_per_indigo)
        self.indigo -= done
        self.leuco += done
        self.reductant -= done * a.mol_per_indigo
        self._acid(a.acid_per_mol * a.mol_per_indigo * done)

    def feed(self, s: Substance, grams: float) -> None:
        """Adds a substance, dissolved at once (lime as solid).

        A reductant that is not this vat's own is counted as the same reducing power of the vat's own.
        """
        mol = grams * s.share / s.molar_mass / self.volume_l
        if s.reductant:
            self.reductant += mol * self.agent.mol_per_indigo / REDUCTANTS[s.reductant].mol_per_indigo
        self.alkalinity += mol * s.alkali_eq
        if s.alkali_eq < 0.0:
            self.acid_anions -= mol * s.alkali_eq
        self.carbonate += mol * s.carbonate_mol
        self.lime_solid += mol * s.lime_mol
        self.food += mol * s.food_mol
        self.indigo += mol * s.indigo_mol
        self.salt += mol * s.salt_mol

    def dip(self, dry_grams: float) -> None:
        """Goods take up to 1 % of their weight in dye, bring air in and carry liquor off (assumed amounts)."""
        taken = min(0.01 * dry_grams / INDIGO_MOLAR_MASS / self.volume_l, 0.2 * self.leuco)
        self.leuco -= taken
        self.oxygen += 4.4e-6 * dry_grams / self.volume_l
        self.volume_l = max(self.volume_l - 1.5e-3 * dry_grams, 0.2 * self.recipe.volume_l)

    def top_up(self, litres: float) -> None:
        """Tap water: 15 °C, full of air, 2 mmol/L of hydrogen carbonate and 1 mmol/L of calcium (assumed)."""
        old = self.volume_l / (self.volume_l + litres)
        new = 1.0 - old
        self.indigo *= old
        self.leuco *= old
        self.reductant *= old
        self.lime_solid *= old
        self.acid_anions *= old
        self.weak_acid *= old
        self.food *= old
        self.salt *= old
        self.alkalinity = self.alkalinity * old + 2e-3 * new
        self.carbonate = self.carbonate * old + 2e-3 * new
        self.calcium = self.calcium * old + 1e-3 * new
        self.oxygen = self.oxygen * old + aqueous.oxygen_saturation_mol_l(15.0) * new
        self.temperature_c = self.temperature_c * old + 15.0 * new
        self.volume_l += litres
