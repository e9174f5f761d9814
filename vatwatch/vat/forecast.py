"""When a vat will leave its window, and through which limit: each quantity's trend against its limits, as an interval.

Pure and cheap: one filter step a minute and quantity. Says "cannot tell" (None) where a straight line would be a guess:
too little seen since the liquor was last disturbed, or a crossing too unsure within the horizon. A lime vat's pH is one
of those: it holds while lime is left and then falls off a cliff (carbonate balance; see chemistry.alkali).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from vatwatch.vat import window
from vatwatch.vat.limits import Limit, Side
from vatwatch.vat.settings import HOUR_MS, MINUTE_MS
from vatwatch.vat.trend import Trend, ahead, drift_noise, predict, started, update

MARGIN, PH, TEMPERATURE = "margin_mv", "ph_25c", "temperature_c"


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
_GRID_MIN = (
    5,
    10,
    15,
    20,
    30,
    40,
    50,
    60,
    75,
    90,
    105,
    120,
    150,
    180,
    210,
    240,
    300,
    360,
    420,
    480,
    540,
    600,
    660,
    720,
)


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
    """A limit that will probably be passed: median time and an 80 % interval (each None beyond the horizon).

    `per_hour` is the present slope in the quantity's unit per hour.
    """

    limit: str
    early_ms: int
    median_ms: int
    late_ms: int | None
    per_hour: float


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
                trend = update(trend, value, pace.observation)
        if trend is not None and not swinging:
            after.append((quantity, trend))
    return TrendMemory(at_ms, tuple(after), quiet_from_ms)


def crossing(memory: TrendMemory, name: str, limit: Limit) -> Crossing | None:
    """When `limit` will be passed, or None when it will hold for the horizon, or when it cannot be told.

    The chance of standing beyond the limit at each time ahead is taken from the trend's forecast; early, median and
    late are where it passes 10, 50 and 90 %.
    """
    quantity = QUANTITY_OF_LIMIT[name]
    trend = memory.trend(quantity)
    if trend is None or memory.at_ms is None or trend.seen < SEEN_ENOUGH[quantity]:
        return None
    pace = PACES[quantity]
    sign = 1.0 if limit.side is Side.HIGH else -1.0
    if sign * (trend.level - limit.at) >= 0.0 or sign * trend.slope <= 0.0:
        return None
    times: dict[float, float] = {}
    last_t, last_p = 0.0, _chance_beyond(trend, 0.0, pace, limit.at, sign)
    for minute in _GRID_MIN:
        p = _chance_beyond(trend, float(minute), pace, limit.at, sign)
        for wanted in (0.1, 0.5, 0.9):
            if wanted not in times and p >= wanted:
                part = 0.0 if p <= last_p else max(0.0, (wanted - last_p) / (p - last_p))
                times[wanted] = last_t + part * (minute - last_t)
        last_t, last_p = float(minute), p
    early, median, late = (memory.at_ms + int(times[p] * MINUTE_MS) if p in times else None for p in (0.1, 0.5, 0.9))
    if early is None or median is None:
        return None
    return Crossing(
        limit=name,
        early_ms=early,
        median_ms=median,
        late_ms=late,
        per_hour=trend.slope * 60.0,
    )


def _chance_beyond(trend: Trend, minutes: float, pace: Pace, at: float, sign: float) -> float:
    forecast = ahead(trend, minutes, pace.level_q, pace.slope_q)
    return 0.5 * (1.0 + math.erf(sign * (forecast.mean - at) / (forecast.sigma * math.sqrt(2.0) or 1e-12)))
