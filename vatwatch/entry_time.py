"""Whether the time of something handed in can be true. Arithmetic only; the clock is the caller's."""

from __future__ import annotations

SLACK_MS = 60_000
EARLIEST_MS = 946_684_800_000
"""2000-01-01: anything before it is a clock that was never set."""


def impossible_time(time_ms: int, now_ms: int, rate: float) -> str:
    """Why an entry's time cannot be true, or nothing. A time far ahead would hold the vat unsettled for as long."""
    if time_ms > now_ms + SLACK_MS * rate:
        return "that time lies in the future; the journal holds what has happened"
    return "that time lies before the year 2000" if time_ms < EARLIEST_MS else ""
