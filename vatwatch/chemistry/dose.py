"""How many grams of alkali bring a known volume to a pH, and how much CO2 a liquor has already taken up.

Arithmetic on the equilibria of `liquor`, not advice: this module does not know whether a dose is wise, and a
real vat also holds acids of fermentation, sugars and leuco-indigo that take alkali of their own. A caller
gives ranges, says "start with half", and shows the cautions (caustic burns: goggles and gloves, alkali into
water, never water onto it).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from vatwatch.chemistry.alkali import MOLAR_MASS_G_MOL, WATER_KG_PER_L, Alkali, alkali_liquor
from vatwatch.chemistry.liquor import Liquor, WarmStart, liquor_ph, settle
from vatwatch.chemistry.ranges import require_range
from vatwatch.errors import RangeError

VOLUME_RANGE_L: Final = (0.01, 100_000.0)
TARGET_RANGE: Final = (7.0, 14.0)
MOST_ADDED_MOL_KG: Final = 1.0
MOST_FREE_CO2_MOL_KG: Final = 0.035
"""CO2 that water holds under one atmosphere of the gas at 25 °C (Plummer & Busenberg 1982, log KH = −1.468): more
cannot come from air or fermentation.
"""

_SOURCE: Final = "the alkali model"


def with_alkali(liquor: Liquor, alkali: Alkali, added_mol_kg: float) -> Liquor:
    """The liquor after some mol of an alkali per kg of water (0–1) have been added.

    Raises:
        RangeError: an amount outside 0…1 mol/kg, not finite, or a liquor that grows too strong.
    """
    mol = require_range(added_mol_kg, 0.0, MOST_ADDED_MOL_KG, f"{alkali} added", "mol/kg", _SOURCE)
    if alkali is Alkali.LIME:
        return Liquor(liquor.sodium, liquor.potassium, liquor.lime + mol, liquor.carbon)
    if alkali is Alkali.CAUSTIC_SODA:
        return Liquor(liquor.sodium + mol, liquor.potassium, liquor.lime, liquor.carbon)
    if alkali is Alkali.SODA_ASH:
        return Liquor(liquor.sodium + 2.0 * mol, liquor.potassium, liquor.lime, liquor.carbon + mol)
    return Liquor(liquor.sodium, liquor.potassium + 2.0 * mol, liquor.lime, liquor.carbon + mol)


def _rising_root(function: Callable[[float], float], low: float, high: float) -> float:
    """Root of a function that rises from below 0 at `low` to 0 or above at `high`: Illinois form, to 1e-9 of
    `high`.
    """
    f_low, f_high = function(low), function(high)
    side = 0
    for _ in range(200):
        if high - low < 1e-9 * high or f_high == 0.0:
            break
        middle = low - f_low * (high - low) / (f_high - f_low)
        if not low < middle < high:
            middle = 0.5 * (low + high)
        f_middle = function(middle)
        if f_middle < 0.0:
            low, f_low = middle, f_middle
            if side == -1:
                f_high *= 0.5
            side = -1
        else:
            high, f_high = middle, f_middle
            if side == 1:
                f_low *= 0.5
            side = 1
    return high


def mol_to_reach_ph(liquor: Liquor, alkali: Alkali, ph_target: float, temperature_c: float) -> float:
    """Mol of an alkali per kg of water that bring a liquor to a pH at its temperature; 0 if it is there
    already.

    The smallest such amount. Range pH 7–14, 0–60 °C, up to 1 mol/kg.

    Raises:
        RangeError: an input outside its range, or a pH this alkali cannot bring that liquor to.
    """
    target = require_range(ph_target, *TARGET_RANGE, "pH wanted", "", _SOURCE)
    warm: WarmStart | None = None

    def short_of(mol: float) -> float:
        nonlocal warm
        settled, warm = settle(with_alkali(liquor, alkali, mol), temperature_c, warm)
        return settled.ph - target

    if short_of(0.0) >= 0.0:
        return 0.0
    low, high = 0.0, 1e-5
    best = -1e9
    while True:
        lacking = short_of(high)
        if lacking >= 0.0:
            return _rising_root(short_of, low, high)
        best = max(best, lacking)
        if high >= MOST_ADDED_MOL_KG:
            raise RangeError(
                f"{alkali} alone does not bring this liquor to pH {target:.2f} at {temperature_c:g} °C; "
                f"it ends at about {target + best:.2f}. Choose a lower pH or a stronger alkali"
            )
        low, high = high, min(2.0 * high, MOST_ADDED_MOL_KG)


def grams_to_reach_ph(liquor: Liquor, alkali: Alkali, ph_target: float, volume_l: float, temperature_c: float) -> float:
    """Grams of a pure, water-free alkali that bring a volume of liquor to a pH at its temperature.

    Range 0.01–100 000 L, pH 7–14, 0–60 °C. Lime that turns into chalk on the way is counted.

    Raises:
        RangeError: an input outside its range, or a pH this alkali cannot bring that liquor to.
    """
    volume = require_range(volume_l, *VOLUME_RANGE_L, "volume", "L", _SOURCE)
    mol = mol_to_reach_ph(liquor, alkali, ph_target, temperature_c)
    return mol * MOLAR_MASS_G_MOL[alkali] * volume * WATER_KG_PER_L


def carbon_from_ph(liquor: Liquor, ph: float, temperature_c: float) -> Liquor:
    """The liquor with as much more carbon as explains a measured pH: how much CO2 it has taken up.

    Range pH 7–14, 0–60 °C. With no more carbon than the given liquor holds, pH is at its highest.

    Raises:
        RangeError: an input outside its range, a pH above what the given alkali can show, or one so low that CO2
            alone cannot explain it.
    """
    shown = require_range(ph, *TARGET_RANGE, "pH", "", _SOURCE)
    fresh = liquor_ph(liquor, temperature_c)
    if shown > fresh + 0.005:
        raise RangeError(
            f"pH {shown:.2f} is more than the alkali given can show ({fresh:.2f} at {temperature_c:g} °C). "
            "Check the probe, or write down the alkali that was added"
        )
    if shown >= fresh:
        return liquor
    equivalents = liquor.sodium + liquor.potassium + 2.0 * liquor.lime

    def fallen(extra: float) -> float:
        return shown - liquor_ph(liquor.with_carbon(liquor.carbon + extra), temperature_c)

    most = equivalents - liquor.carbon + MOST_FREE_CO2_MOL_KG
    if fallen(most) < 0.0:
        raise RangeError(f"pH {shown:.2f} is less than CO2 alone can bring this liquor to; an acid is at work")
    return liquor.with_carbon(liquor.carbon + _rising_root(fallen, 0.0, most))


def co2_taken_up_mmol_l(alkali: Alkali, strength_g_l: float, ph: float, temperature_c: float) -> float:
    """CO2 in mmol/L that a liquor of known strength must have taken up to show a pH.

    Range 0–80 g/L, pH 7–14, 0–60 °C.

    Raises:
        RangeError: an input outside its range, or a pH above what the alkali can show.
    """
    fresh = alkali_liquor(alkali, strength_g_l)
    taken = carbon_from_ph(fresh, ph, temperature_c).carbon - fresh.carbon
    return taken * 1000.0 * WATER_KG_PER_L


def grams_to_raise_ph(
    in_vat: Alkali,
    strength_g_l: float,
    ph_now: float,
    ph_target: float,
    volume_l: float,
    temperature_c: float,
    add: Alkali | None = None,
) -> float:
    """Grams of `add` (default: the vat's own alkali) from a measured pH to a wanted one, both at the vat's
    temperature.

    `strength_g_l` is what has gone into the vat so far; the CO2 it has taken up is read off `ph_now`. Ranges
    as `grams_to_reach_ph`.

    Raises:
        RangeError: an input outside its range, or a pH that cannot be reached.
    """
    liquor = carbon_from_ph(alkali_liquor(in_vat, strength_g_l), ph_now, temperature_c)
    return grams_to_reach_ph(liquor, in_vat if add is None else add, ph_target, volume_l, temperature_c)
