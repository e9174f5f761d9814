"""The calendar of a vat's hours as paths of an SVG: a column a day, a row an hour of local time. Pure; knows no HTML."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta, tzinfo

from vatwatch.season.vat_hours import HourOfVat
from vatwatch.terms import VatCondition

WIDTH, ROW, LEFT = 960.0, 5.0, 34.0
WIDEST = 26.0
WELL_MS, PARTLY_MS = 45 * 60_000, 15 * 60_000
_CLASSES = ("dyeable", "partly", *(condition.value.replace(" ", "-") for condition in tuple(VatCondition)[1:]))


@dataclass(frozen=True, slots=True)
class CalendarPicture:
    """`paths` are (class, path data, hours in it); `months` are (x, label); all in the units of the view box."""

    width: float
    height: float
    paths: tuple[tuple[str, str, int], ...]
    months: tuple[tuple[float, str], ...]
    rows: tuple[tuple[float, str], ...]


def calendar_of(hours: Sequence[HourOfVat], from_ms: int, to_ms: int, zone: tzinfo) -> CalendarPicture:
    """Each hour as what filled it: dyeable from 45 min, partly from 15 min, else what took most of the rest."""
    first = datetime.fromtimestamp(from_ms / 1000, zone).date()
    last = datetime.fromtimestamp((to_ms - 1) / 1000, zone).date()
    days = (last - first).days + 1
    cell = min(WIDEST, (WIDTH - LEFT) / days)
    spent: dict[tuple[int, int], list[int]] = {}
    for hour in hours:
        # The hour that a change of the clocks doubles holds both.
        at = datetime.fromtimestamp(hour.hour_ms / 1000, zone)
        known = spent.setdefault(((at.date() - first).days, at.hour), [0] * len(hour.spent_ms))
        for place, ms in enumerate(hour.spent_ms):
            known[place] += ms
    cells: dict[str, list[tuple[int, int]]] = {name: [] for name in _CLASSES}
    for place_of, amounts in sorted(spent.items()):
        if sum(amounts):
            cells[_class(amounts)].append(place_of)
    return CalendarPicture(
        width=round(LEFT + days * cell, 2),
        height=24 * ROW + 16,
        paths=tuple((name, _path(places, cell), len(places)) for name, places in cells.items() if places),
        months=tuple(_months(first, days, cell)),
        rows=tuple((hour * ROW + 4, f"{hour} h") for hour in (0, 6, 12, 18)),
    )


def _class(amounts: Sequence[int]) -> str:
    if amounts[0] >= WELL_MS:
        return "dyeable"
    if amounts[0] >= PARTLY_MS:
        return "partly"
    rest = list(amounts[1:])
    if not any(rest):
        return "partly"
    return _CLASSES[2 + rest.index(max(rest))]


def _path(places: Sequence[tuple[int, int]], cell: float) -> str:
    """Cells of one class; those below each other in one day are one rectangle."""
    parts: list[str] = []
    start: tuple[int, int] | None = None
    length = 0
    for day, hour in [*places, (-1, -1)]:
        if start is not None and (day, hour) == (start[0], start[1] + length):
            length += 1
            continue
        if start is not None:
            parts.append(f"M{LEFT + start[0] * cell:.2f} {start[1] * ROW:g}h{cell:.2f}v{length * ROW:g}h-{cell:.2f}z")
        start, length = (day, hour), 1
    return "".join(parts)


def _months(first: date, days: int, cell: float) -> list[tuple[float, str]]:
    found: list[tuple[float, str]] = []
    for day in range(days):
        at = first + timedelta(days=day)
        if day == 0 or at.day == 1:
            x = round(LEFT + day * cell, 2)
            if found and x - found[-1][0] < 46:
                continue
            found.append((x, f"{at.day} {at:%b}" if day == 0 else f"{at:%b %Y}" if at.month == 1 else f"{at:%b}"))
    return found
