"""The forms a table can be written in: CSV, InfluxDB line protocol, Parquet. What stands in it is `export_tables`' business.

Every form is written as it comes, in flat memory. A form whose library is not installed says so before a file is begun.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Protocol, TextIO

from influxdb_client.client.write.point import Point
from influxdb_client.domain.write_precision import WritePrecision

from vatwatch.errors import VatwatchError
from vatwatch.season.export_tables import MAYBE_REAL, MAYBE_TIME, MAYBE_YES, REAL, TIME, WHOLE, YES, Table

ROWS_AT_A_TIME = 50_000


class TableWriter(Protocol):
    """Takes the cells of one table's records one after another."""

    def write(self, cells: list[Any]) -> None: ...


@dataclass(frozen=True, slots=True)
class Form:
    """How a table becomes a file. `opened` gives a writer into the file at a path, whole once it is left."""

    suffix: str
    opened: Callable[[Table, Path], AbstractContextManager[TableWriter]]
    needs: str = ""

    def check(self) -> None:
        """Raises VatwatchError when what this form needs is not installed."""
        if self.needs and find_spec(self.needs) is None:
            raise VatwatchError(
                f'This form needs the Python package "{self.needs}", which is not installed. '
                'Install it with: pip install "vatwatch[parquet]"; or export as csv or line-protocol.'
            )


class CsvWriter:
    """CSV after RFC 4180: CRLF, quotes where needed, a header with units; UTF-8."""

    def __init__(self, table: Table, file: TextIO) -> None:
        self._kinds = [column.kind.to_text for column in table.columns]
        self._write = csv.writer(file, lineterminator="\r\n").writerow
        self._write(table.headers)

    def write(self, cells: list[Any]) -> None:
        self._write([to_text(cell) for to_text, cell in zip(self._kinds, cells, strict=True)])


@contextmanager
def _csv(table: Table, path: Path) -> Iterator[TableWriter]:
    with path.open("w", encoding="utf-8", newline="") as file:
        yield CsvWriter(table, file)


class LineWriter:
    """InfluxDB line protocol, times in whole milliseconds (write it with `precision=ms`): the table is the measurement.

    Tags are what makes a record that record (`Table.identity`), fields the rest, the time is that of `Table.when`. A record
    none of whose fields is known is left out, since a point must have one. Line breaks inside a text are kept as `\\n`:
    older servers read a line as a point.
    """

    def __init__(self, table: Table, file: TextIO) -> None:
        self._table, self._file = table, file
        self._names = [column.name for column in table.columns]
        self._when = self._names.index(table.when)

    def write(self, cells: list[Any]) -> None:
        point: Any = Point(self._table.name)  # type: ignore[no-untyped-call]
        for place, (column, name, cell) in enumerate(zip(self._table.columns, self._names, cells, strict=True)):
            if place == self._when or cell is None:
                continue
            if name in self._table.identity:
                point.tag(name, column.kind.to_text(cell))
            elif column.kind in (REAL, MAYBE_REAL):
                point.field(name, float(cell))
            elif column.kind is WHOLE:
                point.field(name, int(cell))
            elif column.kind in (YES, MAYBE_YES):
                point.field(name, bool(cell))
            else:
                text = column.kind.to_text(cell)
                if text:
                    point.field(name, text.replace("\r\n", "\n").replace("\n", "\\n"))
        point.time(cells[self._when], WritePrecision.MS)
        line = point.to_line_protocol()
        if line:
            self._file.write(line + "\n")


@contextmanager
def _lines(table: Table, path: Path) -> Iterator[TableWriter]:
    with path.open("w", encoding="utf-8", newline="\n") as file:
        yield LineWriter(table, file)


class ParquetWriter:
    """Apache Parquet: numbers as such, times as UTC timestamps in ms, the rest as text; units and meanings as metadata."""

    def __init__(self, table: Table, path: Path) -> None:
        # Imported here: the one form whose library is not always installed.
        import pyarrow as arrow  # type: ignore[import-not-found, import-untyped, unused-ignore]
        import pyarrow.parquet as parquet  # type: ignore[import-not-found, import-untyped, unused-ignore]

        self._arrow: Any = arrow
        of_kind = {
            REAL: arrow.float64(), MAYBE_REAL: arrow.float64(), WHOLE: arrow.int64(), YES: arrow.bool_(),
            MAYBE_YES: arrow.bool_(), TIME: arrow.timestamp("ms", tz="UTC"), MAYBE_TIME: arrow.timestamp("ms", tz="UTC"),
        }  # fmt: skip
        self._as_text = [None if column.kind in of_kind else column.kind.to_text for column in table.columns]
        self._schema = arrow.schema(
            [
                arrow.field(
                    column.name,
                    of_kind.get(column.kind, arrow.string()),
                    metadata={"unit": column.unit, "meaning": column.meaning},
                )
                for column in table.columns
            ],
            metadata={"meaning": table.meaning},
        )
        self._writer = parquet.ParquetWriter(path, self._schema)
        self._rows: list[list[Any]] = []

    def write(self, cells: list[Any]) -> None:
        self._rows.append(cells)
        if len(self._rows) >= ROWS_AT_A_TIME:
            self._flush()

    def _flush(self) -> None:
        columns = zip(*self._rows, strict=True) if self._rows else ([] for _ in self._schema)
        arrays = [
            self._arrow.array(
                column if to_text is None else [None if cell is None else to_text(cell) for cell in column], field.type
            )
            for column, to_text, field in zip(columns, self._as_text, self._schema, strict=True)
        ]
        self._writer.write_table(self._arrow.Table.from_arrays(arrays, schema=self._schema))
        self._rows = []

    def close(self, *, whole: bool) -> None:
        if whole:
            self._flush()
        self._writer.close()


@contextmanager
def _parquet(table: Table, path: Path) -> Iterator[TableWriter]:
    writer = ParquetWriter(table, path)
    try:
        yield writer
    except BaseException:
        writer.close(whole=False)
        raise
    writer.close(whole=True)


CSV = Form("csv", _csv)
FORMS = {"csv": CSV, "line-protocol": Form("lp", _lines), "parquet": Form("parquet", _parquet, needs="pyarrow")}
