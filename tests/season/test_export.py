"""The record as CSV: read back with Python's own reader, every cell gives the record it came from."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import pytest

from tests.season.recorded import record, settings_file
from tests.season.test_season_commands import run
from tests.store.batches import FOR_EVER_MS
from vatwatch.records import Batch, JournalEntry, PortEvent
from vatwatch.season import export_tables as tables
from vatwatch.season.export_tables import TABLES, Table
from vatwatch.store.reading import StoreReader
from vatwatch.store.writing import StoreWriter
from vatwatch.terms import EntryKind

AWKWARD = 'said "well,\r\nwell"; 3,5 g'


@pytest.fixture(scope="module")
def shed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    directory = tmp_path_factory.mktemp("export")
    config = settings_file(directory, vats=2, scan_s=300)
    store = directory / "record" / "vatwatch.db"
    record(store, vats=2, days=1.2, scan_s=300)
    with StoreReader(store) as reader:
        last_ms, vats = (reader.span() or (0, 0))[1], reader.vats()
    entry = JournalEntry(
        "awkward", last_ms, last_ms, vats[0], EntryKind.NOTE, text=AWKWARD, details=(("fibre", "wool"),)
    )
    with StoreWriter.open(store) as writer:
        writer.append(Batch(last_ms, 1, journal=(entry,), port_events=(PortEvent(last_ms, "left", "lost", "who?"),)))
    run(config, "export", str(directory / "out"))
    return config


def rows_of(directory: Path, table: Table) -> list[list[Any]]:
    """Every row of a file as values, its header held against the table's."""
    with (directory / f"{table.name}.csv").open(encoding="utf-8", newline="") as file:
        header, *rows = csv.reader(file)
    assert header == table.headers
    return [[c.kind.of_text(text) for c, text in zip(table.columns, row, strict=True)] for row in rows]


def test_every_record_comes_back_from_the_files(shed: Path) -> None:
    out = shed.parent / "out"
    with StoreReader(shed.parent / "record" / "vatwatch.db") as reader:
        scans = [scan for vat in reader.vats() for scan in reader.scans(vat, 0, FOR_EVER_MS)]
        samples = [sample for vat in reader.vats() for sample in reader.samples(vat, 0, FOR_EVER_MS)]
        came = {table.name: [table.record(row) for row in rows_of(out, table)] for table in TABLES}
        assert len(scans) > 600
        assert sorted(came["scans"], key=lambda s: (s.vat, s.slot_ms)) == scans
        assert sorted((s for _, s in came["samples"]), key=lambda s: (s.vat, s.time_ms, s.probe)) == sorted(
            samples, key=lambda s: (s.vat, s.time_ms, s.probe)
        )
        assert came["journal"] == reader.journal(None, 0, FOR_EVER_MS)
        assert came["journal"][-1].text == AWKWARD
        assert came["alarms"] == reader.alarm_events(None, 0, FOR_EVER_MS)
        assert came["messages"] == reader.pushes(0, FOR_EVER_MS)
        assert came["ports"] == reader.port_events(0, FOR_EVER_MS)
        assert [one.card for one in came["vats"]] == reader.cards()


def test_times_and_units_stand_in_the_files(shed: Path) -> None:
    text = (shed.parent / "out" / "scans.csv").read_bytes().decode("utf-8")
    head, first = text.split("\r\n")[:2]
    assert head.startswith("slot [UTC],vat,ph [pH],ph_sigma [pH],")
    assert "temperature [°C]" in head
    assert first[:4].isdigit()
    assert first.split(",")[0].endswith("Z")
    assert "| margin | mV |" in (shed.parent / "out" / "columns.md").read_text(encoding="utf-8")


def test_the_last_days_only(shed: Path, tmp_path: Path) -> None:
    said = run(shed, "export", str(tmp_path / "some"), "--days", "0.25")
    assert "written: 9 files" in said
    with StoreReader(shed.parent / "record" / "vatwatch.db") as reader:
        first, last = reader.span() or (0, 0)
    slots = [row[0] for row in rows_of(tmp_path / "some", tables.SCANS)]
    assert first < last - 21_600_000 <= min(slots)
    assert max(slots) == last


def test_where_nothing_can_be_written_it_is_said(shed: Path, tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("a file", encoding="utf-8")
    said = run(shed, "export", str(tmp_path / "taken"), code=1)
    assert "The export cannot be written to" in said
    assert (tmp_path / "taken").read_text(encoding="utf-8") == "a file"
