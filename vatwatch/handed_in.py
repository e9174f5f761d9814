"""What people hand in, looked at before it is written down: whether it can be so, and as what it is kept.

One look for everything, whichever way it came: page, inbox, broker. Reads and writes nothing.
"""

from __future__ import annotations

from collections.abc import Mapping

from vatwatch.records import AlarmAction, Calibration, JournalEntry
from vatwatch.vat import shed_alarms
from vatwatch.vat.alarm_actions import bounded, complaint
from vatwatch.vat.alarm_set import alarm_definitions
from vatwatch.vat.alarms import AlarmDefinition
from vatwatch.vat.settings import VatSettings

SLACK_MS = 60_000
EARLIEST_MS = 946_684_800_000
"""2000-01-01: anything before it is a clock that was never set."""
NAMED_MOST = 64


def definitions_of(vat: str, vats: Mapping[str, VatSettings]) -> dict[str, AlarmDefinition]:
    """The alarms of one vat, or of the shed as a whole (an empty name)."""
    return alarm_definitions(vats[vat]) if vat else shed_alarms.DEFINITIONS


def why_not(
    entry: JournalEntry | AlarmAction | Calibration, vats: Mapping[str, VatSettings], now_ms: int, rate: float = 1.0
) -> str:
    """Why this cannot be taken, or nothing. A time far ahead would hold a vat unsettled for as long."""
    of_shed = isinstance(entry, AlarmAction) and not entry.vat
    if entry.vat not in vats and not of_shed:
        return f"there is no vat {entry.vat[:NAMED_MOST]!r} in the settings; known: {', '.join(vats)}"
    if entry.time_ms > now_ms + SLACK_MS * rate:
        return "that time lies in the future; the journal holds what has happened"
    if entry.time_ms < EARLIEST_MS <= now_ms:
        return "that time lies before the year 2000"
    if isinstance(entry, AlarmAction):
        whose = vats[entry.vat].name if entry.vat else "the shed"
        return complaint(entry, definitions_of(entry.vat, vats), whose)
    return ""


def as_kept(
    entry: JournalEntry | AlarmAction, vats: Mapping[str, VatSettings], slot_ms: int
) -> JournalEntry | AlarmAction:
    """The entry as it is written down: a shelving with the end it will really have, so that screens can tell it."""
    if isinstance(entry, AlarmAction):
        return bounded(entry, definitions_of(entry.vat, vats)[entry.alarm], slot_ms)
    return entry
