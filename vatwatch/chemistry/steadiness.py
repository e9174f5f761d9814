"""Has a probe come to rest in a solution? The criterion, its uncertainty, and how fast the probe answered.

Works on (seconds, value) pairs in any one unit. It knows no probe, port or clock, and waits for nothing.

The criterion, over the newest `hold_s` seconds (at least six readings): a straight line is fitted; the readings may
scatter about it by no more than three times the probe's own noise, and the line may have moved by no more than a small
step over the whole window, or by twice what such scatter would feign. Both must have held half a window before as well:
an answer still coming in and a drift the other way can cancel for a moment. Judgement of this project, no source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum, auto
from typing import Final

LEAST_READINGS: Final = 6
SCATTER_TIMES_NOISE: Final = 3.0
INDEPENDENT_AT_MOST: Final = 10
"""Neighbouring readings share their disturbances: averaging never counts for more than this many. Judgement."""


class Pace(Enum):
    """What keeps a reading from being taken, if anything does."""

    TOO_FEW = auto()
    NOISY = auto()
    DRIFTING = auto()
    STEADY = auto()


@dataclass(frozen=True, slots=True)
class Rest:
    """The newest window of readings: mean, scatter about the line (1 σ), movement of the line over the window."""

    pace: Pace
    mean: float = math.nan
    scatter: float = math.nan
    moved: float = math.nan
    readings: int = 0

    @property
    def sigma(self) -> float:
        """1 σ of the mean as the value at rest: its scatter, and as much movement again as was still seen.

        The movement counts as a rectangular distribution (JCGM 100:2008 (GUM), 4.3.7).
        """
        independent = min(self.readings, INDEPENDENT_AT_MOST)
        return math.hypot(self.scatter / math.sqrt(independent), self.moved / math.sqrt(3.0))


def rest_of(readings: Sequence[tuple[float, float]], hold_s: float, small_step: float, noise: float) -> Rest:
    """Whether the newest readings stand still, and did half a window before; parameters as for `_window_of`."""
    now = _window_of(readings, hold_s, small_step, noise)
    if now.pace is not Pace.STEADY:
        return now
    half_before = readings[-1][0] - hold_s / 2
    before = _window_of([one for one in readings if one[0] <= half_before], hold_s, small_step, noise)
    return replace(now, pace=before.pace)


def _window_of(readings: Sequence[tuple[float, float]], hold_s: float, small_step: float, noise: float) -> Rest:
    """Judge the newest `hold_s` seconds of `readings`, (seconds, value) in rising time.

    `small_step` is what may pass as standing still over the window, `noise` the probe's own 1 σ, both in the values'
    unit and above 0.
    """
    if not readings:
        return Rest(Pace.TOO_FEW)
    end = readings[-1][0]
    window = [(time_s - end, value) for time_s, value in readings if time_s >= end - hold_s]
    span = -window[0][0]
    whole = end - readings[0][0] >= 0.95 * hold_s
    count = len(window)
    if count < 3 or span <= 0.0:
        return Rest(Pace.TOO_FEW, sum(value for _, value in window) / count, math.nan, math.nan, count)
    mean_t = sum(t for t, _ in window) / count
    mean = sum(value for _, value in window) / count
    spread = sum((t - mean_t) ** 2 for t, _ in window)
    slope = sum((t - mean_t) * (value - mean) for t, value in window) / spread
    squares = sum((value - mean - slope * (t - mean_t)) ** 2 for t, value in window)
    scatter = math.sqrt(squares / (count - 2))
    moved = slope * span
    feigned = 2.0 * scatter * span / math.sqrt(spread)
    if scatter > SCATTER_TIMES_NOISE * noise:
        pace = Pace.NOISY
    elif abs(moved) > max(small_step, feigned):
        pace = Pace.DRIFTING
    elif not whole or count < LEAST_READINGS:
        pace = Pace.TOO_FEW
    else:
        pace = Pace.STEADY
    return Rest(pace, mean, scatter, moved, count)


def t90_s(readings: Sequence[tuple[float, float]], dipped_s: float, before: float, at_rest: float) -> float | None:
    """Seconds from `dipped_s` until 90 % of the step from `before` to `at_rest` was done for good.

    None when there is no reading after the dip. The reading's own spacing limits how fast an answer can be seen.
    """
    left = 0.1 * abs(at_rest - before)
    after = [(time_s, value) for time_s, value in readings if time_s >= dipped_s]
    if not after:
        return None
    still_away = [time_s for time_s, value in after if abs(value - at_rest) > left]
    if not still_away:
        return after[0][0] - dipped_s
    reached = [time_s for time_s, _ in after if time_s > still_away[-1]]
    return reached[0] - dipped_s if reached else None
