"""Things done to the liquor that nobody wrote down, read off the signals: offered for the journal, never assumed silently.

A stir or dip brings air: the margin falls sharply, often with the temperature. A feed of alkali lifts the pH. A top-up
cools and dilutes. Looks at one-minute values over a quarter of an hour; thresholds are judgement, tuned on simulated vats.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from vatwatch.vat.lately import MARGIN, PH, TEMPERATURE

KEPT_MINUTES = 12
RECENT = 3
MARGIN_FALL_MV = 9.0
PH_RISE = 0.09
TEMPERATURE_FALL_C = 1.5
STEADY_PART = 0.3
"""A fall of which so much lies in the minutes before, or in the newest ones, is steady, not sudden."""
STANDS = 5
"""Minutes a cold step must stand before it is taken for a top-up: a thermometer in air is known by then."""


@dataclass(frozen=True, slots=True)
class Minute:
    """One-minute values; None where not known."""

    at_ms: int
    margin_mv: float | None
    ph_25c: float | None
    temperature_c: float | None


def extend_minutes(minutes: tuple[Minute, ...], at_ms: int, values: Mapping[str, float | None]) -> tuple[Minute, ...]:
    """The last minutes with one more."""
    new = Minute(at_ms, values.get(MARGIN), values.get(PH), values.get(TEMPERATURE))
    return (*minutes, new)[-KEPT_MINUTES:]


def recognised(minutes: tuple[Minute, ...]) -> str | None:
    """What seems to have been done in the last minutes, in words for the journal, or None.

    `stirred or dipped`, `fed alkali` or `topped up`. Needs the whole quarter of an hour; each change must stand in the
    last minutes against all of the earlier ones.
    """
    if len(minutes) < KEPT_MINUTES:
        return None
    early, late = minutes[: KEPT_MINUTES - 2 * RECENT], minutes[-RECENT:]
    margin = _change([m.margin_mv for m in early], [m.margin_mv for m in late])
    ph = _change([m.ph_25c for m in early], [m.ph_25c for m in late])
    temperature = _change([m.temperature_c for m in minutes[:4]], [m.temperature_c for m in minutes[-STANDS:]])
    if temperature is not None and temperature <= -TEMPERATURE_FALL_C and ph is not None and abs(ph) >= 0.03:
        return "topped up"
    if ph is not None and ph >= PH_RISE:
        return "fed alkali"
    if margin is not None and margin <= -MARGIN_FALL_MV:
        parts = [[m.margin_mv for m in part] for part in (early, late)]
        return None if any(_steady(part, margin) for part in parts) else "stirred or dipped"
    return None


def _steady(part: list[float | None], change: float) -> bool:
    """Whether the fall had begun before, or goes on: a reductant that runs out falls steadily, a stir at once."""
    known = [value for value in part if value is not None]
    return len(known) >= 2 and known[-1] - known[0] <= STEADY_PART * change


def _change(early: list[float | None], late: list[float | None]) -> float | None:
    """How far the last minutes lie beyond every earlier one: negative for a fall, 0 where they overlap."""
    before = [value for value in early if value is not None]
    after = [value for value in late if value is not None]
    if len(before) < len(early) or len(after) < len(late):
        return None
    if min(after) > max(before):
        return min(after) - max(before)
    if max(after) < min(before):
        return max(after) - min(before)
    return 0.0
