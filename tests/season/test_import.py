"""Export, import, export: the same bytes; and a malformed file leaves nothing behind but a word on each bad line."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from tests.season.season_store import fill_by_writing
from tests.season.season_truth import START_MS, Plan, draw_season
from tests.store.batches import FOR_EVER_MS
from vatwatch.errors import VatwatchError
from vatwatch.records import Batch, JournalEntry, PortEvent, Push, Sample, StepResult
from vatwatch.season.export_tables import TABLES
from vatwatch.season.exporting import export_files
from vatwatch.season.figures import review_figures
from vatwatch.season.importing import import_csv
from vatwatch.store.reading import StoreReader
from vatwatch.store.writing import StoreWriter
from vatwatch.terms import EntryKind, Flag, Signal, Urgency

AWKWARD = '=1+1, "said", 3;5\r\nand\n  on  '
PLAN = Plan(vats=2, days=3, step_ms=60_000, seed=9, busy=4.0)


@pytest.fixture(scope="module")
def exported(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with a little of everything, and its export beside it."""
    directory = tmp_path_factory.mktemp("exported")
    store = directory / "store.db"
    fill_by_writing(draw_season(PLAN), store)
    with StoreReader(store) as reader:
        last = reader.last_scan("vat1")
    assert last is not None
    slot_ms = PLAN.end_ms + PLAN.step_ms
    scan = type(last)(**{**{name: getattr(last, name) for name in type(last).__dataclass_fields__}, "slot_ms": slot_ms})
    late = Sample(START_MS, "vat1", "vat1-ph", Signal.PH, 1e-17, Flag.NOT_EVALUATED, "late, by a day")
    none = Sample(slot_ms - 1, "vat1", "vat1-ph", Signal.PH, None, Flag.MISSING, AWKWARD)
    with StoreWriter.open(store) as writer:
        writer.append(
            Batch(
                slot_ms,
                2,
                (StepResult(scan, (late, none)),),
                journal=(JournalEntry("é", slot_ms, slot_ms, "vat1", EntryKind.NOTE, text=AWKWARD, grams=-0.0),),
                port_events=(PortEvent(slot_ms, "ttyUSB0", "lost", AWKWARD),),
                shed_pushes=(Push("p", slot_ms, "", "", Urgency.TELL, "evening", AWKWARD, "▁▂█"),),
            )
        )
    with StoreReader(store) as reader:
        export_files(reader, directory / "first", 0, FOR_EVER_MS)
    return directory


def test_export_import_export_is_the_same_bytes(exported: Path, tmp_path: Path) -> None:
    scans = import_csv(exported / "first", tmp_path / "again.db")
    with StoreReader(tmp_path / "again.db") as reader:
        export_files(reader, tmp_path / "second", 0, FOR_EVER_MS)
    for table in TABLES:
        first, second = (place / f"{table.name}.csv" for place in (exported / "first", tmp_path / "second"))
        assert first.read_bytes() == second.read_bytes(), table.name
        assert first.read_bytes().count(b"\r\n") > 1, f"{table.name} had nothing to compare"
    assert scans == (exported / "first" / "scans.csv").read_bytes().count(b"\r\n") - 1
    assert not [path.name for path in tmp_path.iterdir() if path.name.startswith(".")]


def test_the_review_of_an_imported_season_is_that_of_the_season(exported: Path, tmp_path: Path) -> None:
    import_csv(exported / "first", tmp_path / "again.db")
    with StoreReader(exported / "store.db") as one, StoreReader(tmp_path / "again.db") as other:
        figures = [review_figures(reader, START_MS, PLAN.end_ms, ZoneInfo("UTC")) for reader in (one, other)]
    for was, now in zip(figures[0].vats, figures[1].vats, strict=True):
        for name in ("card", "limits", "hours", "journal", "excursions", "use", "dyeing", "calibrations", "alarms"):
            assert getattr(was, name) == getattr(now, name), name
        # An hour's mean may have been summed in another order.
        for before, after in zip(was.extremes, now.extremes, strict=True):
            assert (before.low, before.high) == (after.low, after.high)
            assert before.mean == pytest.approx(after.mean, rel=1e-12)


def spoilt(exported: Path, tmp_path: Path, name: str, number: int, old: str, new: str) -> Path:
    """A copy of the export with one line changed."""
    shutil.copytree(exported / "first", tmp_path / "bad")
    path = tmp_path / "bad" / name
    lines = path.read_bytes().decode().split("\r\n")
    assert old in lines[number - 1]
    lines[number - 1] = lines[number - 1].replace(old, new, 1)
    path.write_bytes("\r\n".join(lines).encode())
    return tmp_path / "bad"


@pytest.mark.parametrize(
    ("name", "number", "old", "new", "said"),
    [
        ("scans.csv", 4, "2026-05-01T", "1 May ", "scans.csv, line 4: slot [UTC]: expected a time like"),
        ("scans.csv", 7, "dyeable", "splendid", "scans.csv, line 7: 'splendid' is not a valid VatCondition"),
        ("samples.csv", 5, ",1,", ",", "samples.csv, line 5: expected 8 columns, found 7"),
        ("samples.csv", 8, ",ph,", ",colour,", "samples.csv, line 8: 'colour' is not a valid Signal"),
        ("journal.csv", 3, "Z,", ",", "journal.csv, line 3: time [UTC]: expected a time"),
        ("journal.csv", 1, "weight [g]", "weight [oz]", "journal.csv, line 1: expected the columns"),
        ("calibrations.csv", 2, "offset", "sunset", "calibrations.csv, line 2"),
    ],
)  # fmt: skip
def test_a_malformed_line_is_named_and_nothing_is_imported(
    exported: Path, tmp_path: Path, name: str, number: int, old: str, new: str, said: str
) -> None:
    bad = spoilt(exported, tmp_path, name, number, old, new)
    with pytest.raises(VatwatchError) as raised:
        import_csv(bad, tmp_path / "made.db")
    assert said in str(raised.value)
    assert "nothing was imported" in str(raised.value).lower()
    assert [path.name for path in tmp_path.iterdir()] == ["bad"]


def test_every_bad_line_is_named_at_once(exported: Path, tmp_path: Path) -> None:
    bad = spoilt(exported, tmp_path, "scans.csv", 4, "2026-05-01T", "yesterday ")
    lines = (bad / "scans.csv").read_bytes().split(b"\r\n")
    lines[9] = lines[9].replace(b",1,", b",one,", 1)
    (bad / "scans.csv").write_bytes(b"\r\n".join(lines))
    with pytest.raises(VatwatchError, match=r"scans.csv, line 4: (.|\n)*scans.csv, line 10: "):
        import_csv(bad, tmp_path / "made.db")


def test_a_store_that_is_there_is_left_alone(exported: Path) -> None:
    before = (exported / "store.db").read_bytes()
    with pytest.raises(VatwatchError, match="is there already"):
        import_csv(exported / "first", exported / "store.db")
    assert (exported / "store.db").read_bytes() == before


def test_the_command(exported: Path, tmp_path: Path) -> None:
    said = subprocess.run(
        [sys.executable, "-m", "vatwatch.cli", "import", str(exported / "first"), "--into", str(tmp_path / "old.db")],
        capture_output=True, text=True, timeout=120, check=True,
    )  # fmt: skip
    assert "scans" in said.stdout
    with StoreReader(tmp_path / "old.db") as reader:
        assert reader.vats() == ["vat1", "vat2"]
