"""A second vat to judge, with equations and numbers of its own: a few lumped balances instead of a water chemistry.

What differs from the rehearsal on purpose, so that the judgement cannot have been tuned to one simulator:

- everything is counted in milliequivalents per litre; the reductant takes the oxygen first, the leuco gets what it leaves;
- indigo is reduced at the surface of shrinking particles (rate as its amount to the power 2/3), by Arrhenius' law;
- the potential answers to oxidised indigo with the power 0.8 (part of it lies as solid, whose activity does not fall) and
  runs 45 mV per pH; reductant and couple are blended by a smooth minimum;
- alkali is one buffer and free hydroxide; lime holds the hydroxide at its solubility until it is gone;
- heat is two lumps, liquor and walls, in a room that wanders;
- electrodes wander by themselves (noise with an hour's memory), and the dyer's eye has a bias of its own.

Numbers are assumptions, in the range dyers describe ("common practice, no source").
"""

from __future__ import annotations

import copy
import math
import random
from dataclasses import dataclass

from tests.benchmarks.judgement.rigs import Truth, equivalent_25c
from vatwatch.chemistry.alkali import Alkali
from vatwatch.records import JournalEntry
from vatwatch.rehearsal.mishaps import Mishap
from vatwatch.terms import EntryKind
from vatwatch.vat.recipes import RECIPES, Chemistry
from vatwatch.vat.settings import DAY_MS, HOUR_MS, MINUTE_MS

GAS, FARADAY = 8.314462618, 96485.33212
HALF_MV_AT_PH_11 = -345.0
MV_PER_PH = 45.0
SOLID_POWER = 0.8
COLOURS = ("blue", "blue-green", "green", "yellow-green", "amber")
COLOUR_EDGES = (0.25, 0.50, 0.80, 0.95)


@dataclass(frozen=True, slots=True)
class Kind:
    """One chemistry: litres, meq/L of reductant to begin with, its rate per hour at 25 °C, activation in kJ/mol, own
    potential below the half-reduced one in mV, loss per day by itself, acid per meq used, pH and °C at the start,
    buffer in meq/L and its pKa, lime in meq/L, heater in W, food in meq/L.
    """

    litres: float
    reductant: float
    rate_per_h: float
    activation_kj: float
    pull_mv: float
    loss_per_day: float
    acid: float
    ph: float
    warm_c: float
    buffer: float
    buffer_pka: float
    lime: float = 0.0
    heater_w: float = 0.0
    food: float = 0.0


KINDS = {
    "hydrosulfite": Kind(35.0, 14.0, 14.0, 45.0, 200.0, 0.12, 1.0, 11.0, 38.0, 25.0, 10.2, heater_w=500.0),
    "thiourea-dioxide": Kind(35.0, 12.0, 9.0, 60.0, 280.0, 0.25, 1.0, 11.4, 44.0, 30.0, 10.2, heater_w=500.0),
    "fructose-lime": Kind(45.0, 16.0, 5.0, 60.0, 110.0, 0.30, 0.6, 11.6, 27.0, 20.0, 11.0, lime=12.0),
    "iron-lime": Kind(60.0, 18.0, 2.5, 50.0, 130.0, 0.06, 0.0, 11.7, 21.0, 4.0, 10.5, lime=15.0),
    "zinc-lime": Kind(60.0, 30.0, 3.0, 50.0, 210.0, 0.10, 0.0, 12.0, 22.0, 4.0, 10.5, lime=15.0),
    "leaf-ash": Kind(90.0, 4.0, 1.2, 40.0, 80.0, 0.20, 0.1, 10.6, 27.0, 40.0, 10.1, heater_w=150.0, food=50.0),
    "woad": Kind(90.0, 4.0, 1.0, 40.0, 80.0, 0.20, 0.1, 9.3, 47.0, 45.0, 9.8, heater_w=400.0, food=70.0),
    "bran-madder": Kind(60.0, 4.0, 1.2, 40.0, 80.0, 0.20, 0.1, 9.9, 38.0, 45.0, 9.9, heater_w=250.0, food=70.0),
}
REDUCING_MEQ_G = {"hydrosulfite": 9.8, "thiourea dioxide": 18.0, "fructose": 6.5, "copperas": 3.5, "zinc": 20.0}
FOOD_MEQ_G = {"bran": 2.5}
ALKALI_MEQ_G = {"soda ash": 9.3, "potash": 7.1, "caustic soda": 24.5, "copperas": -7.0, "vinegar": -0.8}
CARBONATE_MEQ_G = {"soda ash": 9.3, "potash": 7.1}
"""Carbonates bring their buffer with them: one equivalent that takes a proton near pH 10, and little hydroxide (arithmetic on
106 and 138 g/mol, counted from hydrogen carbonate). A first version of this vat took them for caustic, and the advice for
soda then overshot it by a whole pH unit."""
LIME_MEQ_G = 25.0


class LumpedRig:
    """Vat, probes and eye in one. Deterministic by chemistry and seed."""

    def __init__(self, chemistry: str, seed: int, start_ms: int, step_ms: int) -> None:
        rng = random.Random(f"lumped/{chemistry}/{seed}")
        self.kind = kind = KINDS[chemistry]
        self.alkali: Alkali = RECIPES[Chemistry(chemistry)].alkali
        self.time_ms, self._step_ms = start_ms, step_ms
        self.litres = kind.litres * rng.lognormvariate(0.0, 0.3)
        self.dye = 7.6 * rng.lognormvariate(0.0, 0.4)
        self.oxidised = self.dye * rng.uniform(0.01, 0.1)
        self.reductant = kind.reductant * rng.lognormvariate(-0.2, 0.5)
        self.food = kind.food * rng.lognormvariate(0.0, 0.4)
        self.liveliness = 0.9
        self.offset_mv = rng.gauss(0.0, 45.0)
        self.temperature_c = self.wall_c = self.set_c = kind.warm_c + rng.gauss(0.0, 1.5)
        self.buffer = kind.buffer * rng.lognormvariate(0.0, 0.3)
        self.lime = kind.lime * rng.lognormvariate(0.0, 0.6) if kind.lime else 0.0
        ph = kind.ph + rng.gauss(0.0, 0.2)
        self.alkalinity = self._hydroxide(ph) + self._bound(ph)
        self.ph = ph
        self.heater_w = kind.heater_w * rng.uniform(1.0, 3.0)
        self.heating, self.plugged = False, True
        self.stuck: bool | None = None
        self.lid_open = False
        self.stirred_until_ms = start_ms
        self.flux = 0.022 * rng.lognormvariate(0.0, 0.4) * (40.0 / self.litres) ** (1.0 / 3.0)
        self.room_mean_c = 19.0 + rng.gauss(0.0, 2.0)
        self.room_wander_c, self.room_shift_c = 0.0, 0.0
        self.bias_logit = rng.gauss(0.0, 0.3)
        self._air = random.Random(f"air/{chemistry}/{seed}")
        self._meters = random.Random(f"meters/{chemistry}/{seed}")
        self._wander = {"ph": 0.0, "orp": 0.0, "temperature": 0.0}
        self._shown: dict[str, float] = {}
        self._read_ms = start_ms
        self._faults: dict[str, tuple[str, float, int]] = {}

    # --- what a month asks of it ---

    @property
    def volume_l(self) -> float:
        return self.litres

    def pace(self, step_ms: int) -> None:
        self._step_ms = step_ms

    def advance(self, to_ms: int) -> None:
        while self.time_ms + self._step_ms <= to_ms:
            self._step(self._step_ms / HOUR_MS)
            self.time_ms += self._step_ms

    def truth(self) -> Truth:
        share = 1.0 - self.oxidised / self.dye
        at_25 = equivalent_25c(self.ph, self.temperature_c, self.alkali)
        return Truth(share, self.ph, at_25, self.temperature_c, (self.alkalinity + self.lime) / 1000.0)

    def twin(self) -> LumpedRig:
        other = copy.copy(self)
        other._air = copy.copy(self._air)
        other.pace(60_000 if self.heater_w else 300_000)
        return other

    def befall(self, at_ms: int, mishap: Mishap, amount: float | None = None) -> None:
        match mishap:
            case Mishap.HEATER_STUCK_ON:
                self.stuck = True
            case Mishap.HEATER_STUCK_OFF:
                self.stuck = False
            case Mishap.HEATER_MENDED:
                self.stuck = None
            case Mishap.PLUG_PULLED | Mishap.PLUG_BACK:
                self.plugged = mishap is Mishap.PLUG_BACK
            case Mishap.REDUCTANT_GONE:
                self.reductant *= amount or 0.0
                self.food *= amount or 0.0
            case Mishap.LID_OFF | Mishap.LID_ON:
                self.lid_open = mishap is Mishap.LID_OFF
            case Mishap.COLD_SNAP:
                self.room_shift_c = -(amount or 8.0)
            case Mishap.COLD_SNAP_OVER:
                self.room_shift_c = 0.0
            case Mishap.CO2_CREEP:
                self._lose_alkali(2000.0 * (amount or 0.0))
            case Mishap.WATERED_DOWN:
                self._water(amount or 0.1 * self.litres)
        self._settle_ph()

    def do(self, entry: JournalEntry) -> None:
        grams_l = (entry.grams or 0.0) / self.litres
        match entry.kind:
            case EntryKind.FEED:
                self.reductant += REDUCING_MEQ_G.get(entry.what, 0.0) * grams_l
                self.food += FOOD_MEQ_G.get(entry.what, 0.0) * grams_l
                self.lime += LIME_MEQ_G * grams_l if entry.what == "lime" else 0.0
                self.buffer += CARBONATE_MEQ_G.get(entry.what, 0.0) * grams_l
                self._lose_alkali(-ALKALI_MEQ_G.get(entry.what, 0.0) * grams_l)
                self._stir(0.5)
            case EntryKind.STIR:
                self._stir(entry.minutes or 2.0)
            case EntryKind.DIP:
                # Wet cloth brings air with it: about a quarter of a milligram of oxygen per gram, assumed.
                self._oxygen(0.03 * grams_l)
                self._stir(2.0)
        self._settle_ph()

    def look(self, rng: random.Random) -> str:
        share = min(max(1.0 - self.oxidised / self.dye, 1e-4), 1.0 - 1e-4)
        seen = math.log(share / (1.0 - share)) + self.bias_logit + rng.gauss(0.0, 0.4)
        index = sum(seen > math.log(edge / (1.0 - edge)) for edge in COLOUR_EDGES)
        if rng.random() < 0.06:
            index += rng.choice((-1, 1))
        return COLOURS[min(max(index, 0), len(COLOURS) - 1)]

    def spoil(self, probe: str, how: str, amount: float = 0.0) -> None:
        if how in ("air", "drift", "coated"):
            self._faults[probe] = (how, amount, self._read_ms)
        elif how == "sound" or self._faults.get(probe, ("", 0.0, 0))[0] == "air":
            self._faults.pop(probe, None)

    def read(self, at_ms: int) -> tuple[float, float, float]:
        hours = max(at_ms - self._read_ms, 1) / HOUR_MS
        self._read_ms = at_ms
        keep = math.exp(-hours)
        fresh = math.sqrt(1.0 - keep * keep)
        goals = {
            "ph": self.ph,
            "orp": self._eh_mv() - (207.0 - 0.73 * (self.temperature_c - 25.0)),
            "temperature": self.temperature_c,
        }
        spread = {"ph": (0.012, 0.006, 30.0), "orp": (1.2, 0.6, 100.0), "temperature": (0.05, 0.03, 20.0)}
        in_air = {"ph": 7.4, "orp": 150.0, "temperature": 19.0}
        shown = []
        for name, goal in goals.items():
            how, amount, since_ms = self._faults.get(name, ("", 0.0, 0))
            slow, quick, lag_s = spread[name]
            self._wander[name] = keep * self._wander[name] + self._meters.gauss(0.0, slow) * fresh
            lag_h = (amount if how == "coated" else lag_s) / 3600.0
            if how == "air":
                goal, lag_h = in_air[name] + self._meters.gauss(0.0, 30.0 * quick), 0.01
            before = self._shown.get(name, goal)
            self._shown[name] = before + (goal - before) * (1.0 - math.exp(-hours / lag_h))
            drift = amount * (at_ms - since_ms) / DAY_MS if how == "drift" else 0.0
            shown.append(self._shown[name] + drift + self._wander[name] + self._meters.gauss(0.0, quick))
        return round(shown[0], 2), round(shown[1], 1), round(shown[2], 2)

    # --- the balances ---

    def _step(self, hours: float) -> None:
        self._warm(hours)
        kind = self.kind
        stirring = 20.0 if self.time_ms < self.stirred_until_ms else 1.0
        self._oxygen(self.flux * (6.0 if self.lid_open else 1.0) * stirring * hours)
        arrhenius = math.exp(kind.activation_kj * 1000.0 / GAS * (1.0 / 298.15 - 1.0 / (self.temperature_c + 273.15)))
        if kind.food:
            well = max(0.0, 1.0 - ((self.temperature_c - kind.warm_c) / 14.0) ** 2) * (
                1.0 if self.ph > kind.ph - 1.5 else 0.2
            )
            eaten = min(self.food, 0.25 * self.liveliness * well * self.food / (self.food + 10.0) * hours)
            self.food -= eaten
            self.reductant += eaten * max(0.0, 1.0 - self.reductant / (2.0 * kind.reductant))
            self._lose_alkali(kind.acid * eaten)
            self.liveliness += hours * (0.03 * well * (1.0 - self.liveliness) - 0.004 * (1.0 - well))
        rate = kind.rate_per_h * arrhenius * self.reductant / (self.reductant + 0.15 * kind.reductant)
        # Shrinking particles, semi-implicit: what is left of x after dx/dt = -rate x^(2/3) d^(1/3).
        root = self.oxidised ** (1.0 / 3.0) - rate * self.dye ** (1.0 / 3.0) * hours / 3.0
        done = min(self.oxidised - max(root, 0.0) ** 3, self.reductant)
        self.oxidised = max(self.oxidised - done, 1e-5 * self.dye)
        lost = self.reductant * (1.0 - math.exp(-kind.loss_per_day / 24.0 * hours))
        self.reductant -= done + lost
        self._lose_alkali((kind.acid if not kind.food else 0.0) * (done + lost))
        self._lose_alkali(
            (0.004 if not self.lid_open else 0.02) * hours * min(1.0, self._hydroxide(self.ph) / 2.0 + 0.2)
        )
        self._settle_ph()

    def _oxygen(self, meq_l: float) -> None:
        """Air: most of it to the reductant while there is plenty, the rest to the leuco."""
        to_agent = min(meq_l * self.reductant / (self.reductant + 0.03 * self.kind.reductant), self.reductant)
        self.reductant -= to_agent
        self.oxidised = min(self.oxidised + meq_l - to_agent, self.dye * 0.9999)

    def _lose_alkali(self, meq_l: float) -> None:
        self.alkalinity -= meq_l

    def _hydroxide(self, ph: float) -> float:
        """meq/L; pKw falls with warmth."""
        return float(1000.0 * 10.0 ** (ph - 13.995 + 0.033 * (getattr(self, "temperature_c", 25.0) - 25.0)))

    def _bound(self, ph: float) -> float:
        return float(self.buffer / (1.0 + 10.0 ** (self.kind.buffer_pka - ph)))

    def _settle_ph(self) -> None:
        if self.lime > 0.0:
            # It dissolves up to its solubility, 40 meq/L of hydroxide at 25 °C.
            short = 40.0 - self._hydroxide(self.ph)
            moved = min(max(0.0, short) * 0.2, self.lime)
            self.lime -= moved
            self.alkalinity += moved
        low, high = 4.0, 13.5
        for _ in range(40):
            middle = 0.5 * (low + high)
            if self._hydroxide(middle) + self._bound(middle) < self.alkalinity:
                low = middle
            else:
                high = middle
        self.ph = 0.5 * (low + high)

    def _water(self, litres: float) -> None:
        part = self.litres / (self.litres + litres)
        for name in ("dye", "oxidised", "reductant", "food", "buffer", "lime", "alkalinity"):
            setattr(self, name, getattr(self, name) * part)
        self.temperature_c = self.temperature_c * part + 14.0 * (1.0 - part)
        self.litres += litres
        self._oxygen(1.2 * (1.0 - part))
        self._stir(1.0)

    def _stir(self, minutes: float) -> None:
        self.stirred_until_ms = max(self.stirred_until_ms, self.time_ms + int(minutes * MINUTE_MS))

    def _warm(self, hours: float) -> None:
        keep = math.exp(-hours / 6.0)
        self.room_wander_c = keep * self.room_wander_c + self._air.gauss(0.0, 1.0) * math.sqrt(1.0 - keep * keep)
        day = math.sin(2.0 * math.pi * (self.time_ms / DAY_MS - 0.4))
        room_c = self.room_mean_c + 2.0 * day + self.room_wander_c + self.room_shift_c
        if self.temperature_c < self.set_c - 0.6:
            self.heating = True
        elif self.temperature_c > self.set_c + 0.6:
            self.heating = False
        on = self.kind.heater_w > 0.0 and self.plugged and (self.heating if self.stuck is None else self.stuck)
        capacity = 1.163 * self.litres  # Wh/K
        to_wall = 12.0 * (self.litres / 40.0) ** (2.0 / 3.0)
        to_room = 2.2 * (self.litres / 40.0) ** (2.0 / 3.0) + (2.0 if self.lid_open else 0.0)
        flow = to_wall * (self.temperature_c - self.wall_c) * hours
        self.temperature_c = min(self.temperature_c + ((self.heater_w if on else 0.0) * hours - flow) / capacity, 99.0)
        self.wall_c += (flow - to_room * (self.wall_c - room_c) * hours) / (0.25 * capacity)

    def _eh_mv(self) -> float:
        scale = 1000.0 * GAS * (self.temperature_c + 273.15) / (2.0 * FARADAY)
        left = max(self.oxidised / self.dye, 1e-5)
        half = HALF_MV_AT_PH_11 - MV_PER_PH * (self.ph - 11.0) + self.offset_mv
        couple = half - scale * (math.log(1.0 - left) - SOLID_POWER * math.log(left))
        agent = half - self.kind.pull_mv * self.reductant / (self.reductant + 0.3 * self.kind.reductant)
        # The more negative of the two draws the platinum; near each other they blend over some 10 mV.
        return -10.0 * math.log(math.exp(min(-couple / 10.0, 700.0)) + 0.3 * math.exp(min(-agent / 10.0, 700.0)))
