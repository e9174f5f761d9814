"""Readings by hand: a meter's memory and a notebook's table become a store, and the review can be made of it."""

from __future__ import annotations

import tempfile
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.season.recorded import settings_file
from tests.season.test_season_commands import run
from tests.store.batches import FOR_EVER_MS
from vatwatch.errors import VatwatchError
from vatwatch.season.hand_readings import columns_of, hand_readings
from vatwatch.store.reading import StoreReader
from vatwatch.terms import EntryKind

BERLIN = ZoneInfo("Europe/Berlin")
DAY_MS = 86_400_000
METER = """\ufeffNr;Datum;Zeit;pH-Wert;mV;°C;Flotte;Bemerkung\r
1;02.05.2025;07:30;10,62;-655,5;39,5;yellow-green;"erste Küpe; klar"\r
2;02.05.2025;19:05;10,55;-650;39,0;;\r
\r
3;03.05.2025;07:40;10,41;;38,5;Amber;\r
4;04.05.2025;07:35;9,1;-420,0;24,0;blue;kalt geworden\r
"""
COLUMNS = ("time=Datum+Zeit", "ph=pH-Wert", "orp=mV", "temperature=°C", "look=Flotte", "note=Bemerkung")
FORM = "%d.%m.%Y %H:%M"


def read(
    text: str, path: Path, columns: tuple[str, ...] = COLUMNS, form: str | None = FORM
) -> list[tuple[object, ...]]:
    path.write_text(text, encoding="utf-8", newline="")
    return [
        (one.line, one.time_ms, dict(one.values), one.look, one.note)
        for one in hand_readings(path, columns_of(columns), BERLIN, form)
    ]


def test_a_meters_memory_with_semicolons_and_commas(tmp_path: Path) -> None:
    found = read(METER, tmp_path / "meter.csv")
    first_ms = int(datetime(2025, 5, 2, 5, 30, tzinfo=UTC).timestamp() * 1000)
    assert found[0] == (
        2, first_ms, {"ph": 10.62, "orp": -655.5, "temperature": 39.5}, "yellow-green", "erste Küpe; klar"
    )  # fmt: skip
    assert [one[0] for one in found] == [2, 3, 5, 6]
    assert found[2][2:4] == ({"ph": 10.41, "temperature": 38.5}, "amber")


def test_a_notebook_in_iso_times_of_any_order(tmp_path: Path) -> None:
    text = "when,pH\n2025-05-03 08:00,10.2\n2025-05-02T08:00:00+00:00,10.4\n"
    found = read(text, tmp_path / "book.csv", ("time=when", "ph=pH"), None)
    assert [one[0] for one in found] == [3, 2]
    assert found[0][1] == 1_746_172_800_000
    assert found[1][1] == 1_746_252_000_000, "06:00 in UTC: a time without a zone is local"


def test_every_bad_line_is_named_and_nothing_is_taken_in(tmp_path: Path) -> None:
    config = settings_file(tmp_path, vats=1)
    bad = (
        METER
        + "5;31.02.2025;07:00;10,2;;;;\r\n6;05.05.2025;07:00;101;;;;\r\n7;05.05.2025;08:00;ten;;;;\r\n8;05.05.2025\r\n"
    )
    bad += "9;06.05.2025;07:00;10,1;;;turquoise;\r\n10;04.05.2025;07:35;9,2;;;;\r\n"
    source = tmp_path / "bad.csv"
    source.write_text(bad, encoding="utf-8", newline="")
    into = tmp_path / "old.db"
    said = run(config, "import", str(source), "--into", str(into), "--vat", "vat0", *given_columns(), code=1)
    for part in (
        "nothing was imported", "line 7: Datum+Zeit: expected a time of the form %d.%m.%Y %H:%M",
        "line 8: pH-Wert: expected a number from 0 to 14, found “101”", "line 9: pH-Wert",
        "line 10: expected 8 columns, found 2",
        "line 11: Flotte: expected one of blue, blue-green", "line 12: the same minute as line 6",
    ):  # fmt: skip
        assert part in said
    assert not into.exists()
    assert [path.name for path in tmp_path.iterdir() if "old" in path.name] == []


def given_columns() -> list[str]:
    return [part for column in COLUMNS for part in ("--column", column)] + ["--time-form", FORM]


def test_a_store_that_can_be_reviewed(tmp_path: Path) -> None:
    config = settings_file(tmp_path, vats=1)
    source, into = tmp_path / "meter.csv", tmp_path / "old.db"
    source.write_text(METER, encoding="utf-8", newline="")
    said = run(config, "import", str(source), "--into", str(into), "--vat", "vat0", *given_columns())
    assert "4 readings of vat0" in said
    with StoreReader(into) as reader:
        scans = list(reader.scans("vat0", 0, FOR_EVER_MS))
        samples = list(reader.samples("vat0", 0, FOR_EVER_MS))
        journal = reader.journal(None, 0, FOR_EVER_MS)
        assert reader.pushes(0, FOR_EVER_MS) == [], "nobody is told of an old season"
    assert [scan.ph.value for scan in scans] == [10.62, 10.55, 10.41, 9.1]
    assert [scan.orp_mv.value for scan in scans] == [-655.5, -650.0, None, -420.0]
    assert [scan.temperature_c.value for scan in scans] == [39.5, 39.0, 38.5, 24.0]
    assert all(0 < scan.slot_ms - sample.time_ms <= 60_000 for scan, sample in zip(scans[:1], samples[:1], strict=True))
    assert scans[0].reduction is not None
    assert "off-cold" in scans[3].shortfalls
    assert [(e.kind, e.what or e.text) for e in journal] == [
        (EntryKind.CHECK, "yellow-green"), (EntryKind.NOTE, "erste Küpe; klar"), (EntryKind.CHECK, "amber"),
        (EntryKind.CHECK, "blue"), (EntryKind.NOTE, "kalt geworden"),
    ]  # fmt: skip
    run(config, "review", "--store", str(into), "--to", str(tmp_path / "review.html"))
    page = (tmp_path / "review.html").read_text(encoding="utf-8")
    assert "kalt geworden" in page
    assert "Vat 0" in page


@pytest.mark.parametrize(
    ("columns", "said"),
    [
        (("ph=pH",), "at least time="),
        (("time=when",), "one of ph="),
        (("time=when", "acid=pH"), 'given "acid=pH"'),
        (("time=when", "ph=pH", "ph=pH"), "at most once"),
        (("time=when", "ph="), 'given "ph="'),
    ],
)
def test_columns_that_say_nothing(columns: tuple[str, ...], said: str) -> None:
    with pytest.raises(VatwatchError, match=said):
        columns_of(columns)


def test_headings_that_are_not_there_files_that_are_none_and_vats_nobody_has(tmp_path: Path) -> None:
    path = tmp_path / "book.csv"
    with pytest.raises(VatwatchError, match='the heading "pH" is not among when, ph'):
        read("when,ph\n2025-05-03,10\n", path, ("time=when", "ph=pH"), None)
    with pytest.raises(VatwatchError, match="stands more than once"):
        read("when,pH,pH\n2025-05-03,10,10\n", path, ("time=when", "ph=pH"), None)
    with pytest.raises(VatwatchError, match="holds no reading"):
        read("when,pH\n", path, ("time=when", "ph=pH"), None)
    path.write_bytes(b"when,pH\n2025-05-03,10 \xe9\n")
    with pytest.raises(VatwatchError, match="not UTF-8"):
        hand_readings(path, columns_of(("time=when", "ph=pH")), BERLIN)
    config = settings_file(tmp_path, vats=1)
    said = run(
        config, "import", str(path), "--into", str(tmp_path / "o.db"), "--vat", "tub", "--column", "time=when", code=1
    )
    assert 'given "tub", expected one of the vats' in said


@given(st.text(max_size=300), st.sampled_from([",", ";", "\t"]))
def test_any_text_is_readings_or_a_complaint(text: str, between: str) -> None:
    """No text whatever ends in anything but readings, or words for the person."""
    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / "x.csv"
        path.write_text(f"when{between}pH\n{text}", encoding="utf-8", errors="replace", newline="")
        said, found = "", []
        try:
            found = hand_readings(path, {"time": "when", "ph": "pH"}, BERLIN)
        except VatwatchError as error:
            said = str(error)
        assert found or "imported" in said
