"""One simulated vat: the liquor with its warmth, moved on by explicit time, and what is done to it.

Deterministic: the state lives on a fixed grid of steps from the start, so the same recipe, seed, entries and mishaps
give the same truth however `advance` is called. No clock, no I/O, no threads. Nothing of `vatwatch.vat` or
`vatwatch.chemistry` is used, since this is what they are checked against.
"""

from __future__ import annotations

import heapq
import math
import random
from dataclasses import dataclass
from typing import TypeAlias

from vatwatch.errors import VatwatchError
from vatwatch.records import JournalEntry
from vatwatch.rehearsal import aqueous
from vatwatch.rehearsal.mishaps import Mishap
from vatwatch.rehearsal.mixture import Mixture
from vatwatch.rehearsal.recipes import DAY_MS, VatRecipe, draw_recipe
from vatwatch.rehearsal.substances import substance_named
from vatwatch.terms import EntryKind

HEAT_J_PER_L_K = 4180.0
ROOM_SLOT_MS = 600_000
STIR_FACTOR = 25.0
DIP_FACTOR = 10.0
COLOURS = ("blue", "blue-green", "green", "yellow-green", "amber")
COLOUR_EDGES = (0.22, 0.48, 0.78, 0.94)
COLOUR_SCATTER_LOGIT = 0.6
COLOUR_SLIP_SHARE = 0.05

Event: TypeAlias = JournalEntry | tuple[Mishap, float | None]


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
    """A vat made from a recipe, at `start_ms` and moved on in steps of `step_ms` (more than 0, up to 60 000).

    `advance(to_ms)`, `apply(entry)`, `befall(time_ms, mishap)`, `truth()`.
    `mixture` holds what is in the liquor. Read it at any time; change it through entries and mishaps only.
    """

    def __init__(self, recipe: VatRecipe, seed: int = 0, start_ms: int = 0, step_ms: int = 10_000) -> None:
        if not 0 < step_ms <= 60_000:
            raise VatwatchError(f"a step of {step_ms} ms cannot follow a vat; use more than 0 up to 60000 ms")
        self.recipe = recipe
        self._rng = random.Random(f"{seed}/room")
        self._step_ms = step_ms
        self._waiting: list[tuple[int, int, Event]] = []
        self._order = 0
        self.time_ms = start_ms
        self.mixture = Mixture(recipe)
        self.loose_pigment = 0.0
        self.lid_open = recipe.lid_open
        self.heater_on = False
        self.heater_stuck: bool | None = None
        self.heater_plugged = True
        self._room_shift_c = 0.0
        self._room_shift_goal_c = 0.0
        self._room_noise_c = 0.0
        self._stir_until_ms = start_ms
        self._stir_factor = 1.0

    @property
    def room_c(self) -> float:
        """Air temperature around the vat, °C."""
        r = self.recipe
        phase = 2.0 * math.pi * (self.time_ms - r.room_warmest_ms) / DAY_MS
        return r.room_mean_c + r.room_swing_c * math.cos(phase) + self._room_noise_c + self._room_shift_c

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
        stirring = self.time_ms < self._stir_until_ms
        self.mixture.react(dt_s, self.lid_open, self._stir_factor if stirring else 1.0)
        if not stirring:
            self.loose_pigment *= math.exp(-dt_s / self.recipe.settle_tau_s)

    def _warm(self, dt_s: float) -> None:
        r = self.recipe
        if self.time_ms % ROOM_SLOT_MS < self._step_ms:
            self._room_noise_c = 0.95 * self._room_noise_c + self._rng.gauss(0.0, 0.12)
        self._room_shift_c += (self._room_shift_goal_c - self._room_shift_c) * (1.0 - math.exp(-dt_s / 3600.0))
        if r.setpoint_c is not None:
            if self.mixture.temperature_c < r.setpoint_c - r.hysteresis_c / 2.0:
                self.heater_on = True
            elif self.mixture.temperature_c > r.setpoint_c + r.hysteresis_c / 2.0:
                self.heater_on = False
        heating = self.heater_on if self.heater_stuck is None else self.heater_stuck
        power = r.heater_w if heating and self.heater_plugged else 0.0
        loss = r.heat_loss_w_per_k + (r.lid_open_loss_w_per_k if self.lid_open else 0.0)
        goal = self.room_c + power / loss
        fade = math.exp(-dt_s * loss / (HEAT_J_PER_L_K * self.mixture.volume_l))
        self.mixture.temperature_c = min(goal + (self.mixture.temperature_c - goal) * fade, 99.0)

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

    def _wait(self, time_ms: int, what: Event) -> None:
        self._order += 1
        heapq.heappush(self._waiting, (time_ms, self._order, what))
        while self._waiting and self._waiting[0][0] <= self.time_ms:
            self._happen(heapq.heappop(self._waiting)[2])

    def _happen(self, what: Event) -> None:
        if isinstance(what, JournalEntry):
            self._entry(what)
        else:
            self._mishap(*what)

    def _entry(self, entry: JournalEntry) -> None:
        if entry.kind is EntryKind.FEED and entry.grams is not None:
            self.mixture.feed(substance_named(entry.what), entry.grams)
            self._disturb(entry.minutes or 0.5, DIP_FACTOR, 0.3)
        elif entry.kind is EntryKind.STIR:
            self._disturb(entry.minutes or 2.0, STIR_FACTOR, 1.0)
        elif entry.kind is EntryKind.DIP:
            self.mixture.dip(entry.grams if entry.grams is not None else 200.0)
            self._disturb(min(entry.minutes or 3.0, 3.0), DIP_FACTOR, 0.5)
        elif entry.kind is EntryKind.TOP_UP and entry.litres is not None:
            self._water(entry.litres)
        elif entry.kind is EntryKind.COVER:
            self.lid_open = entry.what.strip().lower() in ("off", "open", "opened", "uncovered")
        elif entry.kind is EntryKind.REMADE:
            self.mixture = Mixture(self.recipe)

    def _disturb(self, minutes: float, factor: float, lifted: float) -> None:
        if self.time_ms >= self._stir_until_ms:
            self._stir_factor = 1.0
        self._stir_factor = max(self._stir_factor, factor)
        self._stir_until_ms = max(self._stir_until_ms, self.time_ms + round(minutes * 60_000.0))
        self.loose_pigment = max(self.loose_pigment, lifted)

    def _water(self, litres: float) -> None:
        self.mixture.top_up(litres)
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
            self.mixture.reductant *= min(max(amount or 0.0, 0.0), 1.0)
        elif mishap in (Mishap.LID_OFF, Mishap.LID_ON):
            self.lid_open = mishap is Mishap.LID_OFF
        elif mishap is Mishap.COLD_SNAP:
            self._room_shift_goal_c = -(8.0 if amount is None else amount)
        elif mishap is Mishap.COLD_SNAP_OVER:
            self._room_shift_goal_c = 0.0
        elif mishap is Mishap.CO2_CREEP:
            self.mixture.carbonate += 0.002 if amount is None else amount
        else:
            self._water(self.mixture.volume_l / 10.0 if amount is None else amount)

    # --- what can be known of it ---

    def truth(self) -> VatTruth:
        """The hidden state at `time_ms`."""
        m = self.mixture
        return VatTruth(
            time_ms=self.time_ms,
            ph=m.ph,
            temperature_c=m.temperature_c,
            eh_mv=m.eh_mv,
            leuco_share=m.leuco_share,
            reductant=m.reductant,
            alkali=m.alkalinity + 2.0 * m.lime_solid,
            loose_pigment=self.loose_pigment,
            oxygen_mg_l=m.oxygen * 1000.0 * aqueous.MOLAR_MASS_O2,
        )

    def what_a_dyer_sees(self, rng: random.Random) -> str:
        """The colour word a person would give the liquor: one of `COLOURS`, with human scatter and slips.

        Where one word ends and the next begins is `COLOUR_EDGES` (share reduced); scatter and slips are judgement.
        """
        share = min(max(self.mixture.leuco_share, 1e-4), 1.0 - 1e-4)
        seen = math.log(share / (1.0 - share)) + rng.gauss(0.0, COLOUR_SCATTER_LOGIT)
        index = sum(seen > math.log(edge / (1.0 - edge)) for edge in COLOUR_EDGES)
        if rng.random() < COLOUR_SLIP_SHARE:
            index += rng.choice((-1, 1))
        return COLOURS[min(max(index, 0), len(COLOURS) - 1)]


def draw_vat(seed: int, chemistry: str, start_ms: int = 0, step_ms: int = 10_000) -> SimulatedVat:
    """A random vat from the prior, for scoring. Raises `UnknownChemistry`."""
    return SimulatedVat(draw_recipe(seed, chemistry), seed, start_ms, step_ms)
