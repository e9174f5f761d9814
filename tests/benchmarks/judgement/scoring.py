"""What a month was worth: excursions told, slow drifts warned of, needless pushes, causes, heat, intervals, nights.

**Needless**, as a dyer would say it. A push is needed when what it says is so, or would have come to be so soon without
the dyer: then acting on it was right. Otherwise it is needless. By push:

- a limit passed (off, too hot): the truth stood beyond that limit within an hour and a half of the push, or within what
  a calibrated probe leaves unsure of it (0.06 pH, 1 °C); for the reduction also when the vat left alone would have
  passed it within a day.
- tiring, turning sour, cooling: the vat left alone from that moment would have passed the limit within 24 h; tiring also
  when the share was below 0.95 already: whoever looks then sees a liquor that is no longer sharp; turning sour also when
  the pH stood within what a calibrated probe leaves unsure of its limit.
- heating: the vat left alone would have passed its ceiling, or the heater really was stuck.
- a request for a look: the vat left alone would have passed its limit within 48 h, or the share was below 0.95
  already (its colour no longer tells of a sharp vat, so that looking does tell).
- something done that nobody wrote down: something was, within the hour before.
- a probe silent or not believable: one of its faults was on the vat.
- the evening outlook: it says a vat will not hold, and left alone the vat would have held.

The vat left alone is a copy of the simulated one at the moment of the push, run on with nobody near it. Pushes that tell
the end of something are counted among all pushes, not among these.
"""

from __future__ import annotations

from itertools import pairwise

from tests.benchmarks.judgement.faults import NAMES, OF_A_PROBE, UNLOGGED
from tests.benchmarks.judgement.month import Minute, Month
from tests.benchmarks.judgement.score import Excursion, Score
from tests.benchmarks.judgement.setting import PROBE_C, PROBE_PH
from vatwatch.records import Push
from vatwatch.vat import tiring, window
from vatwatch.vat.settings import DAY_MS, HOUR_MS, MINUTE_MS

ALARMS_OF_LIMIT = {
    window.OFF_REDUCTION: {window.OFF_REDUCTION, tiring.TIRING_REDUCTION, tiring.DOUBTFUL},
    window.OFF_PH_LOW: {window.OFF_PH_LOW, tiring.TIRING_PH},
    window.OFF_PH_HIGH: {window.OFF_PH_HIGH},
    window.OFF_COLD: {window.OFF_COLD, tiring.COOLING},
    window.OFF_WARM: {window.OFF_WARM, tiring.HEATING, window.OVERHEAT},
    window.OVERHEAT: {window.OVERHEAT, tiring.HEATING},
}
LIMIT_OF_ALARM = {**tiring.LIMIT_AHEAD, tiring.DOUBTFUL: window.OFF_REDUCTION}
NEEDED_WITHIN_H = {tiring.DOUBTFUL: 48.0, tiring.HEATING: 9.0}
COLOUR_TELLS_BELOW = 0.95
EXCURSION_MS = 30 * MINUTE_MS
OVERHEAT_WITHIN_MS = 30_000 + 60_000
"""The alarm's on-delay in these settings, and a minute."""
SLOW = {window.OFF_REDUCTION: "share", window.OFF_PH_LOW: "ph_25c", window.OFF_COLD: "temperature_c"}
BEGUN_PART = 0.1
"""This part of a fall must lie more than two hours before the limit for its way there to have taken two hours."""
_HOT = {tiring.HEATING, window.OFF_WARM}
"""What tells of a heater that runs away: either sends the dyer to it."""


def excursions_of(month: Month) -> list[Excursion]:
    """Stays of the truth beyond a limit, each with how much of it was not settling; short flickers joined."""
    open_: dict[str, list[int]] = {}
    found = []
    for minute in month.minutes:
        for limit in minute.beyond:
            stay = open_.setdefault(limit, [minute.at_ms, minute.at_ms, 0])
            stay[1] = minute.at_ms
            stay[2] += 0 if minute.settling else MINUTE_MS
        for limit in [x for x, s in open_.items() if x not in minute.beyond and minute.at_ms - s[1] > 20 * MINUTE_MS]:
            found.append(Excursion(limit, *open_.pop(limit)))
    found += [Excursion(limit, *times) for limit, times in open_.items()]
    return sorted(found, key=lambda one: one.from_ms)


def score(month: Month) -> Score:
    result = Score(vat_months=len(month.minutes) / (30 * 24 * 60))
    raised = [p for p in month.pushes if "-returns-to-normal-" not in p.push_id]
    stays = excursions_of(month)
    result.pushes = len(month.pushes)
    result.push_kinds.update(p.alarm for p in month.pushes)
    _score_stays(result, month, stays, raised)
    _score_needless(result, month, raised)
    _score_causes(result, month, stays, raised)
    _score_heat(result, month, stays, raised)
    _score_forecasts(result, month)
    _score_nights(result, month)
    return result


def _day(month: Month, at_ms: int) -> str:
    return f"{month.chemistry} {month.seed} day {(at_ms - month.minutes[0].at_ms) / DAY_MS:.2f}"


def _at(month: Month, at_ms: int) -> Minute:
    i = (at_ms - month.minutes[0].at_ms) // MINUTE_MS
    return month.minutes[min(max(i, 0), len(month.minutes) - 1)]


def _warned_by_outlook(month: Month, limit: str, from_ms: int, to_ms: int) -> bool:
    return any(from_ms <= n.at_ms <= to_ms and limit in n.named for n in month.nights)


def _score_stays(result: Score, month: Month, stays: list[Excursion], raised: list[Push]) -> None:
    for stay in stays:
        if stay.settled_ms <= EXCURSION_MS or _while_too_hot(stay, stays):
            continue
        about = [p for p in raised if p.alarm in ALARMS_OF_LIMIT[stay.limit]]
        # Told before it (and not answered long ago), or while it lasted.
        hits = [p for p in about if stay.from_ms - DAY_MS <= p.slot_ms <= stay.to_ms]
        result.excursions += 1
        where = f"{_day(month, stay.from_ms)} {stay.limit} {(stay.to_ms - stay.from_ms) / HOUR_MS:.1f} h"
        if hits or _warned_by_outlook(month, stay.limit, stay.from_ms - DAY_MS, stay.to_ms):
            result.caught += 1
            result.late_h += [max(0.0, (hits[0].slot_ms - stay.from_ms) / HOUR_MS)] if hits else []
        else:
            depth = min(m.share for m in month.minutes if stay.from_ms <= m.at_ms <= stay.to_ms)
            result.missed.append(f"{where}, least share {depth:.2f}")
        if stay.limit in SLOW and _slow(month, stay):
            result.slow += 1
            first, last = stay.from_ms - 48 * HOUR_MS, stay.from_ms - 2 * HOUR_MS
            early = [p for p in about if first <= p.slot_ms <= last]
            if early or _warned_by_outlook(month, stay.limit, first, last):
                result.slow_warned += 1
            else:
                near = [f"{p.alarm} {(p.slot_ms - stay.from_ms) / HOUR_MS:+.1f} h" for p in about
                        if abs(p.slot_ms - stay.from_ms) < 3 * DAY_MS]  # fmt: skip
                result.unwarned.append(f"{where}: {near}")


def _while_too_hot(stay: Excursion, stays: list[Excursion]) -> bool:
    """Whether it happened in a vat beyond its ceiling: the overheat is the news, and is told."""
    return stay.limit != window.OVERHEAT and any(
        one.limit == window.OVERHEAT and one.from_ms - 2 * HOUR_MS <= stay.from_ms <= one.to_ms + 4 * HOUR_MS
        for one in stays
    )


def _slow(month: Month, stay: Excursion) -> bool:
    """Whether the way to the limit took two hours or more: the truth drifted there, nothing jumped."""
    # With the minute in which it passed the limit: a vat that stood still until something was poured in did not drift.
    before = [m for m in month.minutes if stay.from_ms - 2 * HOUR_MS <= m.at_ms <= stay.from_ms]
    if len(before) < 110 or any(m.settling for m in before[:-1]):
        return False
    values = [getattr(m, SLOW[stay.limit]) for m in before]
    # Two hours or more from where the movement began: a part of it lies before them.
    start = getattr(_at(month, stay.from_ms - 5 * HOUR_MS), SLOW[stay.limit])
    if start - values[0] < BEGUN_PART * (start - values[-1]):
        return False
    steps = [abs(b - a) for a, b in pairwise(values)]
    whole = abs(values[-1] - values[0])
    return bool(max(steps) < 0.2 * whole + 1e-3)


def _score_needless(result: Score, month: Month, raised: list[Push]) -> None:
    for push in raised:
        if _needed(month, push):
            continue
        result.needless += 1
        result.needless_kinds[push.alarm] += 1
        at, own = _at(month, push.slot_ms), month.window
        alone = month.alone.get(push.push_id, {}).get(LIMIT_OF_ALARM.get(push.alarm, push.alarm))
        then = "" if alone is None else f", alone in {(alone - push.slot_ms) / HOUR_MS:.0f} h"
        result.needless_lines.append(
            f"{_day(month, push.slot_ms)} {push.alarm}: share {at.share:.3f}, pH {at.ph_25c:.2f} "
            f"(low {own.ph_low:.2f}), {at.temperature_c:.0f} °C{then}{_meanwhile(month, push.slot_ms)}"
        )
        if _drifting(month, push):
            result.needless_by_drift += 1
    for night in month.nights:
        if night.known and not night.holds and not night.passed and not night.near:
            result.needless += 1
            result.needless_kinds["evening outlook"] += 1


def _drifting(month: Month, push: Push) -> bool:
    """Whether the probe whose quantity the push is about was drifting: nothing in the vat's own readings can tell."""
    quantity = "ph" if "ph" in push.alarm.split("-") else "orp"
    return any(
        f.kind in ("probe drift", "fouling") and f.probe == quantity and f.at_ms <= push.slot_ms <= f.until_ms + DAY_MS
        for f in month.faults
    )


def _meanwhile(month: Month, at_ms: int) -> str:
    """What was done last, and what was wrong then."""
    done = [at for at in month.doings if at <= at_ms]
    last = f", {(at_ms - done[-1]) / HOUR_MS:.1f} h after a doing" if done else ""
    wrong = [f"{f.kind} {f.probe}".strip() for f in month.faults if f.at_ms <= at_ms <= f.until_ms + 6 * HOUR_MS]
    return f"{last}{', meanwhile ' + ' and '.join(wrong) if wrong else ''}"


def _needed(month: Month, push: Push) -> bool:
    alarm, at_ms, own = push.alarm, push.slot_ms, month.window
    if alarm == tiring.UNLOGGED:
        return any(f.kind in UNLOGGED and 0 <= at_ms - f.at_ms <= HOUR_MS for f in month.faults)
    if alarm.startswith("silent"):
        return any(
            f.kind in OF_A_PROBE and f.at_ms <= at_ms <= f.until_ms + HOUR_MS and alarm == f"silent-{f.probe}"
            for f in month.faults
        )
    alone = month.alone.get(push.push_id, {}).get(LIMIT_OF_ALARM.get(alarm, alarm))
    if alone is not None and alone - at_ms <= NEEDED_WITHIN_H.get(alarm, 24.0) * HOUR_MS:
        return True
    about = [_at(month, t) for t in range(at_ms - 90 * MINUTE_MS, at_ms + 90 * MINUTE_MS, MINUTE_MS)]
    match alarm:
        case tiring.DOUBTFUL | tiring.TIRING_REDUCTION:
            return _at(month, at_ms).share < COLOUR_TELLS_BELOW
        case tiring.HEATING:
            return any(f.kind == "heater stuck on" and f.at_ms <= at_ms <= f.until_ms for f in month.faults)
        case window.OFF_REDUCTION:
            return min(m.share for m in about) < own.reduction_low
        case window.OFF_PH_LOW | tiring.TIRING_PH:
            return min(m.ph_25c for m in about) < own.ph_low + PROBE_PH
        case window.OFF_PH_HIGH:
            return max(m.ph_25c for m in about) > own.ph_high - PROBE_PH
        case window.OFF_COLD:
            return min(m.temperature_c for m in about) < own.temperature_low_c + PROBE_C
        case window.OFF_WARM:
            return max(m.temperature_c for m in about) > own.temperature_high_c - PROBE_C
        case window.OVERHEAT:
            return max(m.temperature_c for m in about) > own.ceiling_c - PROBE_C
    return False


def _score_causes(result: Score, month: Month, stays: list[Excursion], raised: list[Push]) -> None:
    """Of the faults that were felt (an excursion within 30 h, a probe cut off, something done) and told: named rightly."""
    for fault in month.faults:
        end = fault.at_ms + 30 * HOUR_MS if fault.kind not in OF_A_PROBE else fault.until_ms
        felt = fault.kind in ("cable", "probe in air") or any(
            s.settled_ms > EXCURSION_MS and fault.at_ms <= s.from_ms <= end for s in stays
        )
        if fault.kind in UNLOGGED and not felt:
            end, felt = fault.at_ms + 2 * HOUR_MS, True
        following = {p.alarm for p in raised if fault.at_ms <= p.slot_ms <= end}
        if not felt or not following:
            continue
        result.faults[fault.kind] += 1
        if following & NAMES[fault.kind]:
            result.named[fault.kind] += 1
        else:
            result.unnamed.append(f"{_day(month, fault.at_ms)} {fault.kind} {fault.probe}: {sorted(following)}")


def _score_heat(result: Score, month: Month, stays: list[Excursion], raised: list[Push]) -> None:
    for stay in stays:
        if stay.limit == window.OVERHEAT and stay.to_ms - stay.from_ms >= 3 * MINUTE_MS:
            result.overheats += 1
            # The truth is kept by the minute: it may have passed the ceiling up to a minute before `from_ms`.
            told = [p.slot_ms for p in raised if p.alarm == window.OVERHEAT]
            if any(stay.from_ms - 10 * MINUTE_MS <= at <= stay.from_ms + OVERHEAT_WITHIN_MS for at in told):
                result.overheats_told += 1
            else:
                result.unheard.append(f"{_day(month, stay.from_ms)} overheat")
    for from_ms, ceiling_ms in month.ceilings.items():
        if ceiling_ms is None:
            continue
        result.runaways += 1
        told = [p.slot_ms for p in raised if p.alarm in _HOT and p.slot_ms >= from_ms]
        if told and min(told) <= ceiling_ms - 10 * MINUTE_MS:
            result.runaways_told += 1
        else:
            early = f"{(ceiling_ms - min(told)) / MINUTE_MS:.0f} min before" if told else "not told"
            took = (ceiling_ms - from_ms) / MINUTE_MS
            result.unheard.append(f"{_day(month, from_ms)} runaway, ceiling after {took:.0f} min, {early}")


def _score_forecasts(result: Score, month: Month) -> None:
    for one in month.asked:
        horizon = one.at_ms + 48 * HOUR_MS
        truth = one.truth_ms if one.truth_ms is not None else horizon
        kind = result.intervals.setdefault(one.limit, [0, 0, 0])
        kind[0] += 1
        # Beyond the horizon of the truth an open or later end holds.
        late = horizon + 1 if one.late_ms is None else one.late_ms
        kind[1] += one.early_ms <= truth <= late
        kind[2] += truth < one.early_ms
    for minute in month.minutes[::30]:
        if minute.share_low is not None and minute.share_high is not None:
            result.minutes += 1
            result.covered += minute.share_low <= minute.share <= minute.share_high


def _score_nights(result: Score, month: Month) -> None:
    for night in month.nights:
        if not night.known:
            result.nights_unknown += 1
            continue
        result.nights += 1
        right = night.holds == (not night.passed) or night.near
        result.nights_right += right
        result.nights_falling += bool(night.passed)
        result.nights_falling_right += bool(night.passed) and right
        if not right:
            said = "holds" if night.holds else f"falls by {night.named}"
            result.nights_wrong.append(f"{_day(month, night.at_ms)}: said {said}, passed {sorted(night.passed)}")
