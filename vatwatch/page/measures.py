"""Times, lengths, shares and measured values as words or as not known. Pure; under `sentence` and `wording`."""

from __future__ import annotations

import re
from datetime import datetime, timedelta, tzinfo
from enum import StrEnum

from vatwatch.records import Measured, Scan
from vatwatch.terms import Flag, Quantity

MONTHS = [
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
]
_NUMBER_THEN_UNIT = re.compile(r"(\d) (?=(?:°C|%|mV|min|days|[gslh])(?:\W|$))")
QUANTITY_WORDS = {
    Quantity.PH: "pH",
    Quantity.ORP: "ORP",
    Quantity.TEMPERATURE: "temperature",
}


class Freshness(StrEnum):
    """How far the newest scan can speak for now."""

    NEVER = "never"
    FRESH = "fresh"
    STALE = "stale"
    AHEAD = "ahead"


def freshness(scan: Scan | None, now_ms: int, stale_after_ms: int) -> Freshness:
    """Whether a scan may speak for now. A scan dated ahead of the clock is as doubtful as an old one."""
    if scan is None:
        return Freshness.NEVER
    age_ms = now_ms - scan.slot_ms
    if age_ms > stale_after_ms:
        return Freshness.STALE
    if age_ms < -stale_after_ms:
        return Freshness.AHEAD
    return Freshness.FRESH


def clock_words(time_ms: int, now_ms: int, zone: tzinfo) -> str:
    """A local time as short as the day allows: `14:10`, `yesterday 23:10`, `3 June 14:10`."""
    then = datetime.fromtimestamp(time_ms / 1000, zone)
    today = datetime.fromtimestamp(now_ms / 1000, zone).date()
    hours = f"{then:%H:%M}"
    if then.date() == today:
        return hours
    if then.date() == today - timedelta(days=1):
        return f"yesterday {hours}"
    if then.date() == today + timedelta(days=1):
        return f"tomorrow {hours}"
    year = "" if then.year == today.year else f" {then.year}"
    return f"{then.day} {MONTHS[then.month - 1]}{year} {hours}"


def span_words(span_ms: int) -> str:
    """A length of time in its one fitting unit: `42 s`, `3 min`, `5 h`, `3 days`."""
    seconds = max(0, span_ms) // 1000
    if seconds < 90:
        return f"{seconds} s"
    if seconds < 90 * 60:
        return f"{seconds // 60} min"
    if seconds < 36 * 3600:
        return f"{seconds // 3600} h"
    return f"{seconds // 86400} days"


def bound(text: str) -> str:
    """Tie each number to its unit, so that a narrow screen does not part them."""
    return _NUMBER_THEN_UNIT.sub("\\1\u00a0", text)


def trusted(measured: Measured) -> float | None:
    """The value, or None when the scan withdrew it or its quality flag says fail or missing."""
    if measured.flag in (Flag.FAIL, Flag.MISSING):
        return None
    return measured.value


def quantities_of(scan: Scan) -> tuple[tuple[Quantity, Measured], ...]:
    return (
        (Quantity.PH, scan.ph),
        (Quantity.ORP, scan.orp_mv),
        (Quantity.TEMPERATURE, scan.temperature_c),
    )


def share_words(share: float) -> str:
    """A share of 0…1 as a whole percentage that never rounds up to 100."""
    return f"{min(99, round(share * 100))} %"
