"""From what a form or a JSON body holds to a journal entry, or to sentences saying what to mend. Pure.

`entry_id` travels in the form, so a double tap, a reload or a retry names the same entry and is logged once.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass

from vatwatch.records import ActionVerb, AlarmAction, EntryKind, JournalEntry, Look

ID_PATTERN = r"^[A-Za-z0-9_-]{8,64}$"
WHAT_LONGEST = 120
TEXT_LONGEST = 2000
GRAMS_MOST = 100_000.0
LITRES_MOST = 10_000.0
MINUTES_MOST = 7 * 24 * 60.0
EARLIEST_MS = 946_684_800_000
"""2000-01-01: anything before it is a clock that was never set."""
MINUTES_AGO_CHOICES = (0, 5, 15, 30, 60, 120, 240)
COVER_WORDS = ("covered", "uncovered")
_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f\u2028\u2029]")


@dataclass(frozen=True, slots=True)
class Refused:
    """Why a form was not taken, in sentences for the person who filled it in."""

    complaints: tuple[str, ...]


def entry_from_form(fields: Mapping[str, str], vat: str, now_ms: int) -> JournalEntry | Refused:
    """A journal entry from the fields of one of the vat screen's forms."""
    complaints: list[str] = []
    entry_id = fields.get("entry_id", "")
    if not re.fullmatch(ID_PATTERN, entry_id):
        complaints.append("The form had lost its number. It has a new one now: please press the button once more.")
    try:
        kind = EntryKind(fields.get("kind", ""))
    except ValueError:
        return Refused((*complaints, "The form did not say what to log."))
    grams = _amount(fields, "grams", "Grams", GRAMS_MOST, complaints)
    litres = _amount(fields, "litres", "Litres", LITRES_MOST, complaints)
    minutes = _amount(fields, "minutes", "Minutes", MINUTES_MOST, complaints)
    minutes_ago = _amount(fields, "minutes_ago", "Minutes ago", MINUTES_MOST, complaints, zero_allowed=True) or 0.0
    entry = JournalEntry(
        entry_id=entry_id,
        time_ms=now_ms - round(minutes_ago * 60_000),
        logged_ms=now_ms,
        vat=vat,
        kind=kind,
        what=_line(fields.get("what", "")),
        grams=grams,
        litres=litres,
        minutes=minutes,
        text=_text(fields.get("text", "")),
    )
    complaints += entry_complaints(entry, now_ms)
    return Refused(tuple(complaints)) if complaints else entry


def entry_complaints(entry: JournalEntry, now_ms: int) -> list[str]:
    """What is missing or impossible in an entry, however it came."""
    found = []
    if len(entry.what) > WHAT_LONGEST:
        found.append(f"That is too long ({len(entry.what)} characters): {WHAT_LONGEST} fit; put the rest in a note.")
    if len(entry.text) > TEXT_LONGEST:
        found.append(f"The note is too long ({len(entry.text)} characters): {TEXT_LONGEST} fit.")
    if entry.kind is EntryKind.FEED and not entry.what:
        found.append("Say what the vat was fed, such as soda ash or fructose.")
    if entry.kind is EntryKind.FEED and entry.grams is None:
        found.append("Say how many grams were fed.")
    if entry.kind is EntryKind.CHECK and entry.what not in set(Look):
        found.append(f"Say what was seen: {', '.join(Look)}.")
    if entry.kind is EntryKind.COVER and entry.what not in COVER_WORDS:
        found.append("Say whether the vat was covered or uncovered.")
    if entry.kind is EntryKind.TOP_UP and entry.litres is None:
        found.append("Say how many litres were added.")
    if entry.kind in (EntryKind.NOTE, EntryKind.OUTCOME) and not (entry.text or entry.what):
        found.append("The note is empty.")
    if entry.time_ms > now_ms + 60_000:
        found.append("That time lies in the future. Log what has happened.")
    if entry.time_ms < EARLIEST_MS:
        found.append("That time lies before the year 2000.")
    return found


def action_from_form(fields: Mapping[str, str], vat: str, now_ms: int) -> AlarmAction | Refused:
    """An alarm action from one of the buttons beside a standing alarm."""
    action_id = fields.get("action_id", "")
    alarm = _line(fields.get("alarm", ""))
    if not re.fullmatch(ID_PATTERN, action_id) or not alarm or len(alarm) > WHAT_LONGEST:
        return Refused(("The button did not say which alarm it belongs to. Please press it again.",))
    verb = fields.get("verb", "")
    if verb not in (ActionVerb.ACKNOWLEDGE, ActionVerb.RESET):
        return Refused(("An alarm can be acknowledged or reset here.",))
    return AlarmAction(action_id=action_id, time_ms=now_ms, vat=vat, alarm=alarm, verb=ActionVerb(verb))


def same_substance(one: JournalEntry, other: JournalEntry) -> bool:
    """Whether two entries say the same, whenever they were sent."""
    return (one.vat, one.kind, one.what, one.grams, one.litres, one.minutes, one.text) == (
        other.vat,
        other.kind,
        other.what,
        other.grams,
        other.litres,
        other.minutes,
        other.text,
    )


def _amount(
    fields: Mapping[str, str],
    name: str,
    label: str,
    most: float,
    complaints: list[str],
    *,
    zero_allowed: bool = False,
) -> float | None:
    given = fields.get(name, "").strip()
    if not given:
        return None
    try:
        amount = float(given.replace(",", "."))
    except ValueError:
        complaints.append(f"{label}: a number is expected, such as 50 or 2.5; the form had “{given[:20]}”.")
        return None
    if not math.isfinite(amount) or amount > most or amount < 0 or (amount == 0 and not zero_allowed):
        complaints.append(f"{label}: expected more than 0 and at most {most:g}; the form had “{given[:20]}”.")
        return None
    return amount


def _line(text: str) -> str:
    return " ".join(_CONTROL.sub(" ", text).split())


def _text(text: str) -> str:
    return _CONTROL.sub("", text.replace("\r\n", "\n")).strip()
