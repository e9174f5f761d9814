"""A probe's last minutes and what can be read off them alone. Pure; knows no vat and no other probe.

Every probe is kept as one mean, lowest and highest value per minute in the unit of its quantity (a raw pH electrode as
the pH its millivolts would be at 25 °C, a Pt100 as °C): what tells a broken probe from chemistry is how fast, how
noisy and where to, not the last digit.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any, NamedTuple

from vatwatch.chemistry.thermometers import is_digital_fault, temperature_c_from_pt100
from vatwatch.errors import RangeError
from vatwatch.records import Sample
from vatwatch.terms import Flag, Quantity, Signal

KEPT_MINUTES = 12
TRIMMED_FROM = 5
MOST_VALUES = 60
TURNED_BACK = 0.7
SHORTEST_WAY_BACK = 15
NERNST_25C_MV = 59.159
"""CODATA constants; close enough for a rough pH from raw millivolts."""

RAILS: dict[Quantity, tuple[float, float]] = {
    # An open glass electrode drives its amplifier to one end of the scale; lime saturates near 12.5, caustic near 13.5.
    Quantity.PH: (0.2, 13.8),
    Quantity.ORP: (-1900.0, 1900.0),
    # A Pt100 input shows hundreds of degrees with a broken wire and far below zero with a short.
    Quantity.TEMPERATURE: (-40.0, 200.0),
}
"""At or beyond these a probe shows the end of its meter's scale, not a liquor. Judgement of this project."""


class Minute(NamedTuple):
    """One probe over one minute. `good` values went into the mean; `railed` and `fault_values` did not.

    A slow probe's mean is carried over minutes without a sample (`good` 0).
    """

    mean: float | None
    low: float
    high: float
    good: int
    railed: int = 0
    fault_values: int = 0

    @property
    def span(self) -> float:
        return self.high - self.low if self.good else 0.0


class Filling(NamedTuple):
    """The minute that is still filling."""

    values: tuple[float, ...] = ()
    railed: int = 0
    fault_values: int = 0

    def closed(self, carried: float | None) -> Minute:
        """The minute, without its lowest and highest value when there are enough: a garbled line is not the probe."""
        values = self.values
        good = len(values)
        if not good:
            held = carried if carried is not None else 0.0
            return Minute(carried, held, held, 0, self.railed, self.fault_values)
        if good >= TRIMMED_FROM:
            values = tuple(sorted(values)[1:-1])
        return Minute(sum(values) / len(values), min(values), max(values), good, self.railed, self.fault_values)


EMPTY = Filling()
NOTHING = Minute(None, 0.0, 0.0, 0)
"""A minute nobody heard."""
_LIKE_THE_QUANTITY = (Signal.PH, Signal.ORP_MV, Signal.TEMPERATURE_C)


def filled(filling: Filling, sample: Sample) -> Filling:
    """The filling minute with one sample more, whatever its flag."""
    value = sample.value
    if value is None:
        return filling
    signal = sample.signal
    values, railed, fault_values = filling
    if signal is Signal.TEMPERATURE_C and sample.flag is Flag.FAIL and is_digital_fault(value):
        return Filling(values, railed, fault_values + 1)
    if signal not in _LIKE_THE_QUANTITY:
        rough = _rough(signal, value)
        if rough is None:
            return Filling(values, railed + 1, fault_values)
        value = rough
    bottom, top = RAILS[signal.quantity]
    if not bottom < value < top:
        return Filling(values, railed + 1, fault_values)
    return Filling((*values[1 - MOST_VALUES :], value), railed, fault_values)


def _rough(signal: Signal, value: float) -> float | None:
    if signal is Signal.PH_MV:
        return 7.0 - value / NERNST_25C_MV
    try:
        return temperature_c_from_pt100(value)
    except RangeError:
        return None


Minutes = tuple[Minute, ...]
"""Oldest first, newest last, at most `KEPT_MINUTES`."""


def base_of(minutes: Minutes, newest: int = 4, oldest: int = 9) -> float | None:
    """Mean of the minutes before a change that may have begun in the last `newest`: None unless two are known."""
    known = [m.mean for m in minutes[-oldest:-newest] if m.mean is not None]
    return sum(known) / len(known) if len(known) >= 2 else None


def all_of_last(minutes: Minutes, count: int) -> Minutes | None:
    """The last `count` minutes if each of them holds a value."""
    last = minutes[-count:]
    return last if len(last) == count and all(m.mean is not None for m in last) else None


def is_railed(minutes: Minutes) -> bool:
    """Most of the last two minutes' samples stood at an end of the scale."""
    last = minutes[-2:]
    railed = sum(m.railed for m in last)
    return railed >= 2 and railed > sum(m.good for m in last)


def shows_fault_value(minutes: Minutes) -> bool:
    """Most of the last two minutes' samples were the sensor's own fault value."""
    last = minutes[-2:]
    faults = sum(m.fault_values for m in last)
    return faults >= 2 and faults > sum(m.good for m in last)


def is_wild(minutes: Minutes, wild: float) -> bool:
    """The value ran to and fro over five minutes: by more than `wild` within most of them, or from each to the next."""
    # Most minutes of a season are calm: two calm ones at the end leave too few others for either sign.
    if len(minutes) >= 3 and _calm(minutes[-3:], wild):
        return False
    last = all_of_last(minutes, 5)
    if last is None:
        return False
    if sum(m.span >= wild for m in last) >= 4:
        return True
    steps = [(b.mean or 0.0) - (a.mean or 0.0) for a, b in pairwise(last)]
    big = [step for step in steps if abs(step) >= 0.6 * wild]
    return len(big) >= 3 and sum(one * other < 0.0 for one, other in pairwise(big)) >= 2


def _calm(three: Minutes, wild: float) -> bool:
    first, second, third = three
    if first.mean is None or second.mean is None or third.mean is None:
        return False
    step = 0.6 * wild
    return (
        third.span < wild
        and second.span < wild
        and abs(third.mean - second.mean) < step
        and abs(second.mean - first.mean) < step
    )


def stays_near(minutes: Minutes, level: float, within: float, noise: float, drift: float, count: int = 3) -> bool:
    """The last minutes all stood near a level and hardly moved: neither to and fro (`noise`) nor away (`drift`)."""
    newest = minutes[-1].mean if minutes else None
    if newest is None or abs(newest - level) > within:
        return False
    last = all_of_last(minutes, count)
    if last is None:
        return False
    means = [m.mean for m in last if m.mean is not None]
    return (
        all(abs(mean - level) <= within for mean in means)
        and max(means) - min(means) <= drift
        and max(m.high for m in last) - min(m.low for m in last) <= noise
    )


def answer_minutes(base: float, values: Sequence[float], least: float) -> tuple[float | None, float | None]:
    """(minutes out, minutes back) of an answer, from minute means after an event, each to 63 % of its way.

    Out: how far the value first went from `base`, until it turned back; None when that is less than `least`. Back: from
    there to the furthest point behind it (a stir lets air in, then the reductant takes over); None when it did not
    turn, not by `least`, or too late to be seen. A slow probe is slow at both.
    """
    size, peak, turned = 0.0, 0, False
    for number, value in enumerate(values):
        away = value - base
        if abs(away) > abs(size):
            size, peak = away, number
        elif abs(size) >= least and away / size < TURNED_BACK:
            turned = True
            break
    if abs(size) < least:
        return None, None
    # A minute's mean stands for its middle.
    out = _minutes_to(values, base + size, abs(size)) + 0.5
    rest = values[peak:]
    if not turned or len(rest) < SHORTEST_WAY_BACK:
        return out, None
    end = min(rest) if size > 0.0 else max(rest)
    way = abs(rest[0] - end)
    return out, _minutes_to(rest, end, way) if way >= least else None


def _minutes_to(values: Sequence[float], level: float, way: float) -> float:
    """Minutes until 37 % of the way to `level` is left, between the minutes by straight lines."""
    left = 0.368 * way
    before = way
    for number, value in enumerate(values):
        now = abs(value - level)
        if now <= left:
            return 0.0 if number == 0 or before == now else number - 1 + (before - left) / (before - now)
        before = now
    return float(len(values))


def minutes_from_plain(raw: Sequence[Sequence[Any]]) -> Minutes:
    return tuple(Minute(*one) for one in raw)
