"""Streams a store's record into files, a table each, in flat memory. Alters no store."""

from __future__ import annotations

import heapq
import os
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

from vatwatch.errors import VatwatchError
from vatwatch.records import Sample, Scan, VatCard
from vatwatch.season import export_tables as tables
from vatwatch.season.export_forms import CSV, Form, TableWriter
from vatwatch.season.export_tables import CardThen, Table
from vatwatch.store import calibrations
from vatwatch.store.reading import StoreReader

Told = Callable[[int], None]
"""Hears how far the export has come: the slot reached, in ms."""


def export_files(
    reader: StoreReader, into: Path, from_ms: int, to_ms: int, told: Told = lambda _: None, form: Form = CSV
) -> list[Path]:
    """Every table, and what its columns mean, into the directory `into`: slots ending in [from_ms, to_ms); the files.

    Files are complete or not there. Raises VatwatchError when the directory cannot be written, or when what the form needs
    is not installed.
    """
    form.check()

    def place(table: Table) -> Path:
        return into / f"{table.name}.{form.suffix}"

    @contextmanager
    def opened(table: Table) -> Iterator[TableWriter]:
        with _replaced(place(table)) as part, form.opened(table, part) as writer:
            yield writer

    with _mended(into):
        into.mkdir(parents=True, exist_ok=True)
        export_into(reader, opened, from_ms, to_ms, told)
        meanings = into / "columns.md"
        with _replaced(meanings) as part:
            part.write_text(data_dictionary(), encoding="utf-8")
    return [*(place(table) for table in tables.TABLES), meanings]


def data_dictionary() -> str:
    """Every table and column with unit and meaning, as Markdown."""
    lines = [
        "# What an export holds",
        "",
        "CSV after RFC 4180 in UTF-8, times in ISO 8601 and UTC, numbers with a point, nothing where nothing is known.",
        "Line protocol and Parquet hold the same columns under the names before the brackets.",
    ]
    for table in tables.TABLES:
        lines += [
            "",
            f"## {table.name}",
            "",
            table.meaning,
            "",
            "| column | unit | form | meaning |",
            "|---|---|---|---|",
        ]
        lines += [f"| {c.name} | {c.unit} | {c.kind.expected} | {c.meaning} |" for c in table.columns]
    return "\n".join(lines) + "\n"


def export_into(
    reader: StoreReader, opened: Callable[[Table], Any], from_ms: int, to_ms: int, told: Told = lambda _: None
) -> None:
    """Every table into what `opened` gives for it (a context manager of a `TableWriter`)."""
    with ExitStack() as stack:
        scans, samples = stack.enter_context(opened(tables.SCANS)), stack.enter_context(opened(tables.SAMPLES))
        for place, (scan, taken) in enumerate(steps_of(reader, from_ms, to_ms)):
            scans.write(tables.SCANS.cells(scan))
            for sample in taken:
                samples.write(tables.SAMPLES.cells((scan.slot_ms, sample)))
            if place % 5000 == 0:
                told(scan.slot_ms)
    small: tuple[tuple[Table, Iterable[Any]], ...] = (
        (tables.VATS, _cards(reader)),
        (tables.JOURNAL, reader.journal(None, from_ms, to_ms)),
        (tables.ALARMS, reader.alarm_events(None, from_ms, to_ms)),
        (tables.MESSAGES, reader.pushes(from_ms, to_ms)),
        (tables.PORTS, reader.port_events(from_ms, to_ms)),
        (tables.CALIBRATIONS, ((one, calibrations.to_json(one)) for one in reader.calibrations())),
    )
    for table, records in small:
        with opened(table) as writer:
            for record in records:
                writer.write(table.cells(record))
    told(to_ms)


def steps_of(reader: StoreReader, from_ms: int, to_ms: int) -> Iterator[tuple[Scan, tuple[Sample, ...]]]:
    """Every vat's scans with the samples taken into them, all vats merged by slot."""

    def of_vat(place: int, vat: str) -> Iterator[tuple[int, int, Scan, tuple[Sample, ...]]]:
        for slot in reader.replay_slots(vat, from_ms, to_ms):
            yield slot.slot_ms, place, slot.scan, slot.samples

    streams = [of_vat(place, vat) for place, vat in enumerate(sorted(reader.vats()))]
    for _, _, scan, samples in heapq.merge(*streams, key=lambda item: item[:2]):
        yield scan, samples


def _cards(reader: StoreReader) -> Iterator[CardThen]:
    for place, (since_ms, text, cards) in enumerate(reader.settings_history(), start=1):
        named: list[VatCard | None] = [*cards] or [None]
        for card in named:
            yield CardThen(place, since_ms, text, card)


@contextmanager
def _replaced(path: Path) -> Iterator[Path]:
    """A file beside `path` that takes its place when all went well, and is gone when it did not."""
    part = path.with_name(f".{path.name}.part")
    try:
        yield part
        descriptor = os.open(part, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
        part.replace(path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise


@contextmanager
def _mended(into: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise VatwatchError(
            f"The export cannot be written to {into}: {error.strerror or error}. Give a directory that may be written "
            "to and has room. Files that were already whole are left as they are."
        ) from error
