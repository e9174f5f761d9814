"""Backups of a store in use are whole and of one moment; a restore sets aside and never overwrites; both by command."""

from __future__ import annotations

import os
import sqlite3
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from tests.store.batches import SLOT_MS, batch_of, shorten_days
from vatwatch.cli import app
from vatwatch.errors import StoreError, VatwatchError
from vatwatch.store import inspection
from vatwatch.store.backup import backup, restore
from vatwatch.store.reading import StoreReader
from vatwatch.store.writing import StoreWriter
from vatwatch.terms import Stream

SETTINGS = """\
[site]
id = "shed"
data = "{data}"

[vat.tub]
name = "Tub"
chemistry = "hydrosulfite"

[port.left]
device = "/dev/ttyUSB0"

[[port.left.line]]
pattern = 'T=(?P<t>-?[0-9.]+)'

[probe.tub-t]
vat = "tub"
port = "left"
field = "t"
signal = "temperature_c"
"""


def begun(path: Path, slots: int) -> StoreWriter:
    writer = StoreWriter.open(path)
    writer.record_settings(0, "{}", [])
    for place in range(1, slots + 1):
        writer.append(batch_of(place * SLOT_MS))
    return writer


def contents(path: Path) -> list[object]:
    with StoreReader(path) as reader:
        return [slot for vat in ("vat1", "vat6") for slot in reader.replay_slots(vat, 0, 2**62)]


def test_a_backup_while_the_writer_goes_on_is_of_one_moment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "store.db"
    with monkeypatch.context() as patch:
        shorten_days(patch, 12 * SLOT_MS)
        writer = begun(path, 30)
        stop = threading.Event()
        written: list[int] = []

        def go_on() -> None:
            place = 31
            while not stop.is_set():
                writer.append(batch_of(place * SLOT_MS))
                written.append(place)
                place += 1

        thread = threading.Thread(target=go_on)
        thread.start()
        try:
            made = [backup(path, tmp_path / f"copy-{number}.db") for number in range(6)]
        finally:
            stop.set()
            thread.join()
        writer.close()
    assert written
    for copied in made:
        assert copied.newest_number % 6 == 0
        assert copied.newest_slot_ms == copied.newest_number // 6 * SLOT_MS
        with StoreReader(copied.path) as reader:
            scans = [row.record for row in reader.rows_after(Stream.SCANS, 0, 10**6)]
        slots = range(1, len(scans) // 6 + 1)
        assert scans == [step.scan for place in slots for step in batch_of(place * SLOT_MS).steps]
        assert len(scans) == copied.newest_number
        assert not list(tmp_path.glob(f"*{copied.path.name}-*")), "a copy is one file"
    assert made[-1].newest_number >= made[0].newest_number
    assert not list(tmp_path.glob(".*"))


def test_a_backup_overwrites_nothing_and_explains(tmp_path: Path) -> None:
    begun(tmp_path / "store.db", 2).close()
    (tmp_path / "there").write_text("mine")
    with pytest.raises(StoreError, match="exists already"):
        backup(tmp_path / "store.db", tmp_path / "there")
    assert (tmp_path / "there").read_text() == "mine"
    with pytest.raises(StoreError, match="no directory"):
        backup(tmp_path / "store.db", tmp_path / "nowhere" / "copy.db")
    with pytest.raises(StoreError, match="no store"):
        backup(tmp_path / "none.db", tmp_path / "copy.db")


def test_a_copy_that_does_not_prove_whole_gets_no_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    begun(tmp_path / "store.db", 2).close()
    monkeypatch.setattr(inspection, "whole", lambda _connection: "page 7 is not there")
    with pytest.raises(StoreError, match="page 7"):
        backup(tmp_path / "store.db", tmp_path / "copy.db")
    assert not [path for path in tmp_path.iterdir() if not path.name.startswith("store.db")]


def test_the_long_check_looks_into_sealed_parts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shorten_days(monkeypatch, 12 * SLOT_MS)
    with begun(tmp_path / "store.db", 40) as writer:
        writer.seal_all()
    connection = sqlite3.connect(tmp_path / "store.db")
    assert inspection.whole(connection) == ""
    (body,) = connection.execute("SELECT body FROM sealed_parts WHERE part_id = 5").fetchone()
    spoilt = body[:-3] + bytes([body[-3] ^ 4]) + body[-2:]
    connection.execute("UPDATE sealed_parts SET body = ? WHERE part_id = 5", (spoilt,))
    connection.commit()
    assert inspection.whole(connection) == "sealed chunk 2 is damaged"
    connection.close()


def test_restore_sets_the_present_store_aside(tmp_path: Path) -> None:
    path, copy = tmp_path / "shed" / "store.db", tmp_path / "copy.db"
    writer = begun(path, 10)
    backup(path, copy)
    before = contents(copy)
    for place in range(11, 15):
        writer.append(batch_of(place * SLOT_MS))
    with pytest.raises(StoreError, match="Another vatwatch"):
        restore(copy, path)
    writer.close()
    after = contents(path)
    done = restore(copy, path)
    assert done.set_aside is not None
    assert contents(path) == before
    assert contents(done.set_aside) == after
    assert contents(copy) == before
    with StoreWriter.open(path) as writer:
        writer.append(batch_of(11 * SLOT_MS))
    with pytest.raises(StoreError, match="the store itself"):
        restore(path, path)


class PowerCut(BaseException):
    pass


@pytest.mark.parametrize("at", ["fsync", "link", "replace"])
def test_a_power_cut_during_a_restore_never_leaves_the_place_empty(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at: str
) -> None:
    path, copy = tmp_path / "store.db", tmp_path / "copy.db"
    writer = begun(path, 10)
    backup(path, copy)
    writer.append(batch_of(11 * SLOT_MS))
    writer.close()
    before, after = contents(copy), contents(path)

    def cut(done: Callable[..., Any], name: str) -> Callable[..., Any]:
        def cut_before(*given: Any, **named: Any) -> Any:
            if name == at and (name == "fsync" or path in given):
                raise PowerCut
            return done(*given, **named)

        return cut_before

    with monkeypatch.context() as patch:
        patch.setattr(os, "link", cut(os.link, "link"))
        patch.setattr(Path, "replace", cut(Path.replace, "replace"))
        patch.setattr(os, "fsync", cut(os.fsync, "fsync"))
        with pytest.raises(PowerCut):
            restore(copy, path)
    assert contents(path) == after, "until the new one has its name, the old one bears it"
    restore(copy, path)
    assert contents(path) == before


def test_where_files_have_no_second_name_a_restore_still_sets_aside(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(*_: object) -> None:
        raise PermissionError("no second names here")

    path, copy = tmp_path / "store.db", tmp_path / "copy.db"
    begun(path, 10).close()
    backup(path, copy)
    monkeypatch.setattr(os, "link", refused)
    done = restore(copy, path)
    assert done.set_aside is not None
    assert contents(path) == contents(done.set_aside) == contents(copy)


def test_restore_of_a_damaged_copy_changes_nothing(tmp_path: Path) -> None:
    path, copy = tmp_path / "store.db", tmp_path / "copy.db"
    begun(path, 40).close()
    backup(path, copy)
    content = bytearray(copy.read_bytes())
    for start in range(4096 * 20, len(content), 4096):
        content[start : start + 64] = b"\xa5" * 64
    copy.write_bytes(content)
    before = contents(path)
    with pytest.raises(StoreError, match="damaged"):
        restore(copy, path)
    assert contents(path) == before
    copy.write_bytes(b"no database at all")
    with pytest.raises(StoreError, match="not a vatwatch store"):
        restore(copy, path)
    assert contents(path) == before
    assert not list(tmp_path.glob(".*"))


def test_backup_and_restore_by_command(tmp_path: Path) -> None:
    data = tmp_path / "data"
    data.mkdir()
    settings = tmp_path / "vatwatch.toml"
    settings.write_text(SETTINGS.format(data=data))
    begun(data / "vatwatch.db", 3).close()
    copy = tmp_path / "copy.db"
    made = CliRunner().invoke(app, ["backup", str(copy), "--config", str(settings)])
    assert made.exit_code == 0, made.output
    assert "written and checked" in made.output
    assert "1970-01-01 00:00:30 UTC" in made.output
    again = CliRunner().invoke(app, ["backup", str(copy), "--config", str(settings)])
    assert isinstance(again.exception, VatwatchError)
    (data / "vatwatch.db").unlink()
    back = CliRunner().invoke(app, ["restore", str(copy), "--config", str(settings)])
    assert back.exit_code == 0, back.output
    assert contents(data / "vatwatch.db") == contents(copy)
