"""One simulated vat: the liquor's chemistry and warmth, moved on by explicit time, and what is done to it.

Deterministic: the state lives on a fixed grid of steps from the start, so the same recipe, seed, entries and mishaps
give the same truth however `advance` is called. No clock, no I/O, no threads. Nothing of `vatwatch.vat` or
`vatwatch.chemistry` is used, since this is what they are checked against.

Amounts are mol per litre of liquor.
"""

from __future__ import annotations

import heapq
import math
import random
from dataclasses import dataclass

from vatwatch.errors import VatwatchError
from vatwatch.records import EntryKind, JournalEntry
from vatwatch.rehearsal import aqueous
from vatwatch.rehearsal.couple import LEUCO_KA, couple_potential_mv, half_potential_mv, mixed_potential_mv
from vatwatch.rehearsal.mishaps import Mishap
from vatwatch.rehearsal.recipes import DAY_MS, VatRecipe, draw_recipe
from vatwatch.rehearsal.reductants import readiness
from vatwatch.rehearsal.substances import Substance, substance_named

INDIGO_MOLAR_MASS = 262.27
LIME_MOLAR_MASS = 74.09
LEUCO_O2_RATE = 30.0  # L/(mol s): assumed; fast enough that oxygen does not survive in a reduced vat
HEAT_J_PER_L_K = 4180.0
ROOM_SLOT_MS = 600_000
STIR_FACTOR = 25.0
DIP_FACTOR = 10.0
LIME_DISSOLVE_S = 900.0
CALCITE_S = 1200.0
COLOURS = ("blue", "blue-green", "green", "yellow-green", "amber")
COLOUR_EDGES = (0.22, 0.48, 0.78, 0.94)
COLOUR_SCATTER_LOGIT = 0.6
COLOUR_SLIP_SHARE = 0.05


@dataclass(frozen=True, slots=True)
class VatTruth:
    """What is really so in the vat, hidden from the daemon.

    `eh_mv` is mV vs SHE at bath temperature, `leuco_share` 0–1 of the indigo, `reductant` mol/L of the agent left,
    `alkali` eq/L of total alkalinity with the undissolved lime counted, `loose_pigment` 0–1 (1 just after a thorough
    stir; below 0.05 the vat has settled), `oxygen_mg_l` dissolved oxygen.
    """

    time_ms: int
    ph: float
    temperature_c: float
    eh_mv: float
    leuco_share: float
    reductant: float
    alkali: float
    loose_pigment: float
    oxygen_mg_l: float


class SimulatedVat:
    """A vat made from a recipe. `advance(to_ms)`, `apply(entry)`, `befall(time_ms, mishap)`, `truth()`.

    Amounts may be read at any time; change them through entries and mishaps only.
    """

    def __init__(self, recipe: VatRecipe, seed: int = 0, start_ms: int = 0, step_ms: int = 10_000) -> None:
        if step_ms <= 0 or step_ms > 60_000:
            raise VatwatchError(f"a step of {step_ms} ms cannot follow a vat; use more than 0 up to 60000 ms")
        self.recipe = recipe
        self.agent = recipe.reductant
        self._rng = random.Random(f"{seed}/room")
        self._step_ms = step_ms
        self._waiting: list[tuple[int, int, JournalEntry | tuple[Mishap, float | None]]] = []
        self._order = 0
        self.time_ms = start_ms
        self._fill()

    def _fill(self) -> None:
        r = self.recipe
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
        self.food = r.food_mol_l
        self.activity = r.activity
        self.loose_pigment = 0.0
        self.lid_open = r.lid_open
        self.heater_on = False
        self.heater_stuck: bool | None = None
        self.heater_plugged = True
        self.room_shift_c = 0.0
        self._room_shift_goal_c = 0.0
        self._room_noise_c = 0.0
        self._stir_until_ms = self.time_ms
        self._stir_factor = 1.0
        self.oxygen_taken_up = 0.0
        self.oxygen_to_leuco = 0.0
        self.oxygen_to_reductant = 0.0
        self._weak_ka = 10.0**-r.weak_acid_pka
        self.ph = 12.3 if self.lime_solid > 0.0 else r.start_ph
        self.calcium = 0.0
        self.alkalinity = 0.01
        self._k = aqueous.constants_at(self.temperature_c)
        self._g = aqueous.activity_of(0.05, self._k.debye_a)
        for _ in range(60):
            if self.lime_solid > 0.0:
                self.calcium = max(self.alkalinity * r.calcium_share / 2.0, 1e-6)
                self._lime(1.0)
                self._settle_ph()
            else:
                self.alkalinity, _ = self._charge(self.ph)
                self.calcium = max(self.alkalinity * r.calcium_share / 2.0, 0.0)
                self._g = aqueous.activity_of(self._ionic_strength(), self._k.debye_a)
        self._eh_mv = self._potential()

    # --- the liquor's own balances ---

    def _charge(self, ph: float) -> tuple[float, float]:
        return aqueous.charge_and_slope(
            ph, self.carbonate, self.leuco, self.recipe.weak_acid_mol_l, self._weak_ka, LEUCO_KA, self._k, self._g
        )

    def _ionic_strength(self) -> float:
        """mol/kg, from the species at the last pH. Every cation that is not calcium is taken as monovalent."""
        c = aqueous.carbonate_of(self.ph, self.carbonate, self._k, self._g)
        monovalent = max(self.alkalinity + self.acid_anions - 2.0 * self.calcium, 0.0)
        oh = self._k.kw * 10.0**self.ph / self._g.one
        ions = monovalent + 4.0 * self.calcium + self.acid_anions + oh + c.hco3 + 4.0 * c.co3 + self.leuco
        return 0.5 * ions + self.salt

    def _settle_ph(self) -> None:
        self._g = aqueous.activity_of(self._ionic_strength(), self._k.debye_a)
        self.ph = aqueous.solve_ph(
            self.alkalinity, self.carbonate, self.leuco, self.recipe.weak_acid_mol_l, self._weak_ka, LEUCO_KA,
            self._k, self._g, self.ph,
        )  # fmt: skip

    def _hydroxide(self) -> float:
        return self._k.kw * 10.0**self.ph / self._g.one

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

    @property
    def room_c(self) -> float:
        """Air temperature around the vat, °C."""
        r = self.recipe
        phase = 2.0 * math.pi * (self.time_ms - r.room_warmest_ms) / DAY_MS
        return r.room_mean_c + r.room_swing_c * math.cos(phase) + self._room_noise_c + self.room_shift_c

    # --- time ---

    def advance(self, to_ms: int) -> None:
        """Moves the vat on to the last whole step not later than `to_ms`; an earlier time changes nothing."""
        while self.time_ms + self._step_ms <= to_ms:
            while self._waiting and self._waiting[0][0] <= self.time_ms:
                self._happen(heapq.heappop(self._waiting)[2])
            self._step(self._step_ms / 1000.0)
            self.time_ms += self._step_ms
        while self._waiting and self._waiting[0][0] <= self.time_ms:
            self._happen(heapq.heappop(self._waiting)[2])

    def _step(self, dt_s: float) -> None:
        self._warm(dt_s)
        self._k = aqueous.constants_at(self.temperature_c)
        if self.agent.ferment is not None:
            self._ferment(dt_s)
        self._decay(dt_s)
        self._breathe(dt_s)
        self._reduce(dt_s)
        if self.lime_solid > 0.0 or self.calcium > 0.0:
            self._lime(1.0 - math.exp(-dt_s / LIME_DISSOLVE_S))
            self._calcite(1.0 - math.exp(-dt_s / CALCITE_S))
        self._settle_ph()
        self._eh_mv = self._potential()
        if self.time_ms >= self._stir_until_ms:
            self.loose_pigment *= math.exp(-dt_s / self.recipe.settle_tau_s)

    def _warm(self, dt_s: float) -> None:
        r = self.recipe
        if self.time_ms % ROOM_SLOT_MS < self._step_ms:
            self._room_noise_c = 0.95 * self._room_noise_c + self._rng.gauss(0.0, 0.12)
        self.room_shift_c += (self._room_shift_goal_c - self.room_shift_c) * (1.0 - math.exp(-dt_s / 3600.0))
        if r.setpoint_c is not None:
            if self.temperature_c < r.setpoint_c - r.hysteresis_c / 2.0:
                self.heater_on = True
            elif self.temperature_c > r.setpoint_c + r.hysteresis_c / 2.0:
                self.heater_on = False
        heating = self.heater_on if self.heater_stuck is None else self.heater_stuck
        power = r.heater_w if heating and self.heater_plugged else 0.0
        loss = r.heat_loss_w_per_k + (r.lid_open_loss_w_per_k if self.lid_open else 0.0)
        goal = self.room_c + power / loss
        fade = math.exp(-dt_s * loss / (HEAT_J_PER_L_K * self.volume_l))
        self.temperature_c = min(goal + (self.temperature_c - goal) * fade, 99.0)

    def _ferment(self, dt_s: float) -> None:
        """Bacteria eat, hand on reducing power, sour the liquor and breathe out. Rates are assumptions."""
        ferment = self.agent.ferment
        if ferment is None:
            return
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

    def _decay(self, dt_s: float) -> None:
        a = self.agent
        rate = a.decay_per_s * a.decay_q10 ** ((self.temperature_c - 25.0) / 10.0)
        lost = self.reductant * (1.0 - math.exp(-rate * dt_s))
        self.reductant -= lost
        self._acid(a.decay_acid_per_mol * lost)

    def _breathe(self, dt_s: float) -> None:
        """Oxygen and carbon dioxide through the surface, and what the oxygen eats.

        2 leuco-indigo + O2 -> 2 indigo + 2 H2O; the reductant by its own stoichiometry. The balance is solved at the
        end of the step (backward Euler), so that what is eaten is exactly what came in less what is left.
        """
        r = self.recipe
        renewal = r.surface_renewal_m_s * (1.0 if self.lid_open else r.lid_leak_share)
        stirred = self._stir_factor if self.time_ms < self._stir_until_ms else 1.0
        per_s = renewal * stirred * r.surface_m2 / (self.volume_l / 1000.0)
        saturated = aqueous.oxygen_saturation_mol_l(self.temperature_c)
        by_leuco = LEUCO_O2_RATE * self.leuco
        by_agent = self.agent.o2_rate_l_mol_s * self.reductant
        eating = by_leuco + by_agent
        before = self.oxygen
        after = (before + per_s * dt_s * saturated) / (1.0 + (per_s + eating) * dt_s)
        taken_up = per_s * dt_s * (saturated - after)
        spent = before + taken_up - after
        if eating > 0.0:
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
        # CO2 is caught by hydroxide in the surface film: Hatta's film theory; rate constant 8.5e3 L/(mol s) at 25 °C
        # and diffusivity 1.9e-9 m2/s after Pinsent, Pearson & Roughton (1956), from memory
        film = math.sqrt(renewal**2 + (renewal / r.surface_renewal_m_s) ** 2 * 1.9e-9 * 8.5e3 * self._hydroxide())
        dissolved = aqueous.carbonate_of(self.ph, self.carbonate, self._k, self._g).co2
        gap = self._k.henry_co2 * aqueous.AIR_CO2_ATM - dissolved
        gained = film * r.surface_m2 / (self.volume_l / 1000.0) * gap * dt_s
        self.carbonate = max(self.carbonate + gained, 0.0)

    def _reduce(self, dt_s: float) -> None:
        a = self.agent
        warm = a.rate_q10 ** ((self.temperature_c - 25.0) / 10.0)
        alkaline = 1.0 / (1.0 + 10.0 ** (a.ph_half - self.ph))
        rate = a.rate_per_s * warm * alkaline * self._strength()
        done = min(self.indigo * (1.0 - math.exp(-rate * dt_s)), self.reductant / a.mol_per_indigo)
        self.indigo -= done
        self.leuco += done
        self.reductant -= done * a.mol_per_indigo
        self._acid(a.acid_per_mol * a.mol_per_indigo * done)

    # --- what is done to it ---

    def apply(self, entry: JournalEntry) -> None:
        """Lets a journal entry act on the liquor at its own time, or at once when that has passed.

        Raises `UnknownSubstance` for a feed it does not know, and `VatwatchError` when an amount is missing.
        """
        if entry.kind is EntryKind.FEED:
            substance_named(entry.what)
            if entry.grams is None or entry.grams <= 0.0:
                raise VatwatchError(f'a feed of "{entry.what}" needs its grams, found {entry.grams}')
        if entry.kind is EntryKind.TOP_UP and (entry.litres is None or entry.litres <= 0.0):
            raise VatwatchError(f"a top-up needs its litres, found {entry.litres}")
        self._wait(entry.time_ms, entry)

    def befall(self, time_ms: int, mishap: Mishap, amount: float | None = None) -> None:
        """Lets a mishap (or its end) happen at a time, or at once when that has passed."""
        self._wait(time_ms, (mishap, amount))

    def _wait(self, time_ms: int, what: JournalEntry | tuple[Mishap, float | None]) -> None:
        self._order += 1
        heapq.heappush(self._waiting, (time_ms, self._order, what))
        while self._waiting and self._waiting[0][0] <= self.time_ms:
            self._happen(heapq.heappop(self._waiting)[2])

    def _happen(self, what: JournalEntry | tuple[Mishap, float | None]) -> None:
        if isinstance(what, JournalEntry):
            self._entry(what)
        else:
            self._mishap(*what)

    def _entry(self, entry: JournalEntry) -> None:
        if entry.kind is EntryKind.FEED and entry.grams is not None:
            self._feed(substance_named(entry.what), entry.grams)
            self._disturb(entry.minutes or 0.5, DIP_FACTOR, 0.3)
        elif entry.kind is EntryKind.STIR:
            self._disturb(entry.minutes or 2.0, STIR_FACTOR, 1.0)
        elif entry.kind is EntryKind.DIP:
            self._dip(entry.grams if entry.grams is not None else 200.0, entry.minutes or 10.0)
        elif entry.kind is EntryKind.TOP_UP and entry.litres is not None:
            self._top_up(entry.litres)
        elif entry.kind is EntryKind.COVER:
            self.lid_open = entry.what.strip().lower() in ("off", "open", "opened", "uncovered")
        elif entry.kind is EntryKind.REMADE:
            self._fill()

    def _disturb(self, minutes: float, factor: float, lifted: float) -> None:
        self._stir_until_ms = max(self._stir_until_ms, self.time_ms + round(minutes * 60_000.0))
        self._stir_factor = factor
        self.loose_pigment = max(self.loose_pigment, lifted)

    def _feed(self, s: Substance, grams: float) -> None:
        mol = grams * s.share / s.molar_mass / self.volume_l
        if s.reductant == self.agent.name:
            self.reductant += mol
        self.alkalinity += mol * s.alkali_eq
        if s.alkali_eq < 0.0:
            self.acid_anions -= mol * s.alkali_eq
        self.carbonate += mol * s.carbonate_mol
        self.lime_solid += mol * s.lime_mol
        self.food += mol * s.food_mol
        self.indigo += mol * s.indigo_mol
        self.salt += mol * s.salt_mol

    def _dip(self, dry_grams: float, minutes: float) -> None:
        """Goods take up to 1 % of their weight in dye, bring air in and carry liquor off (assumed amounts)."""
        taken = min(0.01 * dry_grams / INDIGO_MOLAR_MASS / self.volume_l, 0.2 * self.leuco)
        self.leuco -= taken
        self.oxygen += 4.4e-6 * dry_grams / self.volume_l
        self.volume_l = max(self.volume_l - 1.5e-3 * dry_grams, 0.2 * self.recipe.volume_l)
        self._disturb(min(minutes, 3.0), DIP_FACTOR, 0.5)

    def _top_up(self, litres: float) -> None:
        """Tap water: 15 °C, full of air, 2 mmol/L of hydrogen carbonate and 1 mmol/L of calcium (assumed)."""
        old = self.volume_l / (self.volume_l + litres)
        new = 1.0 - old
        self.indigo *= old
        self.leuco *= old
        self.reductant *= old
        self.lime_solid *= old
        self.acid_anions *= old
        self.food *= old
        self.salt *= old
        self.alkalinity = self.alkalinity * old + 2e-3 * new
        self.carbonate = self.carbonate * old + 2e-3 * new
        self.calcium = self.calcium * old + 1e-3 * new
        self.oxygen = self.oxygen * old + aqueous.oxygen_saturation_mol_l(15.0) * new
        self.temperature_c = self.temperature_c * old + 15.0 * new
        self.volume_l += litres
        self._disturb(1.0, DIP_FACTOR, 0.5)

    def _mishap(self, mishap: Mishap, amount: float | None) -> None:
        if mishap is Mishap.HEATER_STUCK_ON:
            self.heater_stuck = True
        elif mishap is Mishap.HEATER_STUCK_OFF:
            self.heater_stuck = False
        elif mishap is Mishap.HEATER_MENDED:
            self.heater_stuck = None
        elif mishap in (Mishap.PLUG_PULLED, Mishap.PLUG_BACK):
            self.heater_plugged = mishap is Mishap.PLUG_BACK
        elif mishap is Mishap.REDUCTANT_GONE:
            self.reductant *= min(max(amount or 0.0, 0.0), 1.0)
        elif mishap in (Mishap.LID_OFF, Mishap.LID_ON):
            self.lid_open = mishap is Mishap.LID_OFF
        elif mishap is Mishap.COLD_SNAP:
            self._room_shift_goal_c = -(8.0 if amount is None else amount)
        elif mishap is Mishap.COLD_SNAP_OVER:
            self._room_shift_goal_c = 0.0
        elif mishap is Mishap.CO2_CREEP:
            self.carbonate += 0.002 if amount is None else amount
        else:
            self._top_up(self.volume_l / 10.0 if amount is None else amount)

    # --- what can be known of it ---

    def truth(self) -> VatTruth:
        """The hidden state at `time_ms`."""
        return VatTruth(
            time_ms=self.time_ms,
            ph=self.ph,
            temperature_c=self.temperature_c,
            eh_mv=self._eh_mv,
            leuco_share=self.leuco_share,
            reductant=self.reductant,
            alkali=self.alkalinity + 2.0 * self.lime_solid,
            loose_pigment=self.loose_pigment,
            oxygen_mg_l=self.oxygen * 1000.0 * aqueous.MOLAR_MASS_O2,
        )

    def what_a_dyer_sees(self, rng: random.Random) -> str:
        """The colour word a person would give the liquor: one of `COLOURS`, with human scatter and slips.

        Where one word ends and the next begins is `COLOUR_EDGES` (share reduced); scatter and slips are judgement.
        """
        share = min(max(self.leuco_share, 1e-4), 1.0 - 1e-4)
        seen = math.log(share / (1.0 - share)) + rng.gauss(0.0, COLOUR_SCATTER_LOGIT)
        index = sum(seen > math.log(edge / (1.0 - edge)) for edge in COLOUR_EDGES)
        if rng.random() < COLOUR_SLIP_SHARE:
            index += rng.choice((-1, 1))
        return COLOURS[min(max(index, 0), len(COLOURS) - 1)]


def draw_vat(seed: int, chemistry: str, start_ms: int = 0, step_ms: int = 10_000) -> SimulatedVat:
    """A random vat from the prior, for scoring. Raises `UnknownChemistry`."""
    return SimulatedVat(draw_recipe(seed, chemistry), seed, start_ms, step_ms)
