"""What a dyer may put into a vat, by name, and what it adds per gram. Numbers only, no state."""

from __future__ import annotations

from dataclasses import dataclass

from vatwatch.errors import VatwatchError


class UnknownSubstance(VatwatchError):
    """A feed names something the rehearsal does not know."""


@dataclass(frozen=True, slots=True)
class Substance:
    """Molar mass in g/mol, share of it that is the active thing, and what one mol adds to the liquor.

    `alkali_eq` counts strong alkali (negative: acid), `carbonate_mol` dissolved carbonate, `lime_mol` Ca(OH)2 (which
    brings its own alkali as it dissolves), `salt_mol` ions that only matter for the ionic strength.
    """

    molar_mass: float
    share: float = 1.0
    reductant: str = ""
    alkali_eq: float = 0.0
    carbonate_mol: float = 0.0
    lime_mol: float = 0.0
    food_mol: float = 0.0
    indigo_mol: float = 0.0
    salt_mol: float = 0.0


# Molar masses are arithmetic; purities are what shops sell ("common practice, no source").
_SUBSTANCES = {
    "hydrosulfite": Substance(174.11, 0.88, reductant="dithionite", salt_mol=1.5),
    "thiourea dioxide": Substance(108.12, 0.98, reductant="thiourea dioxide"),
    "fructose": Substance(180.16, 1.0, reductant="fructose"),
    # ferrous sulphate heptahydrate: Fe++ + 2 OH- -> Fe(OH)2, so two equivalents of alkali at once
    "copperas": Substance(278.01, 0.98, reductant="iron", alkali_eq=-2.0, salt_mol=1.5),
    "zinc": Substance(65.38, 0.95, reductant="zinc"),
    "lime": Substance(74.09, 0.93, lime_mol=1.0),
    "soda ash": Substance(105.99, 0.99, alkali_eq=2.0, carbonate_mol=1.0),
    "potash": Substance(138.21, 0.98, alkali_eq=2.0, carbonate_mol=1.0),
    "caustic soda": Substance(40.00, 0.98, alkali_eq=1.0),
    "vinegar": Substance(60.05, 0.05, alkali_eq=-1.0),
    "citric acid": Substance(192.12, 0.99, alkali_eq=-3.0),
    # food of a fermentation vat, counted as sugar units of starch and the like
    "bran": Substance(162.0, 0.45, food_mol=1.0),
    "madder": Substance(162.0, 0.35, food_mol=1.0),
    "malt": Substance(162.0, 0.60, food_mol=1.0),
    "indigo": Substance(262.27, 0.90, indigo_mol=1.0),
    "salt": Substance(58.44, 1.0, salt_mol=1.0),
}
_ALSO_CALLED = {
    "sodium dithionite": "hydrosulfite",
    "hydrosulphite": "hydrosulfite",
    "sodium hydrosulfite": "hydrosulfite",
    "thiourea-dioxide": "thiourea dioxide",
    "iron": "copperas",
    "ferrous sulfate": "copperas",
    "ferrous sulphate": "copperas",
    "zinc dust": "zinc",
    "slaked lime": "lime",
    "calcium hydroxide": "lime",
    "soda": "soda ash",
    "sodium carbonate": "soda ash",
    "ash": "potash",
    "potassium carbonate": "potash",
    "lye": "caustic soda",
    "sodium hydroxide": "caustic soda",
    "wheat bran": "bran",
}


def substance_named(name: str) -> Substance:
    """The substance a feed names. Raises `UnknownSubstance` with the names that are known."""
    key = " ".join(name.strip().lower().split())
    found = _SUBSTANCES.get(_ALSO_CALLED.get(key, key))
    if found is None:
        known = ", ".join(sorted(_SUBSTANCES))
        raise UnknownSubstance(f'a feed of "{name}" means nothing to the rehearsal; it knows: {known}')
    return found
