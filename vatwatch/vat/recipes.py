"""The eight vat chemistries as data: windows, ceilings, what feeding means, what ORP means, what can hurt.

Each value stands with its source. "Common practice, no source" marks trade habit that no publication backs;
every one of these limits is the dyer's to change in the settings file. No behaviour lives here.

pH limits are stated at `ph_stated_at_c`; the judgement turns them, and every reading, into their 25 °C equivalent,
because a vat of fixed alkali falls 0.4 to 0.75 pH between 25 and 50 °C with nothing wrong.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from vatwatch.chemistry.alkali import Alkali

COMMON_PRACTICE = "common practice, no source"


class Chemistry(StrEnum):
    HYDROSULFITE = "hydrosulfite"
    THIOUREA_DIOXIDE = "thiourea-dioxide"
    FRUCTOSE_LIME = "fructose-lime"
    IRON_LIME = "iron-lime"
    ZINC_LIME = "zinc-lime"
    LEAF_ASH = "leaf-ash"
    WOAD = "woad"
    BRAN_MADDER = "bran-madder"


class Fibre(StrEnum):
    CELLULOSE = "cellulose"
    PROTEIN = "protein"


@dataclass(frozen=True, slots=True)
class Recipe:
    """What is usual for one chemistry. `ph_protein` is None where the vat does not suit wool and silk.

    `feed_g_l` is a usual feed of the reductant in grams per litre of vat: common practice, no source. `feed_with` is what
    must go in with it, in words, or nothing. `answers_h` is how long a feed usually takes to bring a tired vat back, hours:
    common practice, no source. `lime_with_feed` is grams of lime per gram of feed: FeSO4·7H2O + Ca(OH)2 → Fe(OH)2 + CaSO4
    eats 74.09/278.01 = 0.27 (arithmetic), and a little more keeps the pH; much more overshoots it.
    """

    chemistry: Chemistry
    title: str
    alkali: Alkali
    alkali_words: str
    reductant: str
    ph_cellulose: tuple[float, float]
    ph_protein: tuple[float, float] | None
    work_c: tuple[float, float]
    ceiling_c: float
    ph_source: str
    temperature_source: str
    feeding: str
    feed_g_l: tuple[float, float]
    feed_with: str
    orp_meaning: str
    cautions: tuple[str, ...]
    ph_stated_at_c: float = 25.0
    reduction_low: float = 0.90
    reduction_source: str = COMMON_PRACTICE
    settle_minutes: float = 30.0
    settle_source: str = COMMON_PRACTICE
    answers_h: float = 12.0
    lime_with_feed: float = 0.0

    def ph_window(self, fibre: Fibre) -> tuple[float, float] | None:
        return self.ph_cellulose if fibre is Fibre.CELLULOSE else self.ph_protein


# Sources: hazard facts from ICSC 1717 (sodium dithionite), ICSC 0408 (calcium hydroxide), the ECHA registration
# dossier of sodium dithionite, and the HSE's note on vessels erupting when it is added too fast.
_LIME = "Lime burns eyes: goggles and gloves; lime goes into water, never water onto lime."
_CAUSTIC = "Strong alkali burns skin and eyes: goggles and gloves; alkali into water, never the other way."
_DITHIONITE = (
    "Hydrosulfite heats itself when damp and can catch fire: keep it dry and closed, away from acids and oxidisers. "
    "Add it in small portions; a large one can make the vat erupt."
)
_NO_ACID = "Never let acid reach this vat: it frees sulphur dioxide, and strong acid also hydrogen sulphide."
_GASES = "A fermenting vat gives off carbon dioxide and foul, partly flammable gases: air the room, no flame."
_HEATER = (
    "Heaters near liquid need their own thermal cut-out and a residual-current device, fitted by a licensed person."
)
_LABELS = "Labels, safety data sheets and local codes come before anything this program says."

_STATE_FLAG = (
    "While solid indigo lies in the vat, ORP fixes how much leuco is dissolved rather than the share reduced. "
)

RECIPES: dict[Chemistry, Recipe] = {
    recipe.chemistry: recipe
    for recipe in (
        Recipe(
            Chemistry.HYDROSULFITE,
            "hydrosulfite (and pre-reduced indigo)",
            Alkali.SODA_ASH,
            "soda ash",
            "hydrosulfite",
            (10.5, 11.5),
            (8.5, 9.5),
            (20.0, 50.0),
            60.0,
            "cellulose: mill practice for the mono-phenolate range (Etters 1996, Indian J. Fibre Text. Res. 21, 30); "
            "protein: from memory",
            COMMON_PRACTICE,
            "hydrosulfite, sprinkled in small portions, with alkali if the pH has sunk",
            (0.3, 1.0),
            "",
            _STATE_FLAG + "With hydrosulfite, platinum shows a mixed potential set by the reductant: a very negative "
            "reading says reductant is left, not that more indigo is reduced.",
            (_DITHIONITE, _NO_ACID, _CAUSTIC, _HEATER, _LABELS),
            answers_h=3.0,
        ),
        Recipe(
            Chemistry.THIOUREA_DIOXIDE,
            "thiourea dioxide",
            Alkali.SODA_ASH,
            "soda ash",
            "thiourea dioxide",
            (11.0, 12.0),
            (9.0, 10.0),
            (40.0, 55.0),
            60.0,
            "from memory",
            "from memory",
            "thiourea dioxide, dissolved first, with alkali if the pH has sunk",
            (0.2, 0.6),
            "",
            _STATE_FLAG + "Platinum shows a mixed potential set by the breakdown of thiourea dioxide, slow when cool.",
            (_CAUSTIC, _NO_ACID, _HEATER, _LABELS),
            answers_h=4.0,
        ),
        Recipe(
            Chemistry.FRUCTOSE_LIME,
            "fructose and lime",
            Alkali.LIME,
            "lime",
            "fructose",
            (10.5, 12.5),
            (10.0, 11.0),
            (25.0, 50.0),
            60.0,
            "cellulose: common practice (at or above 11 when made, 10.5 to 11 in balance; lime-saturated water 12.45 "
            "at 25 °C by NIST); protein: common practice, no source",
            COMMON_PRACTICE,
            "fructose dissolved in warm water, with lime if the pH has sunk",
            (0.5, 1.5),
            "",
            _STATE_FLAG
            + "Sugar reduces slowly when cool: a feed shows in ORP after an hour or more, faster when warm.",
            (_LIME, _HEATER, _LABELS),
            answers_h=8.0,
        ),
        Recipe(
            Chemistry.IRON_LIME,
            "iron and lime",
            Alkali.LIME,
            "lime",
            "iron sulphate",
            (10.5, 12.5),
            None,
            (10.0, 35.0),
            50.0,
            "about 11: common practice; wide because lime saturates at 12.45 (25 °C, NIST)",
            "from memory",
            "iron sulphate with a third of its weight of lime, or a gentle rake of the sediment",
            (1.0, 3.0),
            "and a third of its weight of lime with it, never without: iron sulphate is sour",
            _STATE_FLAG + "The iron sludge sets the potential: read it in clear liquor above the sediment.",
            (_LIME, _LABELS),
            lime_with_feed=1 / 3,
        ),
        Recipe(
            Chemistry.ZINC_LIME,
            "zinc and lime",
            Alkali.LIME,
            "lime",
            "zinc dust",
            (11.0, 12.5),
            None,
            (10.0, 35.0),
            60.0,
            "from memory",
            "from memory",
            "zinc dust with lime",
            (0.3, 1.0),
            "",
            _STATE_FLAG + "Zinc itself is far more reducing than indigo needs: the reading says whether zinc is left.",
            ("Zinc and alkali give hydrogen: air the room, no flame, no tight lid.", _LIME, _LABELS),
        ),
        Recipe(
            Chemistry.LEAF_ASH,
            "composted leaf and ash lye",
            Alkali.POTASH,
            "ash lye",
            "bran",
            (10.0, 11.0),
            (10.0, 11.0),
            (20.0, 30.0),
            40.0,
            "pH 10 to 11: Int. J. Mol. Sci. 2023, 24, 14696 (secondary copy)",
            "ceiling inferred from growth ranges of the reducing bacteria (IJSEM species descriptions: Alkalibacterium "
            "15 to 35 °C, Paralkalibacillus 18 to 40, Fermentibacillus 12 to 40)",
            "a handful of boiled bran, with ash lye or a little lime if the pH has sunk; expect a day, not an hour",
            (2.0, 5.0),
            "",
            _STATE_FLAG
            + "Bacteria pass electrons on at their surface: the potential lags and is local; stir, rest, read.",
            (_CAUSTIC, _GASES, _HEATER, _LABELS),
            answers_h=36.0,
        ),
        Recipe(
            Chemistry.WOAD,
            "woad",
            Alkali.POTASH,
            "ash lye",
            "bran",
            (9.0, 9.5),
            (9.0, 9.5),
            (45.0, 50.0),
            55.0,
            "pH 9 at 47 °C: Padden, John et al. 1998, Nature 396, 225 (the page from memory)",
            "47 °C: the same; ceiling from memory",
            "bran, with ash lye or a little lime if the pH has sunk; expect a day, not an hour",
            (2.0, 5.0),
            "",
            _STATE_FLAG
            + "Bacteria pass electrons on at their surface: the potential lags and is local; stir, rest, read.",
            (_CAUSTIC, _GASES, _HEATER, _LABELS),
            ph_stated_at_c=47.0,
            answers_h=36.0,
        ),
        Recipe(
            Chemistry.BRAN_MADDER,
            "bran and madder",
            Alkali.SODA_ASH,
            "soda ash",
            "bran",
            (9.5, 10.5),
            (9.0, 9.5),
            (30.0, 45.0),
            50.0,
            "from memory",
            "from memory",
            "bran and a little madder, with alkali if the pH has sunk; expect a day, not an hour",
            (2.0, 5.0),
            "",
            _STATE_FLAG
            + "Bacteria pass electrons on at their surface: the potential lags and is local; stir, rest, read.",
            (_CAUSTIC, _GASES, _HEATER, _LABELS),
            answers_h=36.0,
        ),
    )
}
