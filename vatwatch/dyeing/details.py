"""Which details an entry of each kind may carry, and what is wrong with those it does. Pure."""

from __future__ import annotations

import math

from vatwatch.dyeing.outcomes import MEASURED, outcome_complaints
from vatwatch.dyeing.steps import FINISHING, LONGEST_MIN, Detail, Part, Step
from vatwatch.records import JournalEntry
from vatwatch.terms import EntryKind

FIBRES = ("cellulose", "protein")
DRY_GRAMS_MOST = 100_000.0
DETAIL_LONGEST = 300
_OF_PIECE = {Detail.FIBRE, Detail.DRY_GRAMS}
ALLOWED: dict[EntryKind, set[Detail]] = {
    EntryKind.DIP: {Detail.PART, Detail.OF, Detail.PLANNED_MIN, Detail.AIR_MIN, Detail.DESPITE, *_OF_PIECE},
    EntryKind.NOTE: {Detail.STEP, Detail.PLANNED_MIN, *_OF_PIECE},
    EntryKind.FINISH: {Detail.STEP, *_OF_PIECE},
    EntryKind.OUTCOME: {*MEASURED, Detail.RUBBING_DRY, Detail.RUBBING_WET, Detail.JUDGED_DRY, *_OF_PIECE},
}


def detail_complaints(entry: JournalEntry) -> list[str]:
    """What is missing or impossible in what an entry says of a piece, as sentences."""
    details = dict(entry.details)
    found = [
        f"A {entry.kind} cannot carry “{name[:40]}”." for name in details if name not in ALLOWED.get(entry.kind, set())
    ]
    if len(details) < len(entry.details):
        found.append("A detail is given twice.")
    found += [f"“{name}” is too long." for name, value in details.items() if len(value) > DETAIL_LONGEST]
    if Detail.FIBRE in details and details[Detail.FIBRE] not in FIBRES:
        found.append("Fibre: expected cellulose (cotton, linen, hemp) or protein (wool, silk).")
    found += _amount(details, Detail.DRY_GRAMS, "Dry weight", DRY_GRAMS_MOST, "g")
    found += _amount(details, Detail.PLANNED_MIN, "Minutes planned", LONGEST_MIN, "min")
    found += _amount(details, Detail.AIR_MIN, "Minutes in the air", LONGEST_MIN, "min")
    match entry.kind:
        case EntryKind.DIP:
            found += _dip(entry, details)
        case EntryKind.NOTE if Detail.STEP in details:
            if details[Detail.STEP] != Step.PRE_WET or not entry.what:
                found.append("A note can only say that a named piece was put to pre-wet.")
        case EntryKind.FINISH:
            found += _finish(entry, details)
        case EntryKind.OUTCOME:
            if not entry.what:
                found.append("Say which piece it is.")
            if details:
                found += outcome_complaints(entry.text, details)
        case _:
            pass
    return found


def _dip(entry: JournalEntry, details: dict[str, str]) -> list[str]:
    part = details.get(Detail.PART)
    if part is None:
        return []
    if part not in set(Part):
        return ["A dip's part is “in” or “out”."]
    if not entry.what:
        return ["Say which piece goes in, such as “scarf”."]
    if part == Part.OUT and not details.get(Detail.OF):
        return ["It is not said which dip this ends."]
    return []


def _finish(entry: JournalEntry, details: dict[str, str]) -> list[str]:
    found = [] if entry.what else ["Say which piece it is."]
    known = {finishing.step: finishing for finishing in FINISHING}
    step = known.get(Step(details[Detail.STEP])) if details.get(Detail.STEP) in set(Step) else None
    if step is None:
        return [*found, f"Say which finishing step was done: {', '.join(known)}."]
    fibre = details.get(Detail.FIBRE, "")
    if step.fibre and fibre and fibre != step.fibre:
        found.append("Wool and silk are not boiled: boiling is for cotton, linen and hemp.")
    return found


def _amount(details: dict[str, str], name: Detail, label: str, most: float, unit: str) -> list[str]:
    given = details.get(name)
    if given is None:
        return []
    try:
        amount = float(given)
    except ValueError:
        amount = math.nan
    if 0 < amount <= most:
        return []
    return [f"{label}: expected more than 0 and at most {most:g} {unit}; given “{given[:20]}”."]
