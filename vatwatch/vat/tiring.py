"""Alarms that look ahead: tiring (will leave its window), cooling, heating towards the ceiling, and things left unlogged.

Once a minute the trends take one step and the crossings are worked out afresh; between minutes they stand. Pure.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from statistics import median

from vatwatch.records import Reduction
from vatwatch.vat import window
from vatwatch.vat.alarms import Situation
from vatwatch.vat.estimate import SATURATED_SHARE
from vatwatch.vat.forecast import (
    MARGIN,
    PH,
    STEP_MS,
    TEMPERATURE,
    Crossing,
    TrendMemory,
    crossing,
    follow,
)
from vatwatch.vat.history import History
from vatwatch.vat.limits import Limit, Side
from vatwatch.vat.recognise import Minute, extend_minutes, recognised
from vatwatch.vat.settings import HOUR_MS, MINUTE_MS, VatSettings

TIRING_REDUCTION, TIRING_PH, COOLING, HEATING, UNLOGGED, DOUBTFUL = (
    "tiring-reduction",
    "tiring-ph",
    "cooling",
    "heating",
    "unlogged",
    "doubtful",
)
FALLEN_SINCE_LOOK_MV = 10.0
LIMIT_AHEAD = {
    TIRING_REDUCTION: window.OFF_REDUCTION,
    TIRING_PH: window.OFF_PH_LOW,
    COOLING: window.OFF_COLD,
    HEATING: window.OVERHEAT,
}
HEATING_WITHIN_MS = 40 * MINUTE_MS
USUAL_AGO_MS = HOUR_MS
OUTSIDE_USUAL_C = 1.5
"""Beyond what the thermostat has done in the last hours by this much, °C, before a trend is taken for a fault."""
UNLOGGED_SHOWN_MS = 30 * MINUTE_MS
LONGER = 1.4
"""An alarm once raised holds until the crossing has moved this much further away than its lead."""


@dataclass(frozen=True, slots=True)
class Ahead:
    """What looks ahead carries along: filters, the last minutes, present crossings, and what seemed unlogged, when."""

    trends: TrendMemory = field(default_factory=TrendMemory)
    minutes: tuple[Minute, ...] = ()
    crossings: tuple[Crossing, ...] = ()
    disturbed: bool = False
    unlogged: str = ""
    unlogged_ms: int | None = None

    def crossing(self, limit: str) -> Crossing | None:
        return next((one for one in self.crossings if one.limit == limit), None)


def look_ahead(
    ahead: Ahead,
    slot_ms: int,
    values: Mapping[str, float | None],
    limits: Mapping[str, Limit],
    doubt: Mapping[str, float],
    last_doing_ms: int | None,
    disturbed_now: bool,
) -> Ahead:
    """The memory after this slot. `values` by quantity (margin, pH at 25 °C, temperature); None where not known.

    `doubt` is how unsure the value held against a limit is (1 σ that does not average out): a warning must come in time
    also if the truth is that much nearer.
    """
    ahead = replace(ahead, disturbed=ahead.disturbed or disturbed_now)
    if ahead.trends.at_ms is not None and slot_ms - ahead.trends.at_ms < STEP_MS:
        return ahead
    minutes = extend_minutes(ahead.minutes, slot_ms, values)
    disturbed, unlogged, unlogged_ms = ahead.disturbed, ahead.unlogged, ahead.unlogged_ms
    if last_doing_ms is None or slot_ms - last_doing_ms > UNLOGGED_SHOWN_MS:
        seems = recognised(minutes)
        if seems is not None:
            disturbed, minutes, unlogged, unlogged_ms = True, minutes[-1:], seems, slot_ms
    elif unlogged_ms is not None and last_doing_ms >= unlogged_ms - UNLOGGED_SHOWN_MS:
        unlogged, unlogged_ms = "", None  # somebody has written it down by now
    if unlogged_ms is not None and slot_ms - unlogged_ms > UNLOGGED_SHOWN_MS:
        unlogged, unlogged_ms = "", None
    trends = follow(ahead.trends, slot_ms, values, disturbed)
    found = [crossing(trends, name, shifted(limit, doubt.get(name, 0.0))) for name, limit in limits.items()]
    return Ahead(trends, minutes, tuple(one for one in found if one is not None), False, unlogged, unlogged_ms)


def situations_ahead(
    ahead: Ahead,
    settings: VatSettings,
    slot_ms: int,
    temperature_c: float | None,
    history: History,
    beyond: Mapping[str, bool],
    standing: Mapping[str, bool],
    settling: bool,
    been_inside: tuple[str, ...],
    reduction: Reduction | None,
    looked_at_mv: float | None,
    offset_mv: float,
) -> dict[str, Situation]:
    """What each alarm that looks ahead has to judge in this slot. `standing` by alarm name: raised and not yet over."""
    found = {}
    for alarm, limit in LIMIT_AHEAD.items():
        lead_ms = HEATING_WITHIN_MS if alarm == HEATING else settings.lead_ms
        if alarm in (COOLING, HEATING) and not settings.warmed:
            found[alarm] = Situation(beyond=False)
            continue
        if beyond.get(limit, False):
            # It has come to pass: the alarm of the limit itself speaks now, and this one waits with it.
            found[alarm] = Situation(beyond=None, suppressed=True)
            continue
        coming = ahead.crossing(limit)
        reach_ms = lead_ms * LONGER if standing.get(alarm, False) else lead_ms
        near = coming is not None and coming.median_ms - slot_ms <= reach_ms
        if alarm == TIRING_REDUCTION:
            # Far below the couple the reductant alone sets the potential: its fall says nothing of the share yet.
            near = near and reduction is not None and reduction.share_low < SATURATED_SHARE
        if alarm in (COOLING, HEATING):
            near = near and _outside_usual(alarm, settings, temperature_c, history, slot_ms)
        found[alarm] = Situation(
            beyond=near,
            value=None if coming is None else coming.per_hour,
            suppressed=alarm != HEATING
            and (settling or limit not in been_inside or (alarm == TIRING_REDUCTION and looked_at_mv is None)),
            moot=alarm != HEATING and limit not in been_inside,
        )
    found[UNLOGGED] = Situation(beyond=ahead.unlogged_ms is not None)
    found[DOUBTFUL] = _doubtful(reduction, settling, looked_at_mv, offset_mv, beyond, been_inside)
    return found


def _doubtful(
    reduction: Reduction | None,
    settling: bool,
    looked_at_mv: float | None,
    offset_mv: float,
    beyond: Mapping[str, bool],
    been_inside: tuple[str, ...],
) -> Situation:
    """Perhaps near its limit, and lower than when somebody last looked: one look tells more than any number of readings.

    `looked_at_mv` is the margin at the newest look, with no offset added, as the readings alone gave it.
    """
    off = beyond.get(window.OFF_REDUCTION, False)
    if reduction is None or off or settling or window.OFF_REDUCTION not in been_inside:
        return Situation(beyond=None if reduction is None else False, suppressed=off or settling)
    fallen = looked_at_mv is None or reduction.margin_mv - offset_mv <= looked_at_mv - FALLEN_SINCE_LOOK_MV
    return Situation(beyond=fallen and reduction.probability_fit < window.SURE_ENOUGH, value=reduction.probability_fit)


def shifted(limit: Limit, by: float) -> Limit:
    """The limit moved inwards by the doubt about the value held against it."""
    return replace(limit, at=limit.at + by if limit.side is Side.LOW else limit.at - by)


def _outside_usual(
    alarm: str, settings: VatSettings, temperature_c: float | None, history: History, slot_ms: int
) -> bool:
    """Whether the temperature has left what this thermostat has kept over the hours before, so that its swing is no fault."""
    if temperature_c is None:
        return False
    if alarm == HEATING and temperature_c >= settings.window.temperature_high_c:
        return True
    kept = [
        one.temperature_c for one in history if one.temperature_c is not None and one.start_ms <= slot_ms - USUAL_AGO_MS
    ]
    if len(kept) < 4:
        return False
    usual = median(kept)
    if usual < settings.window.temperature_low_c:
        return False  # it is being warmed up: nothing usual to be outside of
    return temperature_c > usual + OUTSIDE_USUAL_C if alarm == HEATING else temperature_c < usual - OUTSIDE_USUAL_C


def values_by_quantity(
    margin_mv: float | None, ph_25c: float | None, temperature_c: float | None
) -> dict[str, float | None]:
    return {MARGIN: margin_mv, PH: ph_25c, TEMPERATURE: temperature_c}
