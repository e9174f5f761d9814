"""What is asked of the outcomes and what they answer, as records. Pure; computes nothing."""

from __future__ import annotations

from dataclasses import dataclass

from vatwatch.dyeing.outcomes import RUBBING_GRADES


@dataclass(frozen=True, slots=True)
class Question:
    """What counts as rubbing off, and how often it may. `chance` is between 0 and 1.

    The grades are common practice, no source: buyers ask for dry 4 and wet 3 of dark cloth, ISO 105-X12 sets no limit.
    """

    least_dry: str = "4"
    least_wet: str = "3"
    chance: float = 0.2

    def __post_init__(self) -> None:
        for grade in (self.least_dry, self.least_wet):
            if grade not in RUBBING_GRADES[:-1]:
                raise ValueError(
                    f"least grade is {grade!r}; expected one of {', '.join(RUBBING_GRADES[:-1])} (grey scale)"
                )
        if not 0.01 <= self.chance <= 0.9:
            raise ValueError(f"chance is {self.chance:g}; expected 0.01 to 0.9")


@dataclass(frozen=True, slots=True)
class Effect:
    """How the odds of rubbing off change per `step_words`: ratio with a 90 % interval; below 1 means less rubbing.

    `direction` is the probability that the sign is the one shown.
    """

    factor: str
    label: str
    step_words: str
    odds_ratio: float
    low: float
    high: float
    direction: float


@dataclass(frozen=True, slots=True)
class Proposal:
    """A limit of the dyer's own: beyond it the chance of rubbing off passes the one asked about.

    `value`, `low` and `high` (90 % interval) are in the setting's unit; `state`, `state_low`, `state_high` in the factor's
    (mV of margin for the reduction). `side` is "low" where the state should stay above it. Counts are the evidence.
    `now` is the limit in force, None if not known. `key` is empty when the setting cannot hold it; `why` then says so.
    """

    factor: str
    label: str
    unit: str
    side: str
    state: float
    state_low: float
    state_high: float
    table: str
    key: str
    value: float
    low: float
    high: float
    now: float | None
    beyond: int
    beyond_bad: int
    within: int
    within_bad: int
    why: str = ""


@dataclass(frozen=True, slots=True)
class ChancePoint:
    """The chance of rubbing off at one state of a factor, the others as they usually were: middle and 90 % interval."""

    state: float
    chance: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class PiecePoint:
    """One piece for the drawing."""

    name: str
    judged_ms: int
    state: float
    grade: float
    rubbed_off: bool


@dataclass(frozen=True, slots=True)
class RubbingFinding:
    """One vat and one way of rubbing ("dry" or "wet"). `refusal` is empty when there was enough to say something.

    `curve` and `points` are over the reduction margin in mV. `not_told` names what hardly moved or was one too many for
    the pieces there are. `left_out` counts judged pieces that could not be used, by reason.
    """

    vat: str
    rubbing: str
    least_grade: str
    chance: float
    pieces: int
    rubbed_off: int
    refusal: str
    effects: tuple[Effect, ...] = ()
    proposals: tuple[Proposal, ...] = ()
    curve: tuple[ChancePoint, ...] = ()
    points: tuple[PiecePoint, ...] = ()
    not_told: tuple[str, ...] = ()
    left_out: tuple[tuple[str, int], ...] = ()
