"""A vat's hours from counts of its scans: by condition, by what it fell short of, by hour and by month. Pure.

A scan speaks for one step of the scan grid; time without scans is not recorded.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from itertools import pairwise

from vatwatch.season.hours import DEFAULT_SLOT_MS, HOUR_MS, TimeShares
from vatwatch.store.conditions import ConditionCount
from vatwatch.terms import VatCondition


@dataclass(frozen=True, slots=True)
class HourOfVat:
    """One UTC hour: ms by condition, in the order of `VatCondition`."""

    hour_ms: int
    spent_ms: tuple[int, ...]

    @property
    def dyeable_ms(self) -> int:
        return self.spent_ms[0]


@dataclass(frozen=True, slots=True)
class VatHours:
    """What a vat's time went into.

    `cost_ms` gives each stretch that was not dyeable to the most pressing shortfall alone, so that it adds up to that
    time; `short_ms` counts a stretch under every shortfall it had. `months` are local calendar months like `2026-05`
    with their shares of what was recorded; likewise `years`.
    """

    scans: int
    times: TimeShares
    cost_ms: tuple[tuple[str, int], ...]
    short_ms: tuple[tuple[str, int], ...]
    hours: tuple[HourOfVat, ...]
    months: tuple[tuple[str, TimeShares], ...]
    years: tuple[tuple[str, TimeShares], ...]


def vat_hours(counts: Sequence[ConditionCount], from_ms: int, to_ms: int, zone: tzinfo) -> VatHours:
    """The hours of one vat in (from_ms, to_ms]. Hours of a month are those whose beginning lies in it."""
    usual = _usual_step(counts)
    total: Counter[VatCondition] = Counter()
    cost: Counter[str] = Counter()
    short: Counter[str] = Counter()
    by_hour: dict[int, Counter[VatCondition]] = {}
    for count in counts:
        spent_ms = count.scans * (count.step_ms or usual)
        total[count.condition] += spent_ms
        by_hour.setdefault(count.hour_ms, Counter())[count.condition] += spent_ms
        for name in count.shortfalls:
            short[name] += spent_ms
        if count.condition is not VatCondition.DYEABLE:
            cost[count.shortfalls[0] if count.shortfalls else count.condition.value] += spent_ms
    return VatHours(
        scans=sum(count.scans for count in counts),
        times=_shares(total, to_ms - from_ms),
        cost_ms=_largest_first(cost),
        short_ms=_largest_first(short),
        hours=tuple(
            HourOfVat(hour_ms, tuple(spent[condition] for condition in VatCondition))
            for hour_ms, spent in sorted(by_hour.items())
        ),
        months=_by_period(by_hour, "%Y-%m", from_ms, to_ms, zone),
        years=_by_period(by_hour, "%Y", from_ms, to_ms, zone),
    )


def _by_period(
    by_hour: dict[int, Counter[VatCondition]], form: str, from_ms: int, to_ms: int, zone: tzinfo
) -> tuple[tuple[str, TimeShares], ...]:
    spans: Counter[str] = Counter()
    spent: dict[str, Counter[VatCondition]] = {}
    hour_ms = from_ms - from_ms % HOUR_MS
    while hour_ms < to_ms:
        period = datetime.fromtimestamp(hour_ms / 1000, zone).strftime(form)
        spans[period] += min(to_ms, hour_ms + HOUR_MS) - max(from_ms, hour_ms)
        spent.setdefault(period, Counter()).update(by_hour.get(hour_ms, {}))
        hour_ms += HOUR_MS
    return tuple((period, _shares(spent[period], span_ms)) for period, span_ms in spans.items())


def _shares(spent: Counter[VatCondition], span_ms: int) -> TimeShares:
    return TimeShares(
        span_ms=max(0, span_ms),
        dyeable_ms=spent[VatCondition.DYEABLE],
        settling_ms=spent[VatCondition.SETTLING],
        off_ms=spent[VatCondition.OFF],
        too_hot_ms=spent[VatCondition.TOO_HOT],
        unknown_ms=spent[VatCondition.UNKNOWN],
    )


def _usual_step(counts: Sequence[ConditionCount]) -> int:
    """The step most scans were taken at. Where none came within an hour of another (readings by hand): half of them came
    within so long of the one before."""
    steps: Counter[int] = Counter()
    for count in counts:
        if count.step_ms:
            steps[count.step_ms] += count.scans
    if steps:
        most = max(steps.values())
        return min(step for step, scans in steps.items() if scans == most)
    between = sorted(later - earlier for earlier, later in pairwise(sorted({count.hour_ms for count in counts})))
    return between[(len(between) - 1) // 2] if between else DEFAULT_SLOT_MS


def _largest_first(spent: Counter[str]) -> tuple[tuple[str, int], ...]:
    return tuple(sorted(((name, ms) for name, ms in spent.items() if ms), key=lambda pair: (-pair[1], pair[0])))
