"""What oxygen and indigo cost in reductant: stoichiometry, nothing more.

Sodium dithionite: Na2S2O4 + O2 + 2 NaOH → Na2SO3 + Na2SO4 + H2O (European Chemicals Agency, registration
dossier of sodium dithionite), and C16H10N2O2 + Na2S2O4 + 4 NaOH → Na2(leuco) + 2 Na2SO3 + 2 H2O (the textbook
vatting equation). Zinc and iron(II) give two electrons and one; oxygen takes four and indigo two. Real vats
use more: side reactions, air at the surface, and a dithionite that ages. How fast alkaline dithionite decays
by heat is not known well enough to reckon with and is left out. This module must not advise. Dithionite: keep
it dry, away from acids; it self-heats.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Final

from vatwatch.chemistry.indigo import MOLAR_MASS_INDIGO_G_MOL
from vatwatch.chemistry.oxygen import oxygen_saturation_mg_l
from vatwatch.chemistry.ranges import require_range

MOLAR_MASS_OXYGEN_G_MOL: Final = 31.998
MOLAR_MASS_CAUSTIC_SODA_G_MOL: Final = 39.997
ELECTRONS_PER_OXYGEN: Final = 4
ELECTRONS_PER_INDIGO: Final = 2

_SOURCE: Final = "the stoichiometry of a vat"


class Reductant(StrEnum):
    """Reductants whose stoichiometry is known. Sugars, bran and bacteria have none that can be reckoned."""

    DITHIONITE = "dithionite"
    ZINC = "zinc"
    IRON_SULPHATE = "iron-sulphate"


MOLAR_MASS_G_MOL: Final = {
    Reductant.DITHIONITE: 174.097,
    Reductant.ZINC: 65.38,
    Reductant.IRON_SULPHATE: 278.01,
}
"""Na2S2O4, Zn, FeSO4·7 H2O; IUPAC abridged atomic weights 2021."""

# Moles needed per mole of O2 and per mole of indigo.
_PER_OXYGEN: Final = {Reductant.DITHIONITE: 1.0, Reductant.ZINC: 2.0, Reductant.IRON_SULPHATE: 4.0}
_PER_INDIGO: Final = {Reductant.DITHIONITE: 1.0, Reductant.ZINC: 1.0, Reductant.IRON_SULPHATE: 2.0}


def reductant_g_for_oxygen(oxygen_g: float, reductant: Reductant = Reductant.DITHIONITE) -> float:
    """Grams of pure reductant that take up so many grams of oxygen (0–1e6); dithionite 5.44 g per g.

    Raises:
        RangeError: an amount outside its range or not finite.
    """
    mol = require_range(oxygen_g, 0.0, 1e6, "oxygen", "g", _SOURCE) / MOLAR_MASS_OXYGEN_G_MOL
    return mol * _PER_OXYGEN[reductant] * MOLAR_MASS_G_MOL[reductant]


def caustic_g_for_oxygen(oxygen_g: float) -> float:
    """Grams of caustic soda that dithionite uses while it takes up so many grams of oxygen (0–1e6); 2.50 g
    per g.

    Raises:
        RangeError: an amount outside its range or not finite.
    """
    mol = require_range(oxygen_g, 0.0, 1e6, "oxygen", "g", _SOURCE) / MOLAR_MASS_OXYGEN_G_MOL
    return mol * 2.0 * MOLAR_MASS_CAUSTIC_SODA_G_MOL


def reductant_g_for_indigo(indigo_g: float, reductant: Reductant = Reductant.DITHIONITE) -> float:
    """Grams of pure reductant that reduce so many grams of pure indigo (0–1e6); dithionite 0.664 g per g.

    Raises:
        RangeError: an amount outside its range or not finite.
    """
    mol = require_range(indigo_g, 0.0, 1e6, "indigo", "g", _SOURCE) / MOLAR_MASS_INDIGO_G_MOL
    return mol * _PER_INDIGO[reductant] * MOLAR_MASS_G_MOL[reductant]


def caustic_g_for_indigo(indigo_g: float) -> float:
    """Grams of caustic soda that vatting so many grams of pure indigo with dithionite uses (0–1e6); 0.610 g
    per g.

    Raises:
        RangeError: an amount outside its range or not finite.
    """
    mol = require_range(indigo_g, 0.0, 1e6, "indigo", "g", _SOURCE) / MOLAR_MASS_INDIGO_G_MOL
    return mol * 4.0 * MOLAR_MASS_CAUSTIC_SODA_G_MOL


def oxygen_g_in_air_saturated_water(volume_l: float, temperature_c: float) -> float:
    """Grams of oxygen in a volume of air-saturated fresh water (0–100 000 L, 0–60 °C): a top-up, or a vat
    beaten full.

    Above 40 °C the saturation equation is used beyond its fit (see `oxygen_saturation_mg_l`).

    Raises:
        RangeError: an input outside its range or not finite.
    """
    volume = require_range(volume_l, 0.0, 100_000.0, "volume", "L", _SOURCE)
    return 1e-3 * volume * oxygen_saturation_mg_l(temperature_c, extended=True)


def indigo_g_oxidised_by(oxygen_g: float) -> float:
    """Grams of leuco-indigo (as indigo) that so many grams of oxygen (0–1e6) turn back to blue; 16.4 g per g.

    2 leuco + O2 → 2 indigo + 2 H2O: four electrons per oxygen, two per indigo. With no other reductant left.

    Raises:
        RangeError: an amount outside its range or not finite.
    """
    mol = require_range(oxygen_g, 0.0, 1e6, "oxygen", "g", _SOURCE) / MOLAR_MASS_OXYGEN_G_MOL
    return mol * ELECTRONS_PER_OXYGEN / ELECTRONS_PER_INDIGO * MOLAR_MASS_INDIGO_G_MOL
