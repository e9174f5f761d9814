"""A vat with its probes, as the months use it: moved on by time, fed, put through faults, and copied to be left alone.

`Rig` is what a month needs; `RehearsalRig` is the rehearsal's vat behind it, `lumped.LumpedRig` another one. Nothing here
judges.
"""

from __future__ import annotations

import copy
import random
from dataclasses import dataclass, replace
from typing import Protocol

from vatwatch.chemistry.alkali import Alkali, ph_equivalent_25c
from vatwatch.errors import RangeError
from vatwatch.records import JournalEntry
from vatwatch.rehearsal.electrodes import ORP_TRAITS, PH_TRAITS, ProbeSet, probe_set
from vatwatch.rehearsal.liquor import SimulatedVat
from vatwatch.rehearsal.mishaps import Mishap
from vatwatch.rehearsal.recipes import draw_recipe
from vatwatch.vat.recipes import RECIPES, Chemistry

WARMED = {"hydrosulfite", "thiourea-dioxide", "leaf-ash", "woad", "bran-madder"}
TWIN_STEP_MS, UNWARMED_TWIN_STEP_MS = 60_000, 240_000


@dataclass(frozen=True, slots=True)
class Truth:
    """What is really so: share reduced, pH at the liquor's temperature and at 25 °C, °C, alkali left in eq/L."""

    share: float
    ph: float
    ph_25c: float
    temperature_c: float
    alkali_eq_l: float


class Rig(Protocol):
    """A vat and its probes."""

    alkali: Alkali

    @property
    def volume_l(self) -> float: ...

    def advance(self, to_ms: int) -> None: ...

    def truth(self) -> Truth: ...

    def read(self, at_ms: int) -> tuple[float, float, float]:
        """pH, ORP in mV against Ag/AgCl 3 M KCl, °C, as the meters show them."""
        ...

    def do(self, entry: JournalEntry) -> None: ...

    def befall(self, at_ms: int, mishap: Mishap, amount: float | None = None) -> None: ...

    def look(self, rng: random.Random) -> str: ...

    def pace(self, step_ms: int) -> None:
        """How finely the truth moves on."""
        ...

    def twin(self) -> Rig:
        """The same vat as it stands, to be left alone and watched."""
        ...

    def spoil(self, probe: str, how: str, amount: float = 0.0) -> None:
        """`probe`: ph, orp, temperature; `how`: air, drift (units a day), coated (lag in s), sound."""
        ...


def equivalent_25c(ph: float, temperature_c: float, alkali: Alkali) -> float:
    try:
        return ph_equivalent_25c(ph, temperature_c, alkali)
    except RangeError:
        return ph


class RehearsalRig:
    """The rehearsal's vat and electrodes. Its heater is drawn stronger than the recipe's, up to 1 °C a minute."""

    def __init__(self, chemistry: str, seed: int, start_ms: int, step_ms: int) -> None:
        rng = random.Random(f"rig/{chemistry}/{seed}")
        recipe = draw_recipe(seed, chemistry)
        if recipe.heater_w:
            recipe = replace(recipe, heater_w=recipe.heater_w * rng.uniform(1.0, 4.0))
        self.vat = SimulatedVat(recipe, seed, start_ms, step_ms)
        self.probes: ProbeSet = probe_set(f"judgement/{chemistry}/{seed}", "agcl_3m_kcl")
        self.alkali = RECIPES[Chemistry(chemistry)].alkali

    @property
    def volume_l(self) -> float:
        return self.vat.mixture.volume_l

    def advance(self, to_ms: int) -> None:
        self.vat.advance(to_ms)

    def truth(self) -> Truth:
        now = self.vat.truth()
        at_25 = equivalent_25c(now.ph, now.temperature_c, self.alkali)
        return Truth(now.leuco_share, now.ph, at_25, now.temperature_c, now.alkali)

    def read(self, at_ms: int) -> tuple[float, float, float]:
        return self.probes.read(at_ms, self.vat.truth())

    def do(self, entry: JournalEntry) -> None:
        self.vat.apply(entry)

    def befall(self, at_ms: int, mishap: Mishap, amount: float | None = None) -> None:
        self.vat.befall(at_ms, mishap, amount)
        if mishap is Mishap.REDUCTANT_GONE:
            # What the bacteria of a fermenting vat live on is gone with it; else they make it anew within hours.
            self.vat.mixture.food *= amount or 0.0

    def look(self, rng: random.Random) -> str:
        return self.vat.what_a_dyer_sees(rng)

    def twin(self) -> RehearsalRig:
        other = copy.copy(self)
        other.vat = copy.deepcopy(self.vat)
        # Nothing quick happens to a vat left alone (but for its thermostat): coarse steps, for the sake of the months.
        other.pace(TWIN_STEP_MS if self.vat.recipe.heater_w else UNWARMED_TWIN_STEP_MS)
        return other

    def pace(self, step_ms: int) -> None:
        self.vat._step_ms = step_ms

    def spoil(self, probe: str, how: str, amount: float = 0.0) -> None:
        one = {"ph": self.probes.ph, "orp": self.probes.orp, "temperature": self.probes.temperature}[probe]
        match how:
            case "air":
                one.in_air = True
            case "drift":
                one._first_ms = None  # it drifts from now on
                one.disturb(drift_per_day=amount)
            case "coated":
                one.disturb(lag_s=amount)
            case _:
                one.in_air = False
                sound = {"ph": PH_TRAITS, "orp": ORP_TRAITS}.get(probe)
                one.disturb(drift_per_day=0.0, lag_s=15.0 if sound is None else sound.lag_s)
