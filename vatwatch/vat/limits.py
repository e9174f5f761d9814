"""A limit with its deadband: once passed, a value must come back by the deadband before it counts as inside again.

One rule for the judgement and for the alarms, so that what the screen says and what the phone says cannot disagree.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Side(StrEnum):
    LOW = "low"
    HIGH = "high"


@dataclass(frozen=True, slots=True)
class Limit:
    """A bound in the unit of its value. `side` LOW means the value should stay at or above `at`."""

    side: Side
    at: float
    deadband: float

    def beyond(self, value: float, was_beyond: bool) -> bool:
        """Is the value beyond the limit now, given whether it was before?"""
        if self.side is Side.LOW:
            return value < (self.at + self.deadband if was_beyond else self.at)
        return value > (self.at - self.deadband if was_beyond else self.at)
