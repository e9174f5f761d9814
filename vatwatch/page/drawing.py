"""Pictures as numbers: where the marks of an inline SVG lie. Pure geometry; templates write the elements.

The page needs no script to show how reduced a vat is or how its day went; only zooming does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Protocol, TypeVar

from vatwatch.records import Reduction

BAR_WIDTH = 300.0
CURVE_WIDTH = 320.0
CURVE_HEIGHT = 120.0


class Bucket(Protocol):
    """One bucket of a stored curve."""

    @property
    def time_ms(self) -> int: ...
    @property
    def low(self) -> float: ...
    @property
    def mean(self) -> float: ...
    @property
    def high(self) -> float: ...


BucketT = TypeVar("BucketT", bound=Bucket)


@dataclass(frozen=True, slots=True)
class ReductionBar:
    """Horizontal places (0…BAR_WIDTH) of the interval, the estimate and the limit."""

    low_x: float
    high_x: float
    middle_x: float
    limit_x: float

    @property
    def interval_width(self) -> float:
        return max(4.0, self.high_x - self.low_x)


def reduction_bar(reduction: Reduction, reduction_low: float) -> ReductionBar:
    """The reduction estimate as places on a bar from nothing (left) to all of it reduced (right)."""

    def place(share: float) -> float:
        return round(min(1.0, max(0.0, share)) * BAR_WIDTH, 1)

    return ReductionBar(
        low_x=min(place(reduction.share_low), BAR_WIDTH - 4.0),
        high_x=place(reduction.share_high),
        middle_x=place(reduction.share),
        limit_x=place(reduction_low),
    )


@dataclass(frozen=True, slots=True)
class CurvePicture:
    """SVG paths of one curve: the band from lowest to highest, the line of means, and each limit's height."""

    band: str
    line: str
    limit_ys: tuple[float, ...]
    floor: float
    ceiling: float

    @property
    def empty(self) -> bool:
        return not self.line


def longest_bridge_ms(points: Sequence[Bucket], bucket_ms: float) -> float:
    """The longest step between two buckets that may still be joined by a line; beyond it there was no data."""
    steps = sorted(later.time_ms - earlier.time_ms for earlier, later in pairwise(points))
    typical = steps[len(steps) // 2] if steps else bucket_ms
    return 2.5 * max(bucket_ms, typical)


def stretches(points: Sequence[BucketT], bucket_ms: float) -> list[list[BucketT]]:
    """Split a curve where data is missing, so that no line is drawn through silence."""
    bridge_ms = longest_bridge_ms(points, bucket_ms)
    found: list[list[BucketT]] = []
    for point in points:
        if found and point.time_ms - found[-1][-1].time_ms <= bridge_ms:
            found[-1].append(point)
        else:
            found.append([point])
    return found


def curve_picture(
    points: Sequence[Bucket], from_ms: int, to_ms: int, bucket_ms: float, limits: Sequence[float]
) -> CurvePicture:
    """Place a curve in a CURVE_WIDTH × CURVE_HEIGHT box, limits always inside it."""
    heights = [*limits, *(point.low for point in points), *(point.high for point in points)]
    floor, ceiling = (min(heights), max(heights)) if heights else (0.0, 1.0)
    room = (ceiling - floor) * 0.08 or 0.5
    floor, ceiling = floor - room, ceiling + room

    def x(time_ms: int) -> str:
        return f"{(time_ms - from_ms) / max(1, to_ms - from_ms) * CURVE_WIDTH:.1f}"

    def y(value: float) -> float:
        return round((ceiling - value) / (ceiling - floor) * CURVE_HEIGHT, 1)

    bands, lines = [], []
    for stretch in stretches(points, bucket_ms):
        top = [f"{x(point.time_ms)},{y(point.high)}" for point in stretch]
        bottom = [f"{x(point.time_ms)},{y(point.low)}" for point in reversed(stretch)]
        bands.append("M" + " L".join([*top, *bottom]) + " Z")
        # A lone bucket still shows: a zero-length line is drawn as a dot by its round cap.
        middle = [f"{x(point.time_ms)},{y(point.mean)}" for point in stretch]
        lines.append("M" + " L".join(middle if len(middle) > 1 else middle * 2))
    return CurvePicture(" ".join(bands), " ".join(lines), tuple(y(limit) for limit in limits), floor, ceiling)


def mark_xs(times_ms: Sequence[int], from_ms: int, to_ms: int) -> list[float]:
    """Where journal marks stand on a curve's picture; marks on the same spot are drawn once."""
    places = {round((time_ms - from_ms) / max(1, to_ms - from_ms) * CURVE_WIDTH, 1) for time_ms in times_ms}
    return sorted(x for x in places if 0.0 <= x <= CURVE_WIDTH)
