"""The record as line protocol and as Parquet: read back, each value is the one in the CSV of the same export.

Line protocol is read by a parser of its own written after InfluxData's description of the syntax ("Line protocol", InfluxDB
v2 documentation: escapes of tags and fields, `i` for whole numbers), Parquet by pyarrow.
"""

from __future__ import annotations

import io
import re
from pathlib import Path
from typing import Any

import pyarrow.parquet as parquet  # type: ignore[import-not-found, import-untyped, unused-ignore]
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.benchmarks.export.__main__ import A_SLOT, make
from tests.season.recorded import record, settings_file
from tests.season.test_export import rows_of
from tests.season.test_season_commands import run
from tests.store.batches import FOR_EVER_MS
from vatwatch.errors import VatwatchError
from vatwatch.records import JournalEntry
from vatwatch.season import export_forms
from vatwatch.season.export_forms import FORMS, LineWriter
from vatwatch.season.export_tables import JOURNAL, TABLES, Table
from vatwatch.season.exporting import export_files
from vatwatch.store.reading import StoreReader
from vatwatch.terms import EntryKind

PART = r"((?:[^ ,=\\]|\\.)+)"
LINE = re.compile(rf"{PART.replace('=', '')}((?:,{PART}={PART})*) (.*) (-?\d+)", re.DOTALL)
FIELD = re.compile(rf'{PART}=("(?:[^"\\]|\\.)*"|[^,]+)(?:,|$)', re.DOTALL)


def plain(text: str) -> str:
    return re.sub(r"\\(.)", r"\1", text, flags=re.DOTALL)


def point_of(line: str) -> tuple[str, dict[str, str], dict[str, Any], int]:
    """Measurement, tags, fields and time of one line."""
    found = LINE.fullmatch(line)
    assert found is not None, line
    tags = {plain(k): plain(v) for k, v in re.findall(rf",{PART}={PART}", found[2])}
    fields: dict[str, Any] = {}
    for name, value in FIELD.findall(found[5]):
        if value.startswith('"'):
            fields[plain(name)] = plain(value[1:-1])
        elif value in ("true", "false", "True", "False"):
            fields[plain(name)] = value.lower() == "true"
        else:
            fields[plain(name)] = int(value[:-1]) if value.endswith("i") else float(value)
    return found[1], tags, fields, int(found[6])


@pytest.fixture(scope="module")
def shed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    directory = tmp_path_factory.mktemp("forms")
    config = settings_file(directory, vats=2, scan_s=300)
    record(directory / "record" / "vatwatch.db", vats=2, days=1.2, scan_s=300)
    run(config, "export", str(directory / "out"))
    for form in ("line-protocol", "parquet"):
        run(config, "export", str(directory / "out"), "--as", form)
    return directory / "out"


def expected_point(table: Table, row: list[Any]) -> tuple[dict[str, str], dict[str, Any], int]:
    when = [column.name for column in table.columns].index(table.when)
    tags: dict[str, str] = {}
    fields: dict[str, Any] = {}
    for i, (column, cell) in enumerate(zip(table.columns, row, strict=True)):
        if i == when or cell is None:
            continue
        if column.name in table.identity:
            if column.kind.to_text(cell):
                tags[column.name] = column.kind.to_text(cell)
        elif isinstance(cell, bool | int | float) and "time" not in column.kind.name:
            fields[column.name] = cell
        elif column.kind.to_text(cell):
            fields[column.name] = column.kind.to_text(cell).replace("\r\n", "\n").replace("\n", "\\n")
    return tags, fields, row[when]


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.name)
def test_line_protocol_says_the_same(shed: Path, table: Table) -> None:
    lines = (shed / f"{table.name}.lp").read_text(encoding="utf-8").splitlines()
    wanted = [one for row in rows_of(shed, table) if (one := expected_point(table, row))[1]]
    assert len(lines) == len(wanted)
    seen = set()
    for line, (tags, fields, time_ms) in zip(lines, wanted, strict=True):
        assert point_of(line) == (table.name, tags, fields, time_ms)
        seen.add((time_ms, *sorted(tags.items())))
    assert len(seen) == len(lines), "two points of one identity would overwrite each other"


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.name)
def test_parquet_says_the_same(shed: Path, table: Table) -> None:
    found = parquet.read_table(shed / f"{table.name}.parquet")
    assert found.column_names == [column.name for column in table.columns]
    for column in table.columns:
        meta = found.schema.field(column.name).metadata
        assert meta[b"unit"].decode() == column.unit
        assert meta[b"meaning"].decode() == column.meaning
    rows = rows_of(shed, table)
    assert found.num_rows == len(rows)
    for place, column in enumerate(table.columns):
        values = found.column(place)
        if "time" in column.kind.name:
            values = values.cast("int64")
        wanted = [row[place] for row in rows]
        if column.kind.name in ("JSON", "text"):
            wanted = [None if cell is None else column.kind.to_text(cell) for cell in wanted]
        assert values.to_pylist() == wanted, column.name


def test_many_samples_in_one_scan_are_as_many_points(tmp_path: Path) -> None:
    """A point is told from others by tags and time alone: one that shares both would take the other's place."""
    make(tmp_path / "store.db", 3)
    with StoreReader(tmp_path / "store.db") as reader:
        export_files(reader, tmp_path, 0, FOR_EVER_MS, form=FORMS["line-protocol"])
    points = [point_of(line) for line in (tmp_path / "samples.lp").read_text(encoding="utf-8").splitlines()]
    assert len({(at, *sorted(tags.items())) for _, tags, _, at in points}) == len(points) == 3 * A_SLOT


def test_more_rows_than_one_group_holds(shed: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(export_forms, "ROWS_AT_A_TIME", 7)
    with StoreReader(shed.parent / "record" / "vatwatch.db") as reader:
        export_files(reader, tmp_path, 0, FOR_EVER_MS, form=FORMS["parquet"])
    again = parquet.ParquetFile(tmp_path / "scans.parquet")
    assert again.num_row_groups > 10
    assert again.read().equals(parquet.read_table(shed / "scans.parquet"))


text = st.text(st.characters(codec="utf-8", exclude_characters="\r\x0b\x0c\x1c\x1d\x1e\x85\u2028\u2029"), max_size=30)


@given(
    text,
    text.filter(lambda one: one.strip() == one and one and not one.endswith("\\")),
    st.floats(allow_nan=False, allow_infinity=False),
)
def test_whatever_a_dyer_writes_comes_back(words: str, who: str, grams: float) -> None:
    """A backslash before a quote, commas, equals signs, line breaks: one line, and the same text when read."""
    file = io.StringIO()
    entry = JournalEntry("e1", 1_000, 2_000, "tub", EntryKind.FEED, what="lime", grams=grams, text=words, by=who)
    LineWriter(JOURNAL, file).write(JOURNAL.cells(entry))
    line = file.getvalue()
    assert line.endswith("\n")
    assert line.count("\n") == 1
    _, tags, fields, time_ms = point_of(line[:-1])
    assert tags == {"vat": "tub", "entry_id": "e1"}
    assert time_ms == 1_000
    assert fields.get("text", "") == words.replace("\n", "\\n")
    assert fields["by"] == who.replace("\n", "\\n")
    assert fields["weight"] == grams


def test_a_form_that_is_none_and_one_that_is_not_installed(shed: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    config = shed.parent / "vatwatch.toml"
    said = run(config, "export", str(shed), "--as", "xml", code=1)
    assert 'given "xml", expected one of: csv, line-protocol, parquet' in " ".join(said.split())
    monkeypatch.setattr(export_forms, "find_spec", lambda _: None)
    with pytest.raises(VatwatchError, match=r"pip install .vatwatch\[parquet\]"):
        FORMS["parquet"].check()
