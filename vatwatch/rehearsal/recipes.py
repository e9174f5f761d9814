"""How a simulated vat is set up: its recipe by chemistry, and random ones for scoring. No physics, no clock."""

from __future__ import annotations

import random
from dataclasses import dataclass, replace

from vatwatch.errors import VatwatchError
from vatwatch.rehearsal import reductants as agents
from vatwatch.rehearsal.couple import E7_PRIOR_SIGMA_MV
from vatwatch.rehearsal.reductants import Reductant

DAY_MS = 86_400_000
HOUR_MS = 3_600_000


class UnknownChemistry(VatwatchError):
    """A chemistry id the rehearsal has no recipe for."""


@dataclass(frozen=True, slots=True)
class VatRecipe:
    """Everything that fixes a simulated vat at its start. Units in the names; shares are 0–1.

    `start_ph` is the pH at `start_temperature_c`; it is overruled when `lime_solid_g_l` is above zero, because solid
    lime sets the pH itself. `calcium_share` is the part of the starting alkali that came as lime. `room_warmest_ms`
    is the time of day (ms after 00:00 UTC) at which the room is warmest. `surface_renewal_m_s` is the film coefficient
    kL of the open, resting surface and `lid_leak_share` what is left of it under the lid.
    """

    chemistry: str
    reductant: Reductant
    volume_l: float = 40.0
    surface_m2: float = 0.12
    indigo_g_l: float = 1.0
    start_share: float = 0.97
    reductant_mol_l: float = 0.006
    start_ph: float = 11.0
    start_temperature_c: float = 25.0
    carbonate_mol_l: float = 0.0
    lime_solid_g_l: float = 0.0
    calcium_share: float = 0.0
    weak_acid_mol_l: float = 0.004
    weak_acid_pka: float = 10.4
    salt_mol_l: float = 0.01
    food_mol_l: float = 0.0
    activity: float = 0.0
    lid_open: bool = False
    surface_renewal_m_s: float = 1.2e-5
    lid_leak_share: float = 0.15
    settle_tau_s: float = 600.0
    heat_loss_w_per_k: float = 1.5
    lid_open_loss_w_per_k: float = 2.5
    heater_w: float = 0.0
    setpoint_c: float | None = None
    hysteresis_c: float = 1.0
    room_mean_c: float = 19.0
    room_swing_c: float = 2.5
    room_warmest_ms: int = 15 * HOUR_MS
    e7_offset_mv: float = 0.0


_DEFAULTS = {
    "hydrosulfite": VatRecipe(
        "hydrosulfite", agents.DITHIONITE, volume_l=30.0, start_share=0.995, reductant_mol_l=0.008,
        start_ph=11.0, start_temperature_c=40.0, carbonate_mol_l=0.02, heater_w=400.0, setpoint_c=40.0,
    ),
    "thiourea-dioxide": VatRecipe(
        "thiourea-dioxide", agents.THIOUREA_DIOXIDE, volume_l=30.0, start_share=0.99, reductant_mol_l=0.006,
        start_ph=11.3, start_temperature_c=45.0, carbonate_mol_l=0.03, heater_w=400.0, setpoint_c=45.0,
    ),
    "fructose-lime": VatRecipe(
        "fructose-lime", agents.FRUCTOSE, start_share=0.97, reductant_mol_l=0.010, start_ph=11.3,
        start_temperature_c=34.0, calcium_share=0.8, weak_acid_mol_l=0.02, weak_acid_pka=10.7,
        room_mean_c=22.0,
    ),
    "iron-lime": VatRecipe(
        "iron-lime", agents.IRON, start_share=0.97, reductant_mol_l=0.020, start_temperature_c=22.0,
        start_ph=11.6, calcium_share=1.0, room_mean_c=21.0,
    ),
    "zinc-lime": VatRecipe(
        "zinc-lime", agents.ZINC, start_share=0.97, reductant_mol_l=0.025, start_temperature_c=24.0,
        start_ph=12.0, calcium_share=1.0, room_mean_c=22.0,
    ),
    "leaf-ash": VatRecipe(
        "leaf-ash", agents.LEAF_BACTERIA, volume_l=80.0, surface_m2=0.2, start_share=0.95,
        reductant_mol_l=0.002, start_ph=10.6, start_temperature_c=27.0, carbonate_mol_l=0.03,
        food_mol_l=0.02, activity=0.8, heater_w=60.0, setpoint_c=27.0, weak_acid_mol_l=0.01,
    ),
    "woad": VatRecipe(
        "woad", agents.WOAD_BACTERIA, volume_l=80.0, surface_m2=0.2, start_share=0.95, reductant_mol_l=0.002,
        start_ph=9.1, start_temperature_c=48.0, carbonate_mol_l=0.04, food_mol_l=0.03, activity=0.8,
        heater_w=250.0, setpoint_c=48.0, weak_acid_mol_l=0.01, weak_acid_pka=9.5,
    ),
    "bran-madder": VatRecipe(
        "bran-madder", agents.BRAN_BACTERIA, volume_l=50.0, start_share=0.95, reductant_mol_l=0.002,
        start_ph=9.7, start_temperature_c=38.0, carbonate_mol_l=0.04, food_mol_l=0.03, activity=0.8,
        heater_w=150.0, setpoint_c=38.0, weak_acid_mol_l=0.01, weak_acid_pka=9.7,
    ),
}  # fmt: skip
CHEMISTRIES = tuple(_DEFAULTS)


def default_recipe(chemistry: str) -> VatRecipe:
    """A sound vat of this chemistry. Raises `UnknownChemistry` with the ids that exist."""
    found = _DEFAULTS.get(chemistry)
    if found is None:
        raise UnknownChemistry(f'no rehearsal recipe for "{chemistry}"; there are: {", ".join(CHEMISTRIES)}')
    return found


def draw_recipe(seed: int, chemistry: str) -> VatRecipe:
    """A random vat of this chemistry for scoring; the same seed always draws the same one.

    The half-reduced potential's offset comes from the prior N(0, 50 mV); the other spreads are judgement. The state of
    reduction is drawn wide (from a vat hardly begun to a sharp one), so that scoring sees the whole range.
    """
    base = default_recipe(chemistry)
    rng = random.Random(f"{seed}/{chemistry}")
    offset = rng.gauss(0.0, E7_PRIOR_SIGMA_MV)
    volume = base.volume_l * rng.lognormvariate(0.0, 0.35)
    strength = rng.lognormvariate(-0.3, 0.8)
    logit = rng.gauss(2.6, 1.6)
    swing = rng.gauss(0.0, 1.5)
    setpoint = None if base.setpoint_c is None else base.setpoint_c + swing
    return replace(
        base,
        e7_offset_mv=offset,
        volume_l=volume,
        surface_m2=base.surface_m2 * (volume / base.volume_l) ** (2.0 / 3.0),
        heat_loss_w_per_k=base.heat_loss_w_per_k * (volume / base.volume_l) ** (2.0 / 3.0),
        indigo_g_l=base.indigo_g_l * rng.lognormvariate(0.0, 0.5),
        start_share=1.0 / (1.0 + 2.718281828459045**-logit),
        reductant_mol_l=base.reductant_mol_l * strength,
        start_ph=base.start_ph + rng.gauss(0.0, 0.25),
        start_temperature_c=base.start_temperature_c + swing,
        setpoint_c=setpoint,
        # one lime vat in four rests on undissolved lime, which holds its pH and then is gone
        lime_solid_g_l=rng.lognormvariate(0.0, 0.7) if base.calcium_share and rng.random() < 0.25 else 0.0,
        food_mol_l=base.food_mol_l * rng.lognormvariate(0.0, 0.5),
        surface_renewal_m_s=base.surface_renewal_m_s * rng.lognormvariate(0.0, 0.4),
        lid_open=rng.random() < 0.2,
        room_mean_c=base.room_mean_c + rng.gauss(0.0, 2.0),
        room_swing_c=base.room_swing_c * rng.uniform(0.4, 1.8),
    )
