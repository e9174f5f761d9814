"""Readings somebody took by hand, from a meter's memory or a notebook, made into a store that can be reviewed.

Each line of the CSV is one reading; each becomes one slot of the record, judged by the present settings of the vat. A
reading speaks for the time until the usual next one, as the review counts. Nothing is told to a phone, and all or nothing is
taken in: a line that cannot be read is named by its number.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, tzinfo
from itertools import pairwise
from pathlib import Path

from vatwatch.chemistry.electrodes import ReferenceElectrode
from vatwatch.errors import VatwatchError
from vatwatch.records import Batch, JournalEntry, Sample, StepResult
from vatwatch.season.importing import Complaints, made_whole
from vatwatch.store.writing import StoreWriter
from vatwatch.terms import EntryKind, Look, Signal
from vatwatch.vat.doings import initial_state
from vatwatch.vat.pipeline import step_or_unknown
from vatwatch.vat.settings import DAY_MS, MINUTE_MS, ProbeSettings, VatSettings

TIME, LOOK, NOTE = "time", "look", "note"
SIGNALS = {"ph": Signal.PH, "orp": Signal.ORP_MV, "temperature": Signal.TEMPERATURE_C}
FIELDS = (TIME, *SIGNALS, LOOK, NOTE)
SIGMA = {"ph": 0.05, "orp": 5.0, "temperature": 0.5}
"""Noise and resolution of a handheld meter read once, 1 σ. Common practice, no source."""
POSSIBLE = {"ph": (0.0, 14.0), "orp": (-2000.0, 2000.0), "temperature": (-5.0, 105.0)}
"""What a meter can show at all; beyond it the column is another, or the unit."""
GRID_MS = MINUTE_MS
_BATCH = 200
Told = Callable[[int], None]


@dataclass(frozen=True, slots=True)
class HandReading:
    """One line: when (ms since 1970), the values by `SIGNALS`' names, what the liquor looked like, and a remark."""

    line: int
    time_ms: int
    values: tuple[tuple[str, float], ...]
    look: str = ""
    note: str = ""


def columns_of(pairs: Sequence[str]) -> dict[str, str]:
    """Which heading holds what, from texts like `ph=pH value`. Raises VatwatchError for what is not one, or no time."""
    found: dict[str, str] = {}
    for pair in pairs:
        field, equals, heading = pair.partition("=")
        if not equals or field not in FIELDS or not heading.strip() or field in found:
            raise VatwatchError(
                f'--column: given "{pair}", expected each of {", ".join(FIELDS)} at most once, such as ph="pH value"; '
                "a time in two columns is time=Date+Time"
            )
        found[field] = heading.strip()
    if TIME not in found or not found.keys() & SIGNALS.keys():
        raise VatwatchError('--column: expected at least time="…" and one of ph="…", orp="…", temperature="…"')
    return found


def hand_readings(path: Path, columns: dict[str, str], zone: tzinfo, time_form: str | None = None) -> list[HandReading]:
    """The readings of a CSV file, in the order of their times.

    Separators comma, semicolon or tab, decimal points or commas, UTF-8 with or without a mark. `time_form` is as for
    `strptime` (None: ISO 8601); times without a zone are local to `zone`. Raises VatwatchError naming each bad line.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise VatwatchError(f"{path} cannot be read: {error.strerror or error}. Nothing was imported.") from error
    except UnicodeDecodeError as error:
        raise VatwatchError(
            f"{path.name} is not UTF-8 text (byte {error.start}). Save it as UTF-8. Nothing was imported."
        ) from error
    head = text.partition("\n")[0]
    rows = csv.reader(text.splitlines(keepends=True), delimiter=max(";\t,", key=head.count), strict=True)
    complaints = Complaints()
    found = list(_readings(rows, path, columns, zone, time_form, complaints))
    seen: dict[int, int] = {}
    for one in found:
        slot = _slot_ms(one.time_ms)
        if slot in seen:
            complaints.add(
                path, one.line, f"the same minute as line {seen[slot]}; one reading a minute can be taken in"
            )
        seen.setdefault(slot, one.line)
    complaints.settle()
    if not found:
        raise VatwatchError(f"{path.name} holds no reading. Nothing was imported.")
    return sorted(found, key=lambda one: one.time_ms)


def _readings(
    rows: Iterator[list[str]],
    path: Path,
    columns: dict[str, str],
    zone: tzinfo,
    time_form: str | None,
    complaints: Complaints,
) -> Iterator[HandReading]:
    heads = [cell.strip() for cell in next(rows, [])]
    wanted = [part for field, heading in columns.items() for part in _headings(field, heading)]
    for heading in wanted:
        if heads.count(heading) != 1:
            what = "is not" if heading not in heads else "stands more than once"
            raise VatwatchError(
                f'{path.name}, line 1: the heading "{heading}" {what} among {", ".join(heads) or "nothing"}. '
                "Nothing was imported."
            )
    line = 1
    while True:
        try:
            cells = next(rows)
        except StopIteration:
            return
        except csv.Error as error:
            complaints.add(path, line + 1, f"not CSV: {error}")
            return
        line = rows.line_num  # type: ignore[attr-defined]
        if not any(cell.strip() for cell in cells):
            continue
        if len(cells) != len(heads):
            complaints.add(path, line, f"expected {len(heads)} columns, found {len(cells)}")
            continue
        by_heading = dict(zip(heads, (cell.strip() for cell in cells), strict=True))
        try:
            yield _reading(line, by_heading, columns, zone, time_form)
        except ValueError as error:
            complaints.add(path, line, str(error))


def _headings(field: str, heading: str) -> list[str]:
    return [part.strip() for part in heading.split("+")] if field == TIME else [heading]


def _reading(
    line: int, cells: dict[str, str], columns: dict[str, str], zone: tzinfo, time_form: str | None
) -> HandReading:
    time_text = " ".join(cells[part] for part in _headings(TIME, columns[TIME]))
    values = []
    for name in SIGNALS:
        text = cells[columns[name]] if name in columns else ""
        if text:
            values.append((name, _number(name, columns[name], text)))
    look = cells[columns[LOOK]].lower() if LOOK in columns else ""
    if look and look not in set(Look):
        raise ValueError(f"{columns[LOOK]}: expected one of {', '.join(Look)} or nothing, found “{look[:40]}”")
    note = cells[columns[NOTE]] if NOTE in columns else ""
    return HandReading(line, _time_ms(time_text, columns[TIME], zone, time_form), tuple(values), look, note)


def _number(name: str, heading: str, text: str) -> float:
    low, high = POSSIBLE[name]
    try:
        value = float(text.replace(",", ".").replace("\u2212", "-"))
    except ValueError:
        value = math.nan
    if not low <= value <= high:
        raise ValueError(f"{heading}: expected a number from {low:g} to {high:g}, found “{text[:40]}”")
    return value


def _time_ms(text: str, heading: str, zone: tzinfo, time_form: str | None) -> int:
    expected = "a time like 2026-05-01 06:30" if time_form is None else f"a time of the form {time_form}"
    try:
        when = datetime.fromisoformat(text) if time_form is None else datetime.strptime(text, time_form)  # noqa: DTZ007
        when = when.replace(tzinfo=zone) if when.tzinfo is None else when
        time_ms = round(when.timestamp() * 1000)
    except (ValueError, OverflowError):
        time_ms = -1
    if time_ms <= 0:
        raise ValueError(f"{heading}: expected {expected}, found “{text[:40]}”")
    return time_ms


def _slot_ms(time_ms: int) -> int:
    return -(-(time_ms + 1) // GRID_MS) * GRID_MS


def hand_settings(settings: VatSettings, reference: ReferenceElectrode | None) -> VatSettings:
    """The vat as it is judged from hand readings: its own window and recipe, and a handheld meter's probes.

    `reference`: the redox meter's electrode; None takes that of the vat's own ORP probe, or does without reduction.
    """
    own = next((probe.reference for probe in settings.probes if probe.reference is not None), None)
    probes = tuple(
        ProbeSettings(
            probe=f"hand-{name}",
            signal=signal,
            stale_after_ms=2 * GRID_MS,
            sigma=SIGMA[name],
            reference=(reference or own) if signal is Signal.ORP_MV else None,
        )
        for name, signal in SIGNALS.items()
        if signal is not Signal.ORP_MV or (reference or own) is not None
    )
    return replace(settings, probes=probes, scan_ms=GRID_MS)


def import_hand(
    readings: Sequence[HandReading],
    into: Path,
    settings: VatSettings,
    settings_json: str,
    told: Told = lambda _: None,
) -> int:
    """Make the store `into` of one vat's readings; `settings` as `hand_settings` gives them. Returns the slots written.

    Raises VatwatchError when `into` is there already or cannot be written: then nothing is left behind.
    """
    with made_whole(into) as part, StoreWriter.open(part) as writer:
        first_ms = _slot_ms(readings[0].time_ms)
        version = writer.record_settings(first_ms - GRID_MS, settings_json, [settings.card()])
        state = initial_state(settings)
        have = {probe.signal for probe in settings.probes}
        results: list[StepResult] = []
        journal: list[JournalEntry] = []
        for place, one in enumerate(readings):
            slot_ms = _slot_ms(one.time_ms)
            samples = [
                Sample(one.time_ms, settings.vat, f"hand-{name}", SIGNALS[name], value)
                for name, value in one.values
                if SIGNALS[name] in have
            ]
            written = list(_journal(one, settings.vat))
            state, result, error = step_or_unknown(settings, state, slot_ms, samples, written)
            if error is not None:
                raise VatwatchError(f"line {one.line} cannot be judged: {error}. Nothing was imported.") from error
            # Nobody was told anything then, and nobody is now.
            results.append(replace(result, pushes=()))
            journal += written
            if len(results) >= _BATCH or place == len(readings) - 1:
                writer.append(Batch(slot_ms, version, tuple(results), journal=tuple(journal)))
                results, journal = [], []
                told(slot_ms)
        writer.seal_all()
    return len(readings)


def _journal(one: HandReading, vat: str) -> Iterator[JournalEntry]:
    if one.look:
        yield JournalEntry(f"hand-{one.line}-look", one.time_ms, one.time_ms, vat, EntryKind.CHECK, one.look)
    if one.note:
        yield JournalEntry(f"hand-{one.line}-note", one.time_ms, one.time_ms, vat, EntryKind.NOTE, text=one.note)


def usual_step_days(readings: Sequence[HandReading]) -> float:
    """Half of the readings follow the one before within so many days: what one reading is taken to speak for."""
    steps = sorted(b.time_ms - a.time_ms for a, b in pairwise(readings))
    return steps[len(steps) // 2] / DAY_MS if steps else 0.0
