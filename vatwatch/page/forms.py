"""From what a form or a JSON body holds to a journal entry, or to sentences saying what to mend. Pure.

`entry_id` travels in the form, so a double tap, a reload or a retry names the same entry and is logged once.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime, tzinfo

from vatwatch.dyeing.details import ALLOWED, detail_complaints
from vatwatch.dyeing.outcomes import MEASURED
from vatwatch.dyeing.steps import Detail, Part
from vatwatch.records import AlarmAction, JournalEntry
from vatwatch.terms import ActionVerb, EntryKind, Look

ID_PATTERN = r"^[A-Za-z0-9_-]{8,64}$"
WHAT_LONGEST = 120
TEXT_LONGEST = 2000
GRAMS_MOST = 100_000.0
LITRES_MOST = 10_000.0
MINUTES_MOST = 7 * 24 * 60.0
EARLIEST_MS = 946_684_800_000
"""2000-01-01: anything before it is a clock that was never set."""
MINUTES_AGO_CHOICES = (0, 5, 15, 30, 60, 120, 240)
SHELVE_MINUTES = (30, 120, 480)
LONGEST_SHELVE_MIN = 24 * 60.0
COVER_WORDS = ("covered", "uncovered")
_NUMBERS = {Detail.DRY_GRAMS, Detail.PLANNED_MIN, Detail.AIR_MIN, *MEASURED}
_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f\u2028\u2029]")


@dataclass(frozen=True, slots=True)
class Refused:
    """Why a form was not taken, in sentences for the person who filled it in."""

    complaints: tuple[str, ...]


def entry_from_form(fields: Mapping[str, str], vat: str, now_ms: int, zone: tzinfo) -> JournalEntry | Refused:
    """A journal entry from the fields of one of the screens' forms.

    `waited_s` is how long a phone without connection kept the form; what was done was done that much earlier.
    """
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
    entry = JournalEntry(
        entry_id=entry_id,
        time_ms=_when(fields, now_ms, zone, complaints),
        logged_ms=now_ms,
        vat=vat,
        kind=kind,
        what=_line(fields.get("what", "")),
        grams=grams,
        litres=litres,
        minutes=minutes,
        text=_text(fields.get("text", "")),
        details=_details(fields, kind),
    )
    if kind is EntryKind.NOTE and entry.details and not entry.text:
        entry = replace(entry, text="put to pre-wet")  # for whoever reads the journal without knowing pieces
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
    if entry.kind is EntryKind.NOTE and not (entry.text or entry.what):
        found.append("The note is empty.")
    if entry.kind in (EntryKind.PROBE_OUT, EntryKind.PROBE_BACK) and not entry.what:
        found.append("Say which probe it is.")
    if entry.kind is EntryKind.UNDO and not re.fullmatch(ID_PATTERN, entry.what):
        found.append("It is not said which entry is taken back.")
    found += detail_complaints(entry)
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
    if verb not in set(ActionVerb):
        return Refused((f"Expected one of: {', '.join(ActionVerb)}.",))
    until_ms = None
    if verb == ActionVerb.SHELVE:
        complaints: list[str] = []
        minutes = _amount(fields, "minutes", "Minutes", LONGEST_SHELVE_MIN, complaints)
        if complaints or minutes is None:
            return Refused(tuple(complaints) or ("Say for how many minutes the alarm is to be set aside.",))
        until_ms = now_ms + round(minutes * 60_000)
    return AlarmAction(
        action_id=action_id, time_ms=now_ms, vat=vat, alarm=alarm, verb=ActionVerb(verb), until_ms=until_ms
    )


def same_substance(one: JournalEntry, other: JournalEntry) -> bool:
    """Whether two entries say the same, whenever they were sent and whatever the vat was like then."""

    def substance(entry: JournalEntry) -> tuple[object, ...]:
        details = {name: value for name, value in entry.details if name != Detail.DESPITE}
        # How long a dip took is reckoned when its end arrives: a repetition would give a little more.
        minutes = None if details.get(Detail.PART) == Part.OUT else entry.minutes
        return (entry.vat, entry.kind, entry.what, entry.grams, entry.litres, minutes, entry.text, details)

    return substance(one) == substance(other)


def _when(fields: Mapping[str, str], now_ms: int, zone: tzinfo, complaints: list[str]) -> int:
    at = fields.get("at", "").strip()
    if at:
        try:
            return int(datetime.fromisoformat(at).replace(tzinfo=zone).timestamp() * 1000)
        except (ValueError, OverflowError):
            complaints.append(f"When: expected a date and time; the form had “{at[:30]}”.")
            return now_ms
    minutes_ago = _amount(fields, "minutes_ago", "Minutes ago", MINUTES_MOST, complaints, zero_allowed=True) or 0.0
    most_s = MINUTES_MOST * 60
    waited_s = _amount(fields, "waited_s", "Seconds waited", most_s, complaints, zero_allowed=True) or 0.0
    return now_ms - round(minutes_ago * 60_000 + waited_s * 1000)


def _details(fields: Mapping[str, str], kind: EntryKind) -> tuple[tuple[str, str], ...]:
    found = []
    for name in sorted(ALLOWED.get(kind, set()) - {Detail.DESPITE}):
        # A new piece has both lengths in one form: how long it is wetted, and how long it will be in the liquor.
        wanted = "pre_wet_min" if kind is EntryKind.NOTE and name == Detail.PLANNED_MIN else name
        value = _line(fields.get(wanted, ""))
        if value and name in _NUMBERS:
            with suppress(ValueError):  # said by the complaints
                value = f"{_float(value):.6g}"
        if value:
            found.append((str(name), value))
    return tuple(found)


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
        amount = _float(given)
    except ValueError:
        complaints.append(f"{label}: a number is expected, such as 50 or 2.5; the form had “{given[:20]}”.")
        return None
    if not math.isfinite(amount) or amount > most or amount < 0 or (amount == 0 and not zero_allowed):
        complaints.append(f"{label}: expected more than 0 and at most {most:g}; the form had “{given[:20]}”.")
        return None
    return amount


def _float(text: str) -> float:
    return float(text.replace(",", ".").replace("−", "-"))


def _line(text: str) -> str:
    return " ".join(_CONTROL.sub(" ", text).split())


def _text(text: str) -> str:
    return _CONTROL.sub("", text.replace("\r\n", "\n")).strip()
