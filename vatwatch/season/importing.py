"""Makes a store from an export's CSV files: a season recorded elsewhere, or long ago, can then be reviewed.

What was judged comes as it was judged; journal and alarms no longer tell in which slot they were taken, so that an
imported record is for looking back, not for a back-test. All or nothing: the store is made beside its place and put
there whole. Malformed lines are reported by file and number.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import groupby
from pathlib import Path
from typing import Any

from vatwatch.errors import VatwatchError
from vatwatch.records import AlarmEvent, Batch, JournalEntry, PortEvent, Push, Sample, Scan, StepResult
from vatwatch.season import export_tables as tables
from vatwatch.season.export_tables import CardThen, Table
from vatwatch.store import calibrations
from vatwatch.store.writing import StoreWriter

MOST_COMPLAINTS = 20
_BATCH_SLOTS = 60
_AT_A_TIME = 1_000
Told = Callable[[int], None]


class Complaints:
    """What is wrong with which line; raises once there is enough of it to see what is the matter."""

    def __init__(self) -> None:
        self.found: list[str] = []

    def add(self, path: Path, line: int, what: str) -> None:
        self.found.append(f"{path.name}, line {line}: {what}")
        if len(self.found) >= MOST_COMPLAINTS:
            self.settle(f"and perhaps more; reading stopped after {MOST_COMPLAINTS}")

    def settle(self, more: str = "") -> None:
        if self.found:
            lines = "\n".join([*self.found, *([more] if more else [])])
            raise VatwatchError(f"The files cannot be taken in as they are; nothing was imported.\n{lines}")


def records_of(path: Path, table: Table, complaints: Complaints | None = None) -> Iterator[Any]:
    """The records of one CSV file, one after another.

    Raises VatwatchError for a file that is missing, has another header, or (without `complaints`) a malformed line.
    """
    told = complaints or Complaints()
    try:
        with path.open(encoding="utf-8", newline="") as file:
            reader = csv.reader(file, strict=True)
            header = next(reader, None)
            if header != table.headers:
                raise VatwatchError(
                    f"{path.name}, line 1: expected the columns {', '.join(table.headers)}; found "
                    f"{', '.join(header or []) or 'nothing'}. Nothing was imported."
                )
            for cells in _rows(reader, path, told):
                line = reader.line_num
                if len(cells) != len(table.columns):
                    told.add(path, line, f"expected {len(table.columns)} columns, found {len(cells)}")
                    continue
                values = _values(cells, table, path, line, told)
                if values is not None:
                    try:
                        record = table.record(values)
                        if table is tables.CALIBRATIONS:
                            record = calibrations.of_json(record)
                    except (ValueError, TypeError) as error:
                        told.add(path, line, str(error))
                    else:
                        yield record
    except OSError as error:
        raise VatwatchError(f"{path} cannot be read: {error.strerror or error}. Nothing was imported.") from error
    except UnicodeDecodeError as error:
        raise VatwatchError(f"{path.name} is not UTF-8 text ({error.reason}). Nothing was imported.") from error
    if complaints is None:
        told.settle()


def _rows(reader: Any, path: Path, told: Complaints) -> Iterator[list[str]]:
    while True:
        try:
            yield next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            told.add(path, reader.line_num, f"not CSV: {error}")
            return  # where a quote is astray nobody can tell which line the next one is


def _values(cells: list[str], table: Table, path: Path, line: int, told: Complaints) -> list[Any] | None:
    values = []
    for column, cell in zip(table.columns, cells, strict=True):
        try:
            values.append(column.kind.of_text(cell))
        except (ValueError, OverflowError):
            told.add(path, line, f"{column.header}: expected {column.kind.expected}, found “{cell[:40]}”")
            return None
    return values


def import_csv(directory: Path, into: Path, told: Told = lambda _: None) -> int:
    """Make the store `into` from the files `export` wrote to `directory`; returns the scans taken in.

    `told` hears the slot reached. Raises VatwatchError when `into` is there already, or files are missing or malformed:
    then nothing is left behind.
    """
    with made_whole(into) as part, StoreWriter.open(part) as writer:
        return _fill(writer, directory, told)


@contextmanager
def made_whole(into: Path) -> Iterator[Path]:
    """A place beside `into` for a store that is put there when all went well, and is gone when it did not.

    Raises VatwatchError when `into` is there already, or cannot be written.
    """
    if into.exists():
        raise VatwatchError(f"{into} is there already; an import makes a store of its own. Give another file.")
    part = into.with_name(f".{into.name}.part")
    try:
        _clear(part)
        into.parent.mkdir(parents=True, exist_ok=True)
        yield part
        part.rename(into)
    except OSError as error:
        raise VatwatchError(f"{into} cannot be written: {error.strerror or error}. Nothing was imported.") from error
    finally:
        _clear(part)


def _clear(part: Path) -> None:
    for suffix in ("", "-wal", "-shm", ".lock"):
        part.with_name(part.name + suffix).unlink(missing_ok=True)


def _fill(writer: StoreWriter, directory: Path, told: Told) -> int:
    complaints = Complaints()

    def read(table: Table) -> Iterator[Any]:
        return records_of(directory / f"{table.name}.csv", table, complaints)

    versions: list[tuple[int, int]] = []
    cards: Iterator[CardThen] = read(tables.VATS)
    for (_, since_ms, text), group in groupby(cards, key=lambda one: (one.version, one.since_ms, one.settings_json)):
        named = [one.card for one in group if one.card is not None]
        versions.append((since_ms, writer.record_settings(since_ms, text, named)))
    if not versions:
        complaints.settle()
        raise VatwatchError("vats.csv names no version of the settings; nothing was imported.")
    count, last_ms = _fill_steps(writer, read, versions, complaints, told)
    journal: Iterator[JournalEntry] = read(tables.JOURNAL)
    alarms: Iterator[AlarmEvent] = read(tables.ALARMS)
    messages: Iterator[Push] = read(tables.MESSAGES)
    ports: Iterator[PortEvent] = read(tables.PORTS)
    version = versions[-1][1]
    for few in _few(journal):
        writer.append(Batch(last_ms, version, journal=tuple(few)))
    for few_alarms in _few(alarms):
        writer.append(Batch(last_ms, version, shed_events=tuple(few_alarms)))
    for few_messages in _few(messages):
        writer.append(Batch(last_ms, version, shed_pushes=tuple(few_messages)))
    for few_ports in _few(ports):
        writer.append(Batch(last_ms, version, port_events=tuple(few_ports)))
    for calibration in read(tables.CALIBRATIONS):
        writer.record_calibration(calibration)
    complaints.settle()
    writer.seal_all()
    return count


def _fill_steps(
    writer: StoreWriter,
    read: Callable[[Table], Iterator[Any]],
    versions: list[tuple[int, int]],
    complaints: Complaints,
    told: Told,
) -> tuple[int, int]:
    """Scans with the samples taken into them, both files read side by side; returns how many, and the last slot."""
    count, last_ms = 0, 0
    scans: Iterator[Scan] = read(tables.SCANS)
    samples: Iterator[tuple[int, Sample]] = read(tables.SAMPLES)
    # Both files are in the order of (slot, vat): what belongs together meets.
    by_step = groupby(samples, key=lambda pair: (pair[0], pair[1].vat))
    waiting = next(by_step, None)
    steps: list[StepResult] = []
    slots: set[int] = set()
    version = versions[0][1]
    for scan in scans:
        if scan.slot_ms < last_ms:
            raise VatwatchError("scans.csv is not in the order of its slots; nothing was imported.")
        in_force = next((number for since, number in reversed(versions) if since < scan.slot_ms), versions[0][1])
        if steps and scan.slot_ms not in slots and (len(slots) >= _BATCH_SLOTS or in_force != version):
            writer.append(Batch(last_ms, version, tuple(steps)))
            told(last_ms)
            steps, slots = [], set()
        version, last_ms = in_force, scan.slot_ms
        taken: tuple[Sample, ...] = ()
        if waiting is not None and waiting[0] == (scan.slot_ms, scan.vat):
            taken = tuple(sample for _, sample in waiting[1])
            waiting = next(by_step, None)
        steps.append(StepResult(scan, taken))
        slots.add(scan.slot_ms)
        count += 1
    if steps:
        writer.append(Batch(last_ms, version, tuple(steps)))
    complaints.settle()
    if waiting is not None:
        slot, vat = waiting[0]
        raise VatwatchError(
            f"samples.csv: a sample of {vat} at {tables.time_text(slot)} belongs to no scan; nothing was imported."
        )
    return count, last_ms


def _few(records: Iterator[Any]) -> Iterator[list[Any]]:
    few: list[Any] = []
    for record in records:
        few.append(record)
        if len(few) == _AT_A_TIME:
            yield few
            few = []
    if few:
        yield few
