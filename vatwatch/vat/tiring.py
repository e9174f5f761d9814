"""Alarms that look ahead: tiring (will leave its window), cooling, heating towards the ceiling, and things left unlogged.

Once a minute the trends take one step; the ways ahead are worked out afresh every five minutes (each minute while it is
out of its usual warmth), and stand in between. Pure.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime

from vatwatch.chemistry.nernst import thermal_mv
from vatwatch.records import Reduction
from vatwatch.vat import shapes, window
from vatwatch.vat.alarms import NOT_BEYOND, Situation
from vatwatch.vat.estimate import SATURATED_SHARE, OffsetBelief
from vatwatch.vat.forecast import NORMAL_TENTHS, STEP_MS, Crossing, TrendMemory, Ways, follow, ways_to
from vatwatch.vat.lately import MARGIN, PH, TEMPERATURE, Lately, extended, kept_between, mostly_above
from vatwatch.vat.limits import Limit
from vatwatch.vat.recognise import Minute, extend_minutes, recognised
from vatwatch.vat.settings import HOUR_MS, MINUTE_MS, VatSettings
from vatwatch.vat.spent import margin_by_pace, narrowed, spent_since

TIRING_REDUCTION, TIRING_PH, COOLING, HEATING, UNLOGGED, DOUBTFUL = (
    "tiring-reduction",
    "tiring-ph",
    "cooling",
    "heating",
    "unlogged",
    "doubtful",
)
LIMIT_AHEAD = {
    TIRING_REDUCTION: window.OFF_REDUCTION,
    TIRING_PH: window.OFF_PH_LOW,
    COOLING: window.OFF_COLD,
    HEATING: window.OVERHEAT,
}
CHEMICAL = (window.OFF_REDUCTION, window.OFF_PH_LOW, window.OFF_PH_HIGH)
WARMTH = (window.OFF_COLD, window.OFF_WARM, window.OVERHEAT)
AFRESH_MS = 5 * MINUTE_MS
HEATING_WITHIN_MS = 40 * MINUTE_MS
USUAL_FROM_MS, USUAL_AGO_MS = 12 * HOUR_MS, HOUR_MS
OUTSIDE_USUAL_C = 1.0
"""Beyond what the thermostat has done in the last hours by this much, °C, before a trend is taken for a fault."""
COOLING_FROM_MS, COOLING_PART = 24 * HOUR_MS, 0.3
"""A slow cooling must not become usual while it lasts: what three tenths of a day lay below is the thermostat's lower end."""
UNLOGGED_SHOWN_MS = 30 * MINUTE_MS
LONGER = 1.4
"""An alarm once raised holds until the crossing has moved this much further away than its lead."""
DAY_H, NIGHT_H = 24.0, 11.0
LIKELY_SLOWLY = 0.45
"""From this chance on of passing its limit within a night a fall too slow for the lead is told."""
LIKELY_ONCE_SPENT = 0.3
"""The same for the reduction once the reductant is known to be gone: then the vat can only fall, having passed it counts
too, and the hour is known better than the place. Tuned, as the others."""
RESTED_MS, SOURED_BY_FEED_MS = 6 * HOUR_MS, 2 * HOUR_MS
"""How long a pH must have been left in peace before a slow fall of it is believed, and before any: a feed sours a liquor for
a while, and then it holds."""
WORTH_A_LOOK_MV = 8.5
"""1 σ of the offset below which one more look teaches hardly anything: then the estimate itself must warn."""
FALLEN_SINCE_LOOK_MV = 6.0
LOOK_LASTS_MS = 20 * HOUR_MS
DOUBT_WITHIN_H = 6.0
DOUBT_IN_EVENING, DOUBT_ANY_TIME = 0.3, 0.3
"""A look is asked for from these chances on of standing below the limit: within a day in the evening, when looking is
easy and the night is before it; within six hours at any time. Tuned."""
EVENING = (17 * 60, 21 * 60)
"""Minutes after local midnight between which a day's doubt is settled by one look."""
NEARLY_SURE = 0.4
"""From this chance on of standing below it within a day a look is worth it however well the offset is known."""
POORLY_KNOWN_MV, DOUBT_POORLY_KNOWN = 15.0, 0.35
"""An offset no better known than this foretells no hour: from the second number on, a day's chance, it asks for a look."""
DOUBT_RESTED_MS = 2 * HOUR_MS
"""Air that a stir or dip brought in is eaten up by then: a low margin before that says little."""
RECOVERS_WITHIN_MS, CLEARLY_OFF = 30 * MINUTE_MS, 0.3
LIKELY_BY_MORNING = 0.5
"""From this chance on of standing below the limit within a night, having passed it counted too, it is told."""
STILL_MAYBE_FIT = 0.3
"""From this chance on that it is fit after all, a vat whose offset is poorly known is not told to be off, but looked at."""
_OFFSET_PARTS = tuple((i + 0.5) / 10 for i in range(10))


@dataclass(frozen=True, slots=True)
class Chance:
    """How likely a limit is passed from inside in a night (`in_night`), or stood beyond by then (`soon`, `night`, `day`)."""

    limit: str
    in_night: float
    soon: float
    night: float
    day: float


@dataclass(frozen=True, slots=True)
class Looked:
    """The newest look: when, and the margin then with no offset added, as the readings alone gave it."""

    time_ms: int
    margin_mv: float


@dataclass(frozen=True, slots=True)
class Ahead:
    """What looks ahead carries along: filters, the last day and minutes, present crossings and chances, unlogged doings."""

    trends: TrendMemory = field(default_factory=TrendMemory)
    lately: Lately = ()
    minutes: tuple[Minute, ...] = ()
    crossings: tuple[Crossing, ...] = ()
    chances: tuple[Chance, ...] = ()
    afresh_ms: int | None = None
    spent_ms: int | None = None
    disturbed: bool = False
    fed: bool = False
    unlogged: str = ""
    unlogged_ms: int | None = None

    def crossing(self, limit: str) -> Crossing | None:
        for one in self.crossings:
            if one.limit == limit:
                return one
        return None

    def chance(self, limit: str) -> Chance | None:
        for one in self.chances:
            if one.limit == limit:
                return one
        return None


def look_ahead(
    ahead: Ahead,
    settings: VatSettings,
    slot_ms: int,
    values: Mapping[str, float | None],
    limits: Mapping[str, Limit],
    belief: OffsetBelief,
    ph_sigma: float,
    last_doing_ms: int | None,
    disturbed_now: bool,
    fed_now: bool,
) -> Ahead:
    """The memory after this slot. `values` by quantity (bare margin, pH at 25 °C, temperature); None where not known."""
    if (disturbed_now and not ahead.disturbed) or (fed_now and not ahead.fed):
        ahead = replace(ahead, disturbed=disturbed_now or ahead.disturbed, fed=fed_now or ahead.fed)
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
    ahead = replace(
        ahead,
        trends=follow(ahead.trends, slot_ms, values, disturbed),
        lately=extended(ahead.lately, slot_ms, values),
        minutes=minutes,
        disturbed=False,
        unlogged=unlogged,
        unlogged_ms=unlogged_ms,
    )
    warmth = _warmth(ahead, settings, slot_ms, values.get(TEMPERATURE), limits)
    due = ahead.afresh_ms is None or slot_ms - ahead.afresh_ms >= AFRESH_MS or disturbed
    if not due and not warmth and not any(one.limit in WARMTH for one in ahead.crossings):
        return ahead
    if due:
        spent_ms = spent_since(
            ahead.spent_ms,
            ahead.lately,
            slot_ms,
            ahead.trends.quiet_from_ms,
            _scale_mv(values.get(TEMPERATURE)),
            ahead.fed,
        )
        ahead = replace(ahead, spent_ms=spent_ms, fed=False)
        chemical = _chemical(ahead, values.get(TEMPERATURE), limits, belief, ph_sigma)
        chances = tuple(
            Chance(
                w.limit,
                w.chance_of_passing(NIGHT_H),
                w.chance_within(DOUBT_WITHIN_H),
                w.chance_within(NIGHT_H),
                w.chance_within(DAY_H),
            )
            for w in chemical
        )
        coming = [w.crossing(slot_ms) for w in chemical]
        ahead = replace(ahead, chances=chances, afresh_ms=slot_ms)
    else:
        coming = [one for one in ahead.crossings if one.limit in CHEMICAL]
    coming += [w.crossing(slot_ms) for w in warmth]
    return replace(ahead, crossings=tuple(one for one in coming if one is not None))


def _chemical(
    ahead: Ahead, temperature_c: float | None, limits: Mapping[str, Limit], belief: OffsetBelief, ph_sigma: float
) -> list[Ways]:
    found = [ways_ahead(ahead, name, limits[name], belief, ph_sigma, temperature_c) for name in CHEMICAL]
    return [one for one in found if one is not None]


def ways_ahead(
    ahead: Ahead, name: str, limit: Limit, belief: OffsetBelief, ph_sigma: float, temperature_c: float | None
) -> Ways | None:
    """Every way of one quantity to a limit, from outside or inside; None when nothing can be told."""
    stands: Sequence[float] = (0.0,)
    scale, spent_h = 1.0, None
    if name == window.OFF_REDUCTION:
        belief = by_pace(ahead, belief, temperature_c)
        stands = [belief.quantile_mv(part) for part in _OFFSET_PARTS]
        scale = _scale_mv(temperature_c)
        if ahead.spent_ms is not None and ahead.trends.at_ms is not None:
            spent_h = (ahead.trends.at_ms - ahead.spent_ms) / HOUR_MS
    elif name in CHEMICAL:
        stands, scale = [ph_sigma * z for z in NORMAL_TENTHS], shapes.PH_SCALE
    return ways_to(ahead.trends, ahead.lately, name, limit, stands, scale, spent_h)


def by_pace(ahead: Ahead, belief: OffsetBelief, temperature_c: float | None) -> OffsetBelief:
    """What is believed of the offset once the time since the reductant was gone is heard too (`spent`)."""
    memory, trend = ahead.trends, ahead.trends.trend(MARGIN)
    if trend is None or memory.at_ms is None or ahead.spent_ms is None:
        return belief
    return narrowed(belief, trend.level, margin_by_pace(ahead.spent_ms, memory.at_ms, _scale_mv(temperature_c)))


def _scale_mv(temperature_c: float | None) -> float:
    return thermal_mv(25.0 if temperature_c is None else min(max(temperature_c, 0.0), 100.0), electrons=2)


def _warmth(
    ahead: Ahead, settings: VatSettings, slot_ms: int, temperature_c: float | None, limits: Mapping[str, Limit]
) -> list[Ways]:
    """Ways out of the warmth a thermostat keeps. An unwarmed vat follows its room, which nobody measures: not told."""
    if not settings.warmed or temperature_c is None:
        return []
    usual = kept_between(ahead.lately, slot_ms - USUAL_FROM_MS, slot_ms - USUAL_AGO_MS)
    high = settings.window.temperature_high_c
    # Until something usual is known it may be warming up, and only the upper end of the window says "too far".
    kept = usual is not None and usual[0] >= settings.window.temperature_low_c
    names = []
    if temperature_c >= high or (kept and usual is not None and temperature_c > usual[1] + OUTSIDE_USUAL_C):
        names += [window.OFF_WARM, window.OVERHEAT]
    lower = mostly_above(ahead.lately, slot_ms - COOLING_FROM_MS, slot_ms - USUAL_AGO_MS, COOLING_PART)
    if lower is not None and settings.window.temperature_low_c <= lower > temperature_c + OUTSIDE_USUAL_C:
        names.append(window.OFF_COLD)
    found = [ways_to(ahead.trends, ahead.lately, name, limits[name], (0.0,), 1.0) for name in names]
    return [one for one in found if one is not None]


def situations_ahead(
    ahead: Ahead,
    settings: VatSettings,
    slot_ms: int,
    beyond: Mapping[str, bool],
    standing: Mapping[str, bool],
    settling: bool,
    been_inside: tuple[str, ...],
    reduction: Reduction | None,
    looked_at: Looked | None,
    offset_sigma_mv: float,
) -> dict[str, Situation]:
    """What each alarm that looks ahead has to judge in this slot. `standing` by alarm name: raised and not yet over."""
    found, ask = {}, False
    for alarm, limit in LIMIT_AHEAD.items():
        lead_ms = HEATING_WITHIN_MS if alarm == HEATING else settings.lead_ms
        if alarm in (COOLING, HEATING) and not settings.warmed:
            found[alarm] = NOT_BEYOND
            continue
        if beyond.get(limit, False):
            # It has come to pass: the alarm of the limit itself speaks now, and this one waits with it.
            found[alarm] = Situation(beyond=None, suppressed=True)
            continue
        coming, chance = ahead.crossing(limit), ahead.chance(limit)
        reach_ms = lead_ms * LONGER if standing.get(alarm, False) else lead_ms
        near = coming is not None and coming.median_ms - slot_ms <= reach_ms
        if alarm == TIRING_PH and not _rested(ahead, slot_ms, SOURED_BY_FEED_MS):
            near = False
        if chance is not None and _slowly(ahead, chance, slot_ms):
            near = True
        if alarm == TIRING_REDUCTION:
            # Far below the couple the reductant alone sets the potential: its fall says nothing of the share yet.
            near = near and reduction is not None and reduction.share_low < SATURATED_SHARE
            # Poorly known and not looked at since it fell: the look comes first, and teaches what no warning could.
            ask = near and look_first(reduction, offset_sigma_mv) and _worth_looking(ahead, slot_ms, looked_at)
            near = near and not ask
        found[alarm] = Situation(
            beyond=near,
            value=None if coming is None else coming.per_hour,
            suppressed=alarm != HEATING
            and (settling or limit not in been_inside or (alarm == TIRING_REDUCTION and looked_at is None)),
            moot=alarm != HEATING and limit not in been_inside,
        )
    found[UNLOGGED] = Situation(beyond=ahead.unlogged_ms is not None)
    found[DOUBTFUL] = _doubtful(
        ahead, settings, slot_ms, reduction, settling, looked_at, offset_sigma_mv, beyond, been_inside, ask
    )
    return found


def _slowly(ahead: Ahead, chance: Chance, slot_ms: int) -> bool:
    """Whether a fall too slow for the lead will probably have passed its limit within a night."""
    if chance.limit == window.OFF_REDUCTION and ahead.spent_ms is not None:
        return chance.night >= LIKELY_ONCE_SPENT
    if chance.limit == window.OFF_REDUCTION and chance.night >= LIKELY_BY_MORNING:
        return _rested(ahead, slot_ms, DOUBT_RESTED_MS)
    rested = chance.limit == window.OFF_REDUCTION or _rested(ahead, slot_ms, RESTED_MS)
    return rested and chance.in_night >= LIKELY_SLOWLY


def _rested(ahead: Ahead, slot_ms: int, for_ms: int) -> bool:
    """Whether the liquor has been quiet for so long."""
    return ahead.trends.quiet_from_ms is None or slot_ms - ahead.trends.quiet_from_ms >= for_ms


def recovering(ahead: Ahead, slot_ms: int, reduction: Reduction | None) -> bool:
    """Whether the liquor was lately disturbed and its margin rises again: the air that came in is being eaten up."""
    if reduction is None or reduction.probability_fit < CLEARLY_OFF:
        return False
    trend, quiet_ms = ahead.trends.trend(MARGIN), ahead.trends.quiet_from_ms
    lately = quiet_ms is not None and slot_ms - quiet_ms < RECOVERS_WITHIN_MS
    return lately and trend is not None and trend.slope > 0.0


def look_first(reduction: Reduction | None, offset_sigma_mv: float) -> bool:
    """Whether a look would tell more than the estimate does: then a look is asked for before a loss is claimed."""
    return reduction is not None and reduction.probability_fit > STILL_MAYBE_FIT and offset_sigma_mv >= WORTH_A_LOOK_MV


def _doubtful(
    ahead: Ahead,
    settings: VatSettings,
    slot_ms: int,
    reduction: Reduction | None,
    settling: bool,
    looked_at: Looked | None,
    offset_sigma_mv: float,
    beyond: Mapping[str, bool],
    been_inside: tuple[str, ...],
    ask: bool,
) -> Situation:
    """Perhaps near its limit, and lower than when somebody last looked: one look tells more than any number of readings."""
    maybe_off = beyond.get(window.OFF_REDUCTION, False) and look_first(reduction, offset_sigma_mv)
    off = beyond.get(window.OFF_REDUCTION, False) and not maybe_off
    if reduction is None or off or settling or window.OFF_REDUCTION not in been_inside:
        return Situation(beyond=None if reduction is None else False, suppressed=off or settling)
    chance = ahead.chance(window.OFF_REDUCTION)
    now = 1.0 - reduction.probability_fit
    soon, day = (now, now) if chance is None else (chance.soon, chance.day)
    worth = _worth_looking(ahead, slot_ms, looked_at)
    if maybe_off or ask:
        return Situation(beyond=worth, value=reduction.probability_fit)
    if soon < DOUBT_ANY_TIME and day < DOUBT_IN_EVENING:
        return Situation(beyond=False, value=reduction.probability_fit)
    evening = _is_evening(settings, slot_ms)
    poorly = offset_sigma_mv >= POORLY_KNOWN_MV and day >= DOUBT_POORLY_KNOWN
    doubted = soon >= DOUBT_ANY_TIME or poorly or (evening and day >= DOUBT_IN_EVENING)
    if not _rested(ahead, slot_ms, DOUBT_RESTED_MS):
        return Situation(beyond=False, value=reduction.probability_fit)
    fallen = looked_at is None or _fallen(ahead, looked_at)
    daily = evening and ahead.spent_ms is not None and day >= DOUBT_ANY_TIME
    teaches = offset_sigma_mv >= WORTH_A_LOOK_MV or day >= NEARLY_SURE
    return Situation(beyond=teaches and worth and ((fallen and doubted) or daily), value=reduction.probability_fit)


def _fallen(ahead: Ahead, looked_at: Looked) -> bool:
    now_mv = ahead.lately[-1].margin_mv if ahead.lately else None
    return now_mv is not None and now_mv <= looked_at.margin_mv - FALLEN_SINCE_LOOK_MV


def _worth_looking(ahead: Ahead, slot_ms: int, looked_at: Looked | None) -> bool:
    """Whether the liquor may look another way than when somebody last looked."""
    return looked_at is None or slot_ms - looked_at.time_ms >= LOOK_LASTS_MS or _fallen(ahead, looked_at)


def _is_evening(settings: VatSettings, slot_ms: int) -> bool:
    then = datetime.fromtimestamp(slot_ms / 1000, tz=UTC).astimezone(settings.timezone)
    return EVENING[0] <= then.hour * 60 + then.minute < EVENING[1]


def values_by_quantity(
    margin_mv: float | None, ph_25c: float | None, temperature_c: float | None
) -> dict[str, float | None]:
    return {MARGIN: margin_mv, PH: ph_25c, TEMPERATURE: temperature_c}
