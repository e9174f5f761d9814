"""When a vat will leave its window, and through which limit, as an interval: an ensemble of ways it may go on.

Each way is one slope (the filter's now, and those of the last hours), one shape of the fall (`shapes`) and one place the
value may really stand at (what the looks leave open of the offset, the pH probe's doubt). The share of ways that have
passed the limit by some time is the chance; early, median and late are where it passes 10, 50 and 90 %. Says "cannot
tell" (None) where a line would be a guess: too little seen since the liquor was last disturbed, or less than even odds
within the horizon. Pure and cheap: one filter step a minute and quantity.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from vatwatch.vat import shapes, window
from vatwatch.vat.lately import MARGIN, PH, TEMPERATURE, Lately, slope_per_hour
from vatwatch.vat.limits import Limit, Side
from vatwatch.vat.settings import HOUR_MS, MINUTE_MS
from vatwatch.vat.trend import Trend, drift_noise, predict, started, update


@dataclass(frozen=True, slots=True)
class Pace:
    """How one quantity moves and scatters, per minute: judgement, tuned on simulated vats that no test uses.

    `observation` is the variance of a one-minute reading, `level_q` and `slope_q` the process noise, `slope_start` the
    variance of the slope when nothing is known of it.
    """

    observation: float
    level_q: float
    slope_q: float
    slope_start: float


PACES: dict[str, Pace] = {
    MARGIN: Pace(1.5**2, 0.002, 3e-6, 0.3**2),
    PH: Pace(0.015**2, 2e-7, 4e-10, 0.002**2),
    TEMPERATURE: Pace(0.2**2, 1e-3, 6e-5, 0.1**2),
}
QUANTITY_OF_LIMIT = {
    window.OFF_REDUCTION: MARGIN,
    window.OFF_PH_LOW: PH,
    window.OFF_PH_HIGH: PH,
    window.OFF_COLD: TEMPERATURE,
    window.OFF_WARM: TEMPERATURE,
    window.OVERHEAT: TEMPERATURE,
}
STEP_MS = MINUTE_MS
LONGEST_GAP_MS = 30 * MINUTE_MS
"""After a longer hole nothing is carried over: level and slope start afresh."""
SWINGING_MS = 20 * MINUTE_MS
"""How long ORP and pH swing after a disturbance: simulated vats, and common practice to rest half an hour."""
ASTRAY_ENOUGH = 8
"""Minutes in a row far from the filter on one side: a level of its own, not a spike."""
SEEN_ENOUGH = {MARGIN: 40, PH: 40, TEMPERATURE: 8}
"""Minutes since a disturbance before a slope is believed."""
HORIZON_MS = 12 * HOUR_MS
OPEN_END_H = 48.0
"""Beyond this a late end is left open."""
REST_MS = 2 * HOUR_MS
"""How long a movement must have been seen to be taken for full."""
SLOPE_WINDOWS_H = (3.0, 8.0)
FADES = 3.0
"""How much sooner than by its logarithm alone a fall of the pH fades, on the slowest of its ways: what makes the acid (a
reductant's decay, a feed) is itself used up. Tuned on simulated vats; no source."""
SATURATED_LOGIT = math.log(99.0)
SPENT_LASTS_H = (16.0, 50.0, 150.0)
"""How long the leuco of a vat lasts from 99 % to its limit once the reductant is gone: by air, lid and size of the vat, half
a day to a week. Simulated vats; no source."""
ROOM_BELOW_LIMIT_C = 10.0
"""How far below its lower limit the room of a warmed vat may lie, for how it cools: nobody measures the room. Judgement."""
NORMAL_TENTHS = (-1.645, -1.036, -0.674, -0.385, -0.126, 0.126, 0.385, 0.674, 1.036, 1.645)
"""The middles of ten equally likely parts of a normal distribution."""


@dataclass(frozen=True, slots=True)
class TrendMemory:
    """The filters of one vat, by quantity, the minute they stand at, and until when the liquor swings."""

    at_ms: int | None = None
    trends: tuple[tuple[str, Trend], ...] = ()
    quiet_from_ms: int | None = None

    def trend(self, quantity: str) -> Trend | None:
        return dict(self.trends).get(quantity)


@dataclass(frozen=True, slots=True)
class Crossing:
    """A limit that will probably be passed: median time and an 80 % interval (`late_ms` None: an open end).

    `per_hour` is the present slope in the quantity's unit per hour.
    """

    limit: str
    early_ms: int
    median_ms: int
    late_ms: int | None
    per_hour: float


@dataclass(frozen=True, slots=True)
class Ways:
    """Every way one quantity may go on to one limit: equally likely times in hours, sorted, and the slope per hour."""

    limit: str
    hours: tuple[float, ...]
    per_hour: float

    def chance_within(self, hours: float) -> float:
        """The chance of standing beyond the limit by then, or of doing so already."""
        return bisect_right(self.hours, hours) / len(self.hours)

    def chance_of_passing(self, hours: float) -> float:
        """The chance of passing the limit by then, if it has not been passed yet: what a movement says."""
        passed = bisect_right(self.hours, 0.0)
        inside = len(self.hours) - passed
        return (bisect_right(self.hours, hours) - passed) / inside if inside else 0.0

    def crossing(self, at_ms: int) -> Crossing | None:
        """Early, median and late of passing it from inside; None when less likely than not within the horizon."""
        inside = self.hours[bisect_right(self.hours, 0.0) :]
        if not inside:
            return None
        early, median, late = (inside[int(part * (len(inside) - 1))] for part in (0.1, 0.5, 0.9))
        if median * HOUR_MS > HORIZON_MS:
            return None
        late_ms = None if late > OPEN_END_H else at_ms + int(late * HOUR_MS)
        return Crossing(self.limit, at_ms + int(early * HOUR_MS), at_ms + int(median * HOUR_MS), late_ms, self.per_hour)


def follow(memory: TrendMemory, at_ms: int, values: Mapping[str, float | None], disturbed: bool) -> TrendMemory:
    """The filters one observation later. `disturbed`: the liquor was stirred, fed, dipped or topped up in between.

    A disturbance swings ORP and pH for a while: nothing is learnt from that, and level and slope start afresh after it.
    """
    quiet_from_ms = at_ms + SWINGING_MS if disturbed else memory.quiet_from_ms
    gap_ms = None if memory.at_ms is None else at_ms - memory.at_ms
    before = {} if disturbed or gap_ms is None or gap_ms > LONGEST_GAP_MS else dict(memory.trends)
    after = []
    for quantity, pace in PACES.items():
        value, trend = values.get(quantity), before.get(quantity)
        swinging = quantity != TEMPERATURE and quiet_from_ms is not None and at_ms < quiet_from_ms
        if trend is not None and gap_ms is not None:
            trend = predict(trend, gap_ms / MINUTE_MS, *drift_noise(gap_ms / MINUTE_MS, pace.level_q, pace.slope_q))
        if value is not None and not swinging:
            if trend is None or abs(trend.astray) >= ASTRAY_ENOUGH:
                trend = started(value, pace.observation, pace.slope_start)
            else:
                # A heater that runs away is no spike: a clipped thermometer would tell of it a quarter of an hour late.
                trend = update(trend, value, pace.observation, robust=quantity != TEMPERATURE)
        if trend is not None and not swinging:
            after.append((quantity, trend))
    return TrendMemory(at_ms, tuple(after), quiet_from_ms)


def ways_to(
    memory: TrendMemory,
    lately: Lately,
    name: str,
    limit: Limit,
    stands: Sequence[float],
    scale: float,
    spent_h: float | None = None,
) -> Ways | None:
    """Every way to `limit`, or None when nothing can be told.

    `stands` are equally likely shifts of the value (what is not known of where it really stands), `scale` the s of the
    logarithm behind it (RT/2F in mV for the margin, 1/ln 10 for pH; unused for temperature). `spent_h` is how long ago a
    margin's reductant was gone, where that is known: its pace then is s over that time, and it goes on ever slower.
    """
    quantity = QUANTITY_OF_LIMIT[name]
    trend = memory.trend(quantity)
    if trend is None or memory.at_ms is None or trend.seen < SEEN_ENOUGH[quantity]:
        return None
    sign = 1.0 if limit.side is Side.HIGH else -1.0
    losses = [sign * slope for slope in _slopes(trend, lately, quantity, memory)]
    hours = []
    for stand in stands:
        distance = sign * (limit.at - trend.level - stand)
        if spent_h is not None and limit.side is Side.LOW:
            hours += _spent(distance, scale, spent_h, losses)
            continue
        for loss in losses:
            hours += _times(quantity, limit, trend.level, distance, loss, scale)
    hours.sort()
    return Ways(name, tuple(hours), trend.slope * 60.0)


def _spent(distance: float, scale: float, spent_h: float, losses: Sequence[float]) -> list[float]:
    """Hours to the limit with the reductant gone: by the time since then, and by the pace of the last hours."""
    if distance <= 0.0:
        return [0.0] * 3
    by_time = shapes.ever_slower(distance, scale / max(spent_h, 0.5), scale)
    long = losses[-1]
    by_pace = shapes.ever_slower(distance, long, scale) if long > 1e-9 else shapes.NEVER_H
    return [by_time, by_time, by_pace]


def _slopes(trend: Trend, lately: Lately, quantity: str, memory: TrendMemory) -> list[float]:
    """Slopes per hour that may go on: the filter's with its doubt, and those of the last hours since it was disturbed."""
    now, doubt = 60.0 * trend.slope, 60.0 * math.sqrt(max(trend.p11, 0.0))
    if quantity == TEMPERATURE or memory.at_ms is None:
        return [now - doubt, now, now + doubt]
    quiet_ms = memory.quiet_from_ms or 0
    seen = min(1.0, max(trend.seen * MINUTE_MS, memory.at_ms - quiet_ms if quiet_ms else 0) / REST_MS)
    found = [seen * slope for slope in (now - doubt, now, now + doubt)]
    for hours in SLOPE_WINDOWS_H:
        span_ms = min(memory.at_ms - quiet_ms, int(hours * HOUR_MS))
        slope = slope_per_hour(lately, quantity, memory.at_ms - span_ms, memory.at_ms)
        # A movement seen for less than the window may fade as the liquor comes to rest.
        found.append((now if slope is None else slope) * span_ms / (hours * HOUR_MS))
    return found


def _times(quantity: str, limit: Limit, level: float, distance: float, loss: float, scale: float) -> list[float]:
    """Hours to the limit for each shape; the same number of them whatever comes of it."""
    if distance <= 0.0:
        return [0.0] * 3
    if loss <= 1e-9:
        return [shapes.NEVER_H] * 3
    even = shapes.straight(distance, loss)
    if quantity == TEMPERATURE:
        if limit.side is Side.LOW:
            return [even, even, shapes.cooling(level, limit.at, loss, limit.at - ROOM_BELOW_LIMIT_C)]
        return [even] * 3
    if quantity == PH:
        # Above its buffers it falls ever faster; into one, or as what makes the acid is used up, ever slower.
        return [shapes.ever_faster(distance, loss, scale), even, shapes.ever_slower(distance, loss, scale / FADES)]
    if limit.side is Side.HIGH:
        return [even] * 3  # what is left to reduce dwindles by the same part each hour: the margin rises straight
    # Beyond 99 % the reductant alone sets the potential: its fall brings the vat there, and what comes then has not begun.
    reductant = limit.at + distance - scale * SATURATED_LOGIT
    if reductant > 0.0:
        return [reductant / loss + hours for hours in SPENT_LASTS_H]
    slower = shapes.ever_slower(distance, loss, scale)
    return [even, slower, slower]
