"""What feeds did per gram, as points over the season with their trend: numbers for small SVGs. Pure; knows no HTML."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from vatwatch.season.feeding import DAY_MS, FeedResponse, FeedSummary, Trend, Use

WIDTH, HEIGHT, LEFT, TOP, BOTTOM = 470.0, 150.0, 46.0, 8.0, 18.0
LEAST_POINTS = 2


@dataclass(frozen=True, slots=True)
class FeedPicture:
    """`points` are (x, y), `line` the trend's two ends, `ticks` (y, label), all in the units of the view box."""

    title: str
    points: tuple[tuple[float, float], ...]
    line: tuple[float, float, float, float] | None
    ticks: tuple[tuple[float, str], ...]


def feed_pictures(
    responses: Sequence[FeedResponse], feeds: Sequence[FeedSummary], from_ms: int, to_ms: int
) -> list[FeedPicture]:
    """One per substance fed against lost reduction (mV per gram) or lost pH (pH per gram), the two used most."""
    pictures = []
    for feed in feeds:
        mine = [one for one in responses if one.what == feed.what]
        if feed.use is Use.REDUCTANT:
            found = [(one.time_ms, one.margin_mv / one.grams) for one in mine if one.margin_mv is not None]
            title, trend = f"{feed.what}: margin gained, mV per gram", feed.margin_trend
        elif feed.use is Use.ALKALI:
            found = [(one.time_ms, one.ph_25c / one.grams) for one in mine if one.ph_25c is not None]
            title, trend = f"{feed.what}: pH gained (as at 25 °C) per gram", feed.ph_trend
        else:
            continue
        if len(found) >= LEAST_POINTS:
            pictures.append(_picture(title, found, trend, from_ms, to_ms))
    return pictures[:2]


def _picture(
    title: str, found: Sequence[tuple[int, float]], trend: Trend | None, from_ms: int, to_ms: int
) -> FeedPicture:
    values = [value for _, value in found]
    low, high = min(0.0, *values), max(0.0, *values)
    high = high if high > low else low + 1.0

    def x(time_ms: float) -> float:
        return round(LEFT + (time_ms - from_ms) / (to_ms - from_ms) * (WIDTH - LEFT - 4), 2)

    def y(value: float) -> float:
        return round(TOP + (high - value) / (high - low) * (HEIGHT - TOP - BOTTOM), 2)

    line = None
    if trend is not None:
        # Sen's line goes through the medians of both.
        middle_ms, middle = median(time for time, _ in found), median(values)
        ends = (min(time for time, _ in found), max(time for time, _ in found))
        at = [middle + trend.slope * (end - middle_ms) / (30 * DAY_MS) for end in ends]
        line = (x(ends[0]), y(min(max(at[0], low), high)), x(ends[1]), y(min(max(at[1], low), high)))
    return FeedPicture(
        title,
        tuple((x(time_ms), y(value)) for time_ms, value in found),
        line,
        tuple((y(value), f"{value:.3g}".replace("-", "−")) for value in dict.fromkeys((low, 0.0, high))),
    )
