"""Reads the CSV files of tests/reference: five header lines (source, where, tolerance, why, checked), then a table."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

FOLDER = Path(__file__).parent.parent / "reference"
HEADER = ("source", "where", "tolerance", "why", "checked")

Row = dict[str, str]


@dataclass(frozen=True)
class ReferenceTable:
    name: str
    header: dict[str, str]
    rows: tuple[Row, ...]

    @property
    def tolerance(self) -> float:
        return float(self.header["tolerance"])


def read_table(name: str) -> ReferenceTable:
    header: dict[str, str] = {}
    body: list[str] = []
    for line in (FOLDER / f"{name}.csv").read_text(encoding="utf-8").splitlines():
        if line.startswith("# "):
            key, _, value = line[2:].partition(": ")
            header[key] = value
        else:
            body.append(line)
    assert tuple(header) == HEADER, f"{name}.csv: header lines {tuple(header)}, expected {HEADER}"
    return ReferenceTable(name, header, tuple(csv.DictReader(body)))


def table_names() -> list[str]:
    return sorted(path.stem for path in FOLDER.glob("*.csv"))
