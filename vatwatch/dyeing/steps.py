"""What happens to a piece beside the vat: its steps, their usual lengths, and the names details have in the journal.

Pure. All lengths are common practice, no source; the dyer changes them on the screen, and the journal remembers.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

PRE_WET_MIN = 30.0
LIQUOR_MIN = 10.0
AIR_MIN = 10.0
LONGEST_MIN = 24 * 60.0


class Detail(StrEnum):
    """Names of the facts a piece's journal entries carry in `details`."""

    PART = "part"
    OF = "of"
    FIBRE = "fibre"
    DRY_GRAMS = "dry_grams"
    PLANNED_MIN = "planned_min"
    AIR_MIN = "air_min"
    STEP = "step"
    DESPITE = "despite"
    L_STAR = "l_star"
    A_STAR = "a_star"
    B_STAR = "b_star"
    K_OVER_S = "k_over_s"
    RUBBING_DRY = "rubbing_dry"
    RUBBING_WET = "rubbing_wet"
    JUDGED_DRY = "judged_dry"


class Part(StrEnum):
    """Which end of a dip an entry tells of. A dip entry without a part tells of a whole dip, when it was over."""

    IN = "in"
    OUT = "out"


class Step(StrEnum):
    """Steps of a piece outside the vat, in their order."""

    PRE_WET = "pre-wet"
    RINSE = "rinse"
    ACID_REST = "mild-acid rest"
    BOIL = "boil"
    DRY = "dry"


@dataclass(frozen=True, slots=True)
class Finishing:
    """One finishing step: its usual minutes (None: until it is done) and what to mind. `fibre` limits it to one."""

    step: Step
    minutes: float | None
    done_words: str
    advice: str
    fibre: str = ""


FINISHING = (
    Finishing(Step.RINSE, None, "Rinsed", "until the water runs clear"),
    Finishing(
        Step.ACID_REST,
        5.0,
        "Rested in mild acid",
        "a little vinegar or citric acid in water, in a pot of its own, then rinse. Acid never near the vat: "
        "in a hydrosulfite vat it frees sulphur dioxide",
    ),
    Finishing(Step.BOIL, 10.0, "Boiled", "cotton, linen and hemp only; lifts out loose pigment", fibre="cellulose"),
    Finishing(Step.DRY, None, "Dry", "out of the sun; the shade lightens as it dries"),
)
"""Common practice, no source; acid on dithionite frees SO2 (equations in the ECHA registration dossier)."""


def finishing_for(fibre: str) -> tuple[Finishing, ...]:
    """The finishing steps that suit a fibre; all of them while the fibre is not known."""
    return tuple(step for step in FINISHING if not (step.fibre and fibre and step.fibre != fibre))
