"""The four alkalis of the indigo vat: their pH by strength, CO2 taken up and temperature, and what warmth
alone does.

A vat of fixed alkali falls 0.4 to 0.75 pH from 25 to 50 °C with nothing wrong, so a pH is compared at one
temperature. The equilibria are in `liquor`; this module turns grams per litre into them and keeps small
tables for use on every scan. It gives no doses (`dose` does) and knows no vat.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable
from enum import StrEnum
from functools import lru_cache
from itertools import pairwise
from typing import Final

from vatwatch.chemistry.liquor import Liquor, WarmStart, liquor_ph, settle
from vatwatch.chemistry.ranges import require_range
from vatwatch.errors import RangeError


class Alkali(StrEnum):
    """What keeps a vat alkaline. Potash is the carbonate of wood-ash lye."""

    LIME = "lime"
    SODA_ASH = "soda-ash"
    CAUSTIC_SODA = "caustic-soda"
    POTASH = "potash"


MOLAR_MASS_G_MOL: Final = {
    Alkali.LIME: 74.092,
    Alkali.SODA_ASH: 105.988,
    Alkali.CAUSTIC_SODA: 39.997,
    Alkali.POTASH: 138.205,
}
"""Ca(OH)2, Na2CO3 (water-free), NaOH, K2CO3; IUPAC abridged atomic weights 2021."""

MOLAR_MASS_WASHING_SODA_G_MOL: Final = 286.141
"""Na2CO3·10 H2O, sold as washing soda: 2.70 g of it stand for 1 g of soda ash."""

WATER_KG_PER_L: Final = 0.998
"""Water as a vat is filled, at about 20 °C (Kell 1975). The dissolved alkali's own volume is neglected."""

PH_RANGE: Final = (7.0, 14.0)
TEMPERATURE_RANGE_C: Final = (0.0, 60.0)
STRENGTH_RANGE_G_L: Final = (0.01, 80.0)

_SOURCE: Final = "the alkali model"
_NODES_C: Final = tuple(5.0 * i for i in range(13))
_NODE_25C: Final = 5
# Below this strength a real liquor of that alkali owes its pH to the air's CO2, not to being so thin.
_THINNEST_G_L: Final = {
    Alkali.LIME: 0.1,
    Alkali.SODA_ASH: 0.5,
    Alkali.CAUSTIC_SODA: 0.1,
    Alkali.POTASH: 0.5,
}
_STRONGEST_G_L: Final = {
    Alkali.LIME: 1.7,
    Alkali.SODA_ASH: 80.0,
    Alkali.CAUSTIC_SODA: 80.0,
    Alkali.POTASH: 80.0,
}


def alkali_liquor(alkali: Alkali, strength_g_l: float, co2_mmol_l: float = 0.0) -> Liquor:
    """What `strength_g_l` grams of one alkali per litre of water come to, with CO2 taken up from the air
    (mmol/L).

    Range 0–80 g/L, 0–1000 mmol/L of CO2. Grams are of the pure, water-free substance.

    Raises:
        RangeError: an input outside its range or not finite.
    """
    grams = require_range(strength_g_l, 0.0, STRENGTH_RANGE_G_L[1], f"strength of {alkali}", "g/L", _SOURCE)
    taken = require_range(co2_mmol_l, 0.0, 1000.0, "CO2 taken up", "mmol/L", _SOURCE) / (1000.0 * WATER_KG_PER_L)
    mol = grams / (MOLAR_MASS_G_MOL[alkali] * WATER_KG_PER_L)
    if alkali is Alkali.LIME:
        return Liquor(lime=mol, carbon=taken)
    if alkali is Alkali.CAUSTIC_SODA:
        return Liquor(sodium=mol, carbon=taken)
    if alkali is Alkali.SODA_ASH:
        return Liquor(sodium=2.0 * mol, carbon=mol + taken)
    return Liquor(potassium=2.0 * mol, carbon=mol + taken)


def alkali_ph(alkali: Alkali, strength_g_l: float, temperature_c: float, co2_mmol_l: float = 0.0) -> float:
    """PH of one alkali in water. Range 0–80 g/L, 0–60 °C, 0–1000 mmol/L of CO2 taken up.

    Lime beyond its solubility lies at the bottom and keeps the pH up; CO2 turns lime into chalk. Sources:
    `liquor`.

    Raises:
        RangeError: an input outside its range or not finite.
    """
    return liquor_ph(alkali_liquor(alkali, strength_g_l, co2_mmol_l), temperature_c)


def lime_solubility_g_l(temperature_c: float) -> float:
    """Slaked lime that dissolves in pure water, g per litre, 0–60 °C; falls as the water warms.

    The pH of the saturated solution is right within 0.01 (see `aqueous_constants.pk_lime`); the dissolved
    amount is right within about 0.2 g/L only, and its fall with warmth is understated.

    Raises:
        RangeError: temperature outside 0…60 °C or not finite.
    """
    settled, _ = settle(Liquor(lime=0.1), temperature_c)
    return settled.calcium * MOLAR_MASS_G_MOL[Alkali.LIME] * WATER_KG_PER_L


def _route(alkali: Alkali, base_g_l: float) -> tuple[Callable[[float], Liquor], ...]:
    """Three stretches of rising pH, each a liquor by a position 0…1.

    CO2 leaves the base strength, then more of the alkali is added, then caustic beyond what the alkali itself
    can do.
    """
    base = alkali_liquor(alkali, base_g_l)
    equivalents = base.sodium + base.potassium + 2.0 * base.lime
    most_carbon = 1.5 * equivalents
    top_g_l = max(_STRONGEST_G_L[alkali], base_g_l)
    top = alkali_liquor(alkali, top_g_l)

    def losing_co2(position: float) -> Liquor:
        return base.with_carbon(most_carbon + (base.carbon - most_carbon) * position)

    def stronger(position: float) -> Liquor:
        return alkali_liquor(alkali, base_g_l * (top_g_l / base_g_l) ** position)

    def with_caustic(position: float) -> Liquor:
        extra = 2.0 * position**3
        if alkali is Alkali.POTASH:
            return Liquor(top.sodium, top.potassium + extra, top.lime, top.carbon)
        return Liquor(top.sodium + extra, top.potassium, top.lime, top.carbon)

    if alkali is Alkali.CAUSTIC_SODA:
        return losing_co2, stronger
    return losing_co2, stronger, with_caustic


def _positions(stretch: Callable[[float], Liquor]) -> list[float]:
    """Positions along one stretch such that pH at 25 °C moves by less than 0.12 between neighbours."""
    found = {p: liquor_ph(stretch(p), 25.0) for p in (0.0, 0.5, 1.0)}
    for _ in range(14):
        ordered = sorted(found)
        wide = [0.5 * (a + b) for a, b in pairwise(ordered) if abs(found[b] - found[a]) > 0.12]
        if not wide:
            break
        found.update({p: liquor_ph(stretch(p), 25.0) for p in wide})
    return sorted(found)


@lru_cache(maxsize=32)
def _table(alkali: Alkali, base_g_l: float) -> tuple[tuple[float, ...], ...]:
    """PH of one alkali's route: a row per liquor, in order of rising pH, a column per 5 °C from 0 to 60."""
    rows: list[tuple[float, ...]] = []
    for stretch in _route(alkali, base_g_l):
        for position in _positions(stretch):
            liquor = stretch(position)
            row: list[float] = []
            warm: WarmStart | None = None
            for node in _NODES_C:
                settled, warm = settle(liquor, node, warm)
                row.append(settled.ph)
            # A plateau (undissolved lime) or a seam between stretches must not step back by a rounding error.
            rows.append(tuple(map(max, row, rows[-1])) if rows else tuple(row))
    return tuple(rows)


def _weights(t: float) -> tuple[int, tuple[float, float, float, float]]:
    """First column and the weights of the cubic through the four columns around a temperature."""
    start = min(max(int(t / 5.0) - 1, 0), len(_NODES_C) - 4)
    u = t / 5.0 - start
    a, b, c = u - 1.0, u - 2.0, u - 3.0
    return start, (-a * b * c / 6.0, u * b * c / 2.0, -u * a * c / 2.0, u * a * b / 6.0)


def _carry(ph: float, from_c: float, to_c: float, alkali: Alkali, strength_g_l: float | None) -> float:
    """The pH at `to_c` of the liquor on the alkali's route that shows `ph` at `from_c`."""
    value = require_range(ph, *PH_RANGE, "pH", "", _SOURCE)
    require_range(from_c, *TEMPERATURE_RANGE_C, "temperature", "°C", _SOURCE)
    require_range(to_c, *TEMPERATURE_RANGE_C, "temperature", "°C", _SOURCE)
    base = _THINNEST_G_L[alkali]
    if strength_g_l is not None:
        base = float(f"{require_range(strength_g_l, *STRENGTH_RANGE_G_L, 'strength', 'g/L', _SOURCE):.2g}")
    rows = _table(alkali, base)
    i, (p, q, r, s) = _weights(from_c)

    def at(row: tuple[float, ...]) -> float:
        return p * row[i] + q * row[i + 1] + r * row[i + 2] + s * row[i + 3]

    above = bisect_left(rows, value, key=at)
    if above == len(rows) or (above == 0 and at(rows[0]) > value):
        raise RangeError(
            f"pH {value:.2f} at {from_c:g} °C is beyond what {alkali}, with CO2 or caustic added, "
            f"can give, {at(rows[0]):.2f} to {at(rows[-1]):.2f}. Check the probe and the alkali set for this vat"
        )
    below = max(above - 1, 0)
    low, high = at(rows[below]), at(rows[above])
    share = (value - low) / (high - low) if high > low else 1.0
    i, (p, q, r, s) = _weights(to_c)
    low, high = at(rows[below]), at(rows[above])
    return low + (high - low) * share


def ph_equivalent_25c(ph: float, temperature_c: float, alkali: Alkali, strength_g_l: float | None = None) -> float:
    """The pH the same liquor would show at 25 °C. Range pH 7–14 as far as the alkali can give it, 0–60 °C.

    Which liquor it is: with `strength_g_l` (0.01–80, rounded to two figures) that strength, with CO2 taken up
    where the pH is lower and more alkali where it is higher. Without it the alkali alone, down to 0.1 g/L of
    lime or caustic soda or 0.5 g/L of soda ash or potash, and with CO2 below that. A pH higher than the
    alkali can give is put down to caustic soda (for potash: caustic potash). Above 25 °C a lime liquor just
    short of saturation and one with lime at the bottom read the same, and their equivalents differ by up to
    0.1.

    The first call for an alkali and strength builds a table (about 0.2 s); later calls take some 10 µs.

    Raises:
        RangeError: an input outside its range or not finite, or a pH the alkali cannot give at that
        temperature.
    """
    return _carry(ph, temperature_c, 25.0, alkali, strength_g_l)


def ph_at_temperature(ph_25c: float, temperature_c: float, alkali: Alkali, strength_g_l: float | None = None) -> float:
    """The pH at a temperature of a liquor that shows `ph_25c` at 25 °C: the inverse of `ph_equivalent_25c`.

    Raises:
        RangeError: an input outside its range or not finite, or a pH the alkali cannot give.
    """
    return _carry(ph_25c, 25.0, temperature_c, alkali, strength_g_l)


def warm_up(alkali: Alkali, strength_g_l: float | None = None) -> None:
    """Build an alkali's table now, so that the first scan does not wait for it.

    Raises:
        RangeError: strength outside 0.01…80 g/L or not finite.
    """
    ph_equivalent_25c(11.0, 25.0, alkali, strength_g_l)
