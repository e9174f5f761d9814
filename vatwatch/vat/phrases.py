"""Numbers, times, movements and small charts in words, for pushes. Pure; knows no alarm's life and gives no advice."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from itertools import pairwise

from vatwatch.records import Measured, Reduction, Scan
from vatwatch.terms import VatCondition
from vatwatch.vat.history import BIN_MS, History, HistoryBin, slope_per_hour
from vatwatch.vat.settings import HOUR_MS

LATELY_BINS = 5
"""Five quarters of an hour: which way a thing moves now."""
SPAN_BINS = 13
"""Three hours and a quarter: what a movement is told over."""
MOSTLY = 0.6
"""This share of a movement is most of it."""
_BLOCKS = "▁▂▃▄▅▆▇█"


@dataclass(frozen=True, slots=True)
class Told:
    """How a quantity of the history is told: its field, name, unit, decimals, and what counts as a movement at all."""

    field: str
    name: str
    unit: str
    decimals: int
    least: float

    def number(self, value: float) -> str:
        # "-0" is nobody's number.
        text = f"{value:.{self.decimals}f}".replace("-", "−")
        return text.removeprefix("−") if not text.strip("−0.") else text

    @property
    def after(self) -> str:
        return f" {self.unit}" if self.unit else ""


MARGIN = Told("margin_mv", "margin", "mV", 0, 4.0)
PH = Told("ph_25c", "pH (25 °C)", "", 2, 0.05)
TEMPERATURE = Told("temperature_c", "temperature", "°C", 1, 1.0)


def short(value: float) -> str:
    """`34.9`, `60`: one decimal, and none where it is a nought."""
    return f"{value:.1f}".removesuffix(".0")


def clock_words(time_ms: int, now_ms: int, zone: tzinfo) -> str:
    """`23:57` when it cannot be mistaken (today, last night, the night to come), `yesterday 23:57`, else with the date."""
    then = datetime.fromtimestamp(time_ms / 1000, tz=UTC).astimezone(zone)
    today = datetime.fromtimestamp(now_ms / 1000, tz=UTC).astimezone(zone).date()
    hours = f"{then:%H:%M}"
    if then.date() == today or -18 * HOUR_MS < now_ms - time_ms < 12 * HOUR_MS:
        return hours
    if then.date() == today - timedelta(days=1):
        return f"yesterday {hours}"
    return f"{then.day}.{then.month}. {hours}"


def percent(share: float, decimals: int = 0) -> str:
    return f"{100 * share:.{decimals}f} %"


def reduction_words(reduction: Reduction, limit: float) -> str:
    """`≥ 99 % reduced (margin 85 ± 12 mV)` or `about 86 % reduced (likely 60 % to 96 %)`; `limit` is the vat's own share."""
    if reduction.saturated:
        return f"≥ 99 % reduced (margin {reduction.margin_mv:.0f} ± {reduction.margin_mv_sigma:.0f} mV)"
    high = "over 99 %" if reduction.share_high > 0.99 else percent(reduction.share_high)
    # Next to its own limit a rounded share would seem to contradict the alarm.
    share = percent(reduction.share, 1 if abs(reduction.share - limit) < 0.01 else 0)
    return f"about {share} reduced (likely {percent(reduction.share_low)} to {high})"


def reading(measured: Measured, form: str) -> str:
    return "no reading" if measured.value is None else form.format(measured.value)


def temperature_words(scan: Scan, history: History, zone: tzinfo) -> str:
    """`61.0 °C`, or when it was last heard and what it was then."""
    if scan.temperature_c.value is not None:
        return f"{scan.temperature_c.value:.1f} °C"
    known = [one for one in history if one.temperature_c is not None]
    if not known or known[-1].temperature_c is None:
        return "no reading of the temperature"
    heard_ms = scan.temperature_c.time_ms or known[-1].start_ms + BIN_MS
    return (
        f"last heard {known[-1].temperature_c:.0f} °C at {clock_words(heard_ms, scan.slot_ms, zone)}, no reading since"
    )


def condition_words(scan: Scan, zone: tzinfo) -> str:
    match scan.condition:
        case VatCondition.DYEABLE:
            return "The vat is dyeable."
        case VatCondition.SETTLING if scan.settled_from_ms is not None:
            when = clock_words(scan.settled_from_ms, scan.slot_ms, zone)
            return f"Let it settle until {when}; then it is dyeable if this holds."
        case VatCondition.UNKNOWN:
            return "The vat as a whole is not known yet."
        case other:
            return f"The vat is {other.value}."


def series(told: Told, history: History) -> list[tuple[int, float]]:
    """(start of the quarter of an hour, value) where known."""
    pairs = ((one.start_ms, getattr(one, told.field)) for one in history)
    return [(start_ms, value) for start_ms, value in pairs if value is not None]


def lately_per_hour(told: Told, history: History) -> float | None:
    """The slope over the last hour or so, per hour."""
    return slope_per_hour(series(told, history)[-LATELY_BINS:])


def moved_words(told: Told, history: History, now_ms: int, zone: tzinfo) -> str:
    """How the quantity moved over the last hours, turning points told; nothing when there is too little to say."""
    points = series(told, history)[-SPAN_BINS:]
    per_hour = slope_per_hour(points[-LATELY_BINS:])
    if len(points) < 3 or per_hour is None:
        return ""
    since = clock_words(points[0][0], now_ms, zone)
    first, last = points[0][1], points[-1][1]
    low, high = min(value for _, value in points), max(value for _, value in points)
    after, number = told.after, told.number
    if high - low < told.least:
        return _slowly(told, history, now_ms, zone) or f"The {told.name} has hardly moved since {since}."
    now = "falling" if last < first else "rising"
    if max(high - max(first, last), min(first, last) - low) >= told.least:
        # It turned on the way: first and last alone would tell a wrong story.
        turn = high if high - max(first, last) >= min(first, last) - low else low
        way = "up" if turn == high else "down"
        now = "falling" if turn == high else "rising"
        return f"The {told.name} went from {number(first)} {way} to {number(turn)} and is {now}, now {number(last)}{after}."
    verb = "fell" if now == "falling" else "rose"
    rate = f"{abs(per_hour):.{max(1, told.decimals)}f}{after} an hour"
    lately = f", lately about {rate}" if (per_hour < 0) == (now == "falling") and abs(per_hour) > 0 else ""
    if abs(last - points[-3][1]) >= MOSTLY * abs(last - first):
        lately = ", most of it in the last half hour"  # a rate over an hour would make little of it
    return f"The {told.name} {verb} from {number(first)} to {number(last)}{after} since {since}{lately}."


def _slowly(told: Told, history: History, now_ms: int, zone: tzinfo) -> str:
    """A movement too slow to show in three hours, over all that is remembered; nothing when there is none either."""
    points = series(told, history)
    first, last = points[0][1], points[-1][1]
    largest = max(abs(b[1] - a[1]) for a, b in pairwise(points))
    if abs(last - first) < 2 * told.least or largest >= 0.5 * abs(last - first):
        return ""  # a step is no slow fall: a look may have moved the estimate
    verb = "fallen" if last < first else "risen"
    since = clock_words(points[0][0], now_ms, zone)
    return (
        f"The {told.name} has slowly {verb} from {told.number(first)} to {told.number(last)}{told.after} since {since}."
    )


def chart(told: Told, history: History, now_ms: int, zone: tzinfo) -> str:
    """Half-hour blocks over up to twelve hours, lowest and highest value and the times at both ends."""
    pairs = [history[max(0, i - 2) : i] for i in range(len(history), 0, -2)][::-1]
    values = [_mean_of(pair, told.field) for pair in pairs]
    known = [value for value in values if value is not None]
    if len(known) < 2:
        return ""
    low, high = min(known), max(known)
    span = (high - low) or 1.0
    bar = "".join("·" if v is None else _BLOCKS[min(7, int((v - low) / span * 8))] for v in values)
    start, end = clock_words(history[0].start_ms, now_ms, zone), clock_words(history[-1].start_ms, now_ms, zone)
    return f"{told.name} {told.number(low)} to {told.number(high)}{told.after}\n{bar}\n{start} to {end}"


def _mean_of(bins: Sequence[HistoryBin], field: str) -> float | None:
    known = [value for value in (getattr(one, field) for one in bins) if value is not None]
    return sum(known) / len(known) if known else None
