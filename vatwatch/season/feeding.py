"""Feeds: what each did, per gram and over the season; what was used per month and per kilogram dyed. Pure.

A response is the mean of the three hours after the hour of a feed less that of the two hours before it, of what the
store's hourly means say. It counts only where nothing else was fed, topped up or made anew in those six hours.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from enum import StrEnum
from statistics import NormalDist, median

from vatwatch.dyeing.pieces import Piece
from vatwatch.records import JournalEntry
from vatwatch.terms import EntryKind

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
HOURS_BEFORE, HOURS_AFTER = 2, 3
LEAST_FOR_TREND = 6
CONFIDENCE = 0.9
_DISTURBS = (EntryKind.FEED, EntryKind.TOP_UP, EntryKind.REMADE)


class Use(StrEnum):
    """What a substance is fed for."""

    REDUCTANT = "reductant"
    ALKALI = "alkali"
    INDIGO = "indigo"
    OTHER = "other"


_WORDS = {
    Use.REDUCTANT: (
        "hydrosulfite", "hydrosulphite", "dithionite", "thiourea", "fructose", "glucose", "sugar", "iron sulphate",
        "iron sulfate", "ferrous", "copperas", "zinc", "bran", "madder", "henna", "molasses", "dates",
    ),
    Use.ALKALI: ("soda", "lime", "caustic", "lye", "potash", "sodium hydroxide", "carbonate", "ash"),
    Use.INDIGO: ("indigo",),
}  # fmt: skip
"""Common names of what is fed, common practice, no source: the name that stands first in an entry decides."""


@dataclass(frozen=True, slots=True)
class FeedResponse:
    """One feed. Changes are None where they cannot be told: no numbers, or something else was done meanwhile."""

    time_ms: int
    what: str
    grams: float
    margin_mv: float | None
    ph_25c: float | None


@dataclass(frozen=True, slots=True)
class Trend:
    """Sen's slope of a response per gram, per 30 days, with its 90 % interval."""

    slope: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class FeedSummary:
    """One substance in one vat. Medians per gram over feeds that can be told; trends where there are six or more."""

    what: str
    use: Use
    feeds: int
    grams: float
    told: int
    margin_mv_per_g: float | None
    ph_per_g: float | None
    margin_trend: Trend | None
    ph_trend: Trend | None


@dataclass(frozen=True, slots=True)
class MonthOfUse:
    """Grams by use in one local calendar month, and the dry weight dyed in it (pieces by their last dip).

    `weighed` of `pieces` have a known weight.
    """

    month: str
    grams: tuple[tuple[Use, float], ...]
    dyed_g: float
    pieces: int
    weighed: int

    def per_kg(self, use: Use) -> float | None:
        """Grams per kilogram dyed; None while no weight is known."""
        return dict(self.grams).get(use, 0.0) / self.dyed_g * 1000.0 if self.dyed_g > 0 else None


def use_of(what: str) -> Use:
    """What a substance is fed for, by its name."""
    text = what.casefold()
    found = [(place, use) for use, names in _WORDS.items() for name in names if (place := text.find(name)) >= 0]
    return min(found, default=(0, Use.OTHER), key=lambda pair: pair[0])[1]


def responses_of(
    journal: Sequence[JournalEntry], margin_mv: Mapping[int, float], ph_25c: Mapping[int, float]
) -> tuple[FeedResponse, ...]:
    """Each feed with a weight. The means are by the beginning of their UTC hour; `journal` as in `excursions`."""
    disturbed = [entry.time_ms for entry in journal if entry.kind in _DISTURBS]
    found = []
    for entry in journal:
        if entry.kind is not EntryKind.FEED or not entry.grams or entry.grams <= 0:
            continue
        hour_ms = entry.time_ms - entry.time_ms % HOUR_MS
        begin_ms, end_ms = hour_ms - HOURS_BEFORE * HOUR_MS, hour_ms + (1 + HOURS_AFTER) * HOUR_MS
        alone = sum(begin_ms <= time < end_ms for time in disturbed) == 1
        found.append(
            FeedResponse(
                entry.time_ms,
                _name(entry.what),
                entry.grams,
                _change(margin_mv, hour_ms) if alone else None,
                _change(ph_25c, hour_ms) if alone else None,
            )
        )
    return tuple(found)


def _change(means: Mapping[int, float], hour_ms: int) -> float | None:
    before = [means.get(hour_ms - hour * HOUR_MS) for hour in range(1, HOURS_BEFORE + 1)]
    after = [means.get(hour_ms + hour * HOUR_MS) for hour in range(1, HOURS_AFTER + 1)]
    known_before = [value for value in before if value is not None]
    known_after = [value for value in after if value is not None]
    if len(known_before) < HOURS_BEFORE or len(known_after) < HOURS_AFTER:
        return None
    return sum(known_after) / HOURS_AFTER - sum(known_before) / HOURS_BEFORE


def summaries_of(responses: Sequence[FeedResponse]) -> tuple[FeedSummary, ...]:
    """One per substance, the one used most first."""
    grouped: dict[str, list[FeedResponse]] = {}
    for response in responses:
        grouped.setdefault(response.what, []).append(response)
    return tuple(sorted((_summary(what, group) for what, group in grouped.items()), key=lambda s: (-s.grams, s.what)))


def _summary(what: str, group: Sequence[FeedResponse]) -> FeedSummary:
    margin = [(one.time_ms, one.margin_mv / one.grams) for one in group if one.margin_mv is not None]
    ph = [(one.time_ms, one.ph_25c / one.grams) for one in group if one.ph_25c is not None]
    return FeedSummary(
        what=what,
        use=use_of(what),
        feeds=len(group),
        grams=math.fsum(one.grams for one in group),
        told=max(len(margin), len(ph)),
        margin_mv_per_g=median(value for _, value in margin) if margin else None,
        ph_per_g=median(value for _, value in ph) if ph else None,
        margin_trend=_trend(margin),
        ph_trend=_trend(ph),
    )


def _trend(points: Sequence[tuple[int, float]]) -> Trend | None:
    if len(points) < LEAST_FOR_TREND or len({time for time, _ in points}) < 2:
        return None
    return sen_slope([(time_ms / (30 * DAY_MS), value) for time_ms, value in points], CONFIDENCE)


def sen_slope(points: Sequence[tuple[float, float]], confidence: float) -> Trend:
    """Median of the slopes between all pairs of points, with its interval.

    Source: P. K. Sen (1968), Estimates of the regression coefficient based on Kendall's tau, J. Am. Stat. Assoc. 63,
    1379-1389, doi 10.1080/01621459.1968.10480934: interval from the variance of Kendall's S, ties taken off. Raises
    ValueError when no two points differ in x.
    """
    slopes = sorted(
        (later[1] - earlier[1]) / (later[0] - earlier[0])
        for place, earlier in enumerate(points)
        for later in points[place + 1 :]
        if later[0] != earlier[0]
    )
    if not slopes:
        raise ValueError("a slope needs two points that differ in x")
    count = len(points)
    ties = [
        [values.count(value) for value in set(values)] for values in ([p[0] for p in points], [p[1] for p in points])
    ]
    taken = sum(tie * (tie - 1) * (2 * tie + 5) for group in ties for tie in group)
    sigma = math.sqrt(max(0.0, (count * (count - 1) * (2 * count + 5) - taken) / 18.0))
    reach = NormalDist().inv_cdf((1 + confidence) / 2) * sigma
    high = min(round((len(slopes) + reach) / 2), len(slopes) - 1)
    low = max(round((len(slopes) - reach) / 2) - 1, 0)
    return Trend(float(median(slopes)), slopes[low], slopes[high])


def months_of_use(
    journal: Sequence[JournalEntry], pieces: Sequence[Piece], from_ms: int, to_ms: int, zone: tzinfo
) -> tuple[MonthOfUse, ...]:
    """One per month in which something was fed or dyed, and one last for the whole span, named `all`."""
    grams: dict[str, dict[Use, list[float]]] = {}
    for entry in journal:
        if entry.kind is EntryKind.FEED and entry.grams:
            for month in (_month(entry.time_ms, zone), "all"):
                grams.setdefault(month, {}).setdefault(use_of(entry.what), []).append(entry.grams)
    dyed: dict[str, list[float | None]] = {}
    for piece in pieces:
        last_ms = last_dip_ms(piece)
        if last_ms is not None and from_ms <= last_ms <= to_ms:
            for month in (_month(last_ms, zone), "all"):
                dyed.setdefault(month, []).append(piece.dry_grams)
    return tuple(
        MonthOfUse(
            month,
            tuple((use, math.fsum(amounts)) for use, amounts in sorted(grams.get(month, {}).items())),
            math.fsum(weight for weight in dyed.get(month, ()) if weight is not None),
            len(dyed.get(month, ())),
            sum(weight is not None for weight in dyed.get(month, ())),
        )
        for month in [*sorted((grams.keys() | dyed.keys()) - {"all"}), "all"]
    )


def last_dip_ms(piece: Piece) -> int | None:
    """When the piece last came out of, or into, a vat."""
    return max((dip.end_ms or dip.start_ms for dip in piece.dips), default=None)


def _month(time_ms: int, zone: tzinfo) -> str:
    return datetime.fromtimestamp(time_ms / 1000, zone).strftime("%Y-%m")


def _name(what: str) -> str:
    return " ".join(what.split()).casefold() or "not said what"
