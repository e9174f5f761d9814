"""What the months were worth: excursions caught, warnings in time, needless pushes, causes, heat, intervals."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from itertools import pairwise

from tests.benchmarks.judgement.month import DAY, FAULTS, HOUR, MINUTE, Month, outside
from vatwatch.records import Push
from vatwatch.vat import tiring, window

ALARMS_OF_LIMIT = {
    window.OFF_REDUCTION: {window.OFF_REDUCTION, tiring.TIRING_REDUCTION, tiring.DOUBTFUL},
    window.OFF_PH_LOW: {window.OFF_PH_LOW, tiring.TIRING_PH},
    window.OFF_PH_HIGH: {window.OFF_PH_HIGH},
    window.OFF_COLD: {window.OFF_COLD, tiring.COOLING},
    window.OFF_WARM: {window.OFF_WARM, tiring.HEATING, window.OVERHEAT},
    window.OVERHEAT: {window.OVERHEAT, tiring.HEATING},
}
PROBE_PH, PROBE_C = 0.06, 1.0
"""What a calibrated probe leaves unsure, 1 sigma: common practice."""
WARNINGS = {tiring.TIRING_REDUCTION, tiring.TIRING_PH, tiring.COOLING, tiring.DOUBTFUL}


@dataclass(frozen=True)
class Excursion:
    """One stay of the truth outside one limit. `settled_ms` is the part that was not settling."""

    limit: str
    from_ms: int
    to_ms: int
    settled_ms: int


@dataclass
class Score:
    """Counts over months; `merge` adds two."""

    vat_months: float = 0.0
    excursions: int = 0
    caught: int = 0
    late_h: list[float] = field(default_factory=list)
    missed: list[str] = field(default_factory=list)
    slow: int = 0
    slow_warned: int = 0
    pushes: int = 0
    needless: int = 0
    unwarned: list[str] = field(default_factory=list)
    needless_lines: list[str] = field(default_factory=list)
    needless_kinds: Counter[str] = field(default_factory=Counter)
    faults: int = 0
    named: int = 0
    unnamed: list[str] = field(default_factory=list)
    overheats: int = 0
    overheats_told: int = 0
    runaways: int = 0
    runaways_told: int = 0
    intervals: int = 0
    intervals_hit: int = 0
    minutes: int = 0
    covered: int = 0

    def merge(self, other: Score) -> None:
        for name, value in vars(other).items():
            mine = getattr(self, name)
            if isinstance(mine, list):
                mine.extend(value)
            elif isinstance(mine, Counter):
                mine.update(value)
            else:
                setattr(self, name, mine + value)


def excursions_of(month: Month) -> list[Excursion]:
    """Stays of the truth outside a limit, each with how much of it was not settling; short flickers joined."""
    open_: dict[str, list[int]] = {}
    found = []
    for minute in month.minutes:
        now = outside(month.window, minute.share, minute.ph_25c, minute.temperature_c)
        for limit in now:
            start = open_.setdefault(limit, [minute.at_ms, minute.at_ms, 0])
            start[1] = minute.at_ms
            start[2] += 0 if minute.settling else MINUTE
        for limit in [x for x in open_ if x not in now and minute.at_ms - open_[x][1] > 20 * MINUTE]:
            begin, last, settled = open_.pop(limit)
            found.append(Excursion(limit, begin, last, settled))
    found += [Excursion(limit, *times) for limit, times in open_.items()]
    return sorted(found, key=lambda one: one.from_ms)


def score(month: Month) -> Score:
    result = Score(vat_months=len(month.minutes) / (30 * 24 * 60))
    raised = [p for p in month.pushes if "no longer" not in p.title and " back" not in p.title]
    stays = excursions_of(month)
    for stay in stays:
        if stay.settled_ms <= 30 * MINUTE:
            continue
        about = [p for p in raised if p.alarm in ALARMS_OF_LIMIT[stay.limit]]
        # Told before it (and not answered long ago), or while it lasted.
        hits = [p for p in about if stay.from_ms - DAY <= p.slot_ms <= stay.to_ms]
        result.excursions += 1
        if hits:
            result.caught += 1
            result.late_h.append(max(0.0, (hits[0].slot_ms - stay.from_ms) / HOUR))
        else:
            depth = min(m.share for m in month.minutes if stay.from_ms <= m.at_ms <= stay.to_ms)
            hours = (stay.to_ms - stay.from_ms) / HOUR
            result.missed.append(f"{month.chemistry} {month.seed} {stay.limit} {hours:.1f} h, least share {depth:.2f}")
        if stay.limit in (window.OFF_REDUCTION, window.OFF_PH_LOW, window.OFF_COLD) and _slow(month, stay):
            result.slow += 1
            early = [p for p in about if stay.from_ms - 36 * HOUR <= p.slot_ms <= stay.from_ms - 2 * HOUR]
            result.slow_warned += bool(early)
            if not early:
                nearest = [
                    f"{p.alarm} {(p.slot_ms - stay.from_ms) / HOUR:+.1f} h"
                    for p in about
                    if abs(p.slot_ms - stay.from_ms) < DAY
                ]
                day = (stay.from_ms - month.minutes[0].at_ms) / DAY
                result.unwarned.append(f"{month.chemistry} {month.seed} {stay.limit} at day {day:.2f}: {nearest}")
        if stay.limit == window.OVERHEAT:
            result.overheats += 1
            told = [p for p in raised if p.alarm == window.OVERHEAT and p.slot_ms <= stay.from_ms + 3 * MINUTE + 30_000]
            result.overheats_told += any(p.slot_ms >= stay.from_ms - 10 * MINUTE for p in told)
            result.runaways += 1
            result.runaways_told += any(
                p.alarm == tiring.HEATING and stay.from_ms - 4 * HOUR <= p.slot_ms <= stay.from_ms - 10 * MINUTE
                for p in raised
            )
    result.pushes = len(month.pushes)
    for push in raised:
        if _needless(month, push, stays):
            result.needless += 1
            result.needless_kinds[push.alarm] += 1
            at = min(month.minutes, key=lambda m: abs(m.at_ms - push.slot_ms))
            result.needless_lines.append(
                f"{month.chemistry} {month.seed} day {(push.slot_ms - month.minutes[0].at_ms) / DAY:.2f} {push.alarm}: "
                f"share {at.share:.3f}, pH {at.ph_25c:.2f} (low {month.window.ph_low:.2f}), {at.temperature_c:.0f} °C"
            )
    for at_ms, kind in month.faults:
        following = [p for p in raised if at_ms <= p.slot_ms <= at_ms + 30 * HOUR]
        felt = (
            any(s.settled_ms > 30 * MINUTE and at_ms <= s.from_ms <= at_ms + 30 * HOUR for s in stays)
            or kind == "cable"
        )
        if not felt or not following:
            continue
        result.faults += 1
        if any(p.alarm in FAULTS[kind] for p in following):
            result.named += 1
        else:
            result.unnamed.append(f"{month.chemistry} {month.seed} {kind}: {sorted({p.alarm for p in following})}")
    for at_ms, limit, early_ms, _median_ms, late_ms in month.forecasts:
        truth = next((v for k, v in month.counterfactual.items() if k.endswith(f"-{at_ms}")), None)
        if truth is not None and limit != window.OVERHEAT:
            result.intervals += 1
            result.intervals_hit += early_ms <= truth and (late_ms is None or truth <= late_ms)
    for minute in month.minutes[::30]:
        if minute.share_low is not None and minute.share_high is not None:
            result.minutes += 1
            result.covered += minute.share_low <= minute.share <= minute.share_high
    return result


def _slow(month: Month, stay: Excursion) -> bool:
    """Whether the way to the limit took two hours or more: the truth drifted there, nothing jumped."""
    before = [m for m in month.minutes if stay.from_ms - 2 * HOUR <= m.at_ms < stay.from_ms]
    if len(before) < 110 or any(m.settling for m in before):
        return False
    name = {window.OFF_REDUCTION: "share", window.OFF_PH_LOW: "ph_25c", window.OFF_COLD: "temperature_c"}[stay.limit]
    values = [getattr(m, name) for m in before]
    steps = [abs(b - a) for a, b in pairwise(values)]
    whole = abs(values[-1] - values[0])
    return bool(max(steps) < 0.2 * whole + 1e-3)


def _needless(month: Month, push: Push, stays: list[Excursion]) -> bool:
    """A push nobody needed: no excursion of its limit near it, and, for a warning, none would have come in 36 hours.

    A request for a look is needless when the share was above 0.95 all along.
    """
    alarm, at_ms = push.alarm, push.slot_ms
    limits = [limit for limit, alarms in ALARMS_OF_LIMIT.items() if alarm in alarms]
    if not limits or alarm == tiring.UNLOGGED:
        return False
    if any(s.limit in limits and s.from_ms - 36 * HOUR <= at_ms <= s.to_ms + 90 * MINUTE for s in stays):
        return False
    if month.counterfactual.get(push.push_id) is not None:
        return False
    about = [m for m in month.minutes if abs(m.at_ms - at_ms) < HOUR]
    own = month.window
    # As near to its limit as a calibrated probe can tell: nobody would call that push wrong.
    if alarm == window.OFF_PH_LOW and min(m.ph_25c for m in about) < own.ph_low + PROBE_PH:
        return False
    if alarm == window.OFF_WARM and max(m.temperature_c for m in about) > own.temperature_high_c - PROBE_C:
        return False
    if alarm == window.OFF_COLD and min(m.temperature_c for m in about) < own.temperature_low_c + PROBE_C:
        return False
    if alarm == tiring.DOUBTFUL:
        return min(m.share for m in month.minutes if abs(m.at_ms - at_ms) < 12 * HOUR) > 0.95
    return True


def table(score: Score) -> str:
    """The figures as lines."""

    def part(hit: float, of: float) -> str:
        return f"{hit:g} of {of:g} ({100 * hit / of:.0f} %)" if of else "none came up"

    late = sorted(score.late_h)
    lines = [
        f"vat-months                                   {score.vat_months:.1f}",
        f"excursions over 30 min (not settling) told   {part(score.caught, score.excursions)}",
        "  told after they began, median / 90 %       "
        + (f"{late[len(late) // 2]:.1f} h / {late[int(0.9 * len(late))]:.1f} h" if late else "-"),
        f"slow drifts warned >= 2 h ahead              {part(score.slow_warned, score.slow)}",
        f"pushes per vat-month                         {score.pushes / score.vat_months:.1f}",
        f"needless pushes per vat-month                {score.needless / score.vat_months:.2f}  {dict(score.needless_kinds)}",
        f"cause named rightly                          {part(score.named, score.faults)}",
        f"overheat told within its delay + 60 s        {part(score.overheats_told, score.overheats)}",
        f"runaway told >= 10 min before the ceiling    {part(score.runaways_told, score.runaways)}",
        f"80 % forecast intervals that held            {part(score.intervals_hit, score.intervals)}",
        f"90 % share intervals that held               {part(score.covered, score.minutes)}",
    ]
    return "\n".join(lines)
