"""The writer: whole batches or nothing, one writer only, and no file altered that is not its own."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from tests.store.batches import FOR_EVER_MS, SIX_VATS, batch_of, card_of
from vatwatch.errors import StoreError
from vatwatch.records import Batch, Delivery, Outlook, PortEvent, Sample
from vatwatch.store import schema
from vatwatch.store.reading import StoreReader
from vatwatch.store.writing import StoreWriter
from vatwatch.terms import Signal, Stream

DAY_MS = 86_400_000


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "shed" / "store.db"


@pytest.fixture
def writer(path: Path) -> Iterator[StoreWriter]:
    with StoreWriter.open(path) as opened:
        opened.record_settings(0, "{}", [card_of(vat) for vat in SIX_VATS])
        yield opened


def numbers(path: Path) -> list[int]:
    with StoreReader(path) as reader:
        return [reader.newest(stream) for stream in Stream]


def test_the_file_is_kept_the_durable_way(path: Path, writer: StoreWriter) -> None:
    assert path.exists()
    other = sqlite3.connect(path)
    assert other.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    other.close()
    assert writer._connection.execute("PRAGMA synchronous").fetchone() == (2,)  # 2 is FULL
    assert writer._connection.execute("PRAGMA foreign_keys").fetchone() == (1,)


def test_a_slot_already_stored_is_refused_with_its_whole_batch(path: Path, writer: StoreWriter) -> None:
    writer.append(batch_of(10_000))
    before = numbers(path)
    again = batch_of(10_000)
    half_new = replace(again, steps=(*batch_of(20_000, ["vat1"]).steps, again.steps[3]))
    for batch in (again, half_new):
        with pytest.raises(StoreError, match="already stored"):
            writer.append(batch)
        assert numbers(path) == before
    writer.append(batch_of(20_000))


def test_numbers_start_at_one_and_follow_on_after_a_refusal(path: Path, writer: StoreWriter) -> None:
    writer.append(batch_of(10_000))
    with pytest.raises(StoreError):
        writer.append(batch_of(10_000))
    writer.append(batch_of(20_000))
    with StoreReader(path) as reader:
        for stream, per_batch in ((Stream.SCANS, 6), (Stream.ALARM_EVENTS, 6), (Stream.JOURNAL, 1)):
            found = [row.number for row in reader.rows_after(stream, 0, 100)]
            assert found == list(range(1, 2 * per_batch + 1))


def test_a_number_is_never_given_twice(path: Path, writer: StoreWriter) -> None:
    # Rows may one day be moved elsewhere; an outlet that counts on numbers must not meet an old one anew.
    writer.append(batch_of(10_000))
    before = numbers(path)
    for stream in Stream:
        if stream is not Stream.SCANS:
            writer._connection.execute(f"DELETE FROM {stream.value}")  # noqa: S608
    writer.append(batch_of(DAY_MS + 10_000))
    writer.seal_all()
    assert writer._connection.execute("SELECT count(*) FROM hot_batches").fetchone() == (1,)
    writer._connection.execute("DELETE FROM sealed_chunks")
    with StoreReader(path) as reader:
        for stream, last in zip(Stream, before, strict=True):
            assert reader.rows_after(stream, 0, 1)[0].number == last + 1


def test_entries_and_actions_are_kept_once(path: Path, writer: StoreWriter) -> None:
    batch = batch_of(10_000)
    entry, action = batch.journal[0], batch.actions[0]
    assert not writer.has(entry)
    assert not writer.has(action)
    writer.append(batch)
    assert writer.has(entry)
    assert writer.has(action)
    changed = replace(entry, text="said again", vat="vat2")
    writer.append(Batch(15_000, 1, journal=(changed, changed), actions=(action, action)))
    writer.append(batch_of(20_000))
    with StoreReader(path) as reader:
        assert reader.journal(None, 0, 15_000) == [entry]
        taken = [taken for slot in reader.replay_slots("vat1", 0, FOR_EVER_MS) for taken in slot.actions]
        assert taken == [action, batch_of(20_000).actions[0]]


@pytest.mark.parametrize(
    ("name", "sample"),
    [
        ("NaN", Sample(1, "vat1", "p", Signal.PH, float("nan"))),
        ("too large", Sample(2**63, "vat1", "p", Signal.PH, 1.0)),
        ("half a character", Sample(1, "vat1", "p\ud800", Signal.PH, 1.0)),
    ],
)
def test_a_value_that_cannot_be_kept_refuses_the_batch_whole(
    path: Path, writer: StoreWriter, name: str, sample: Sample
) -> None:
    good = batch_of(10_000)
    spoilt = replace(good, steps=(*good.steps[:5], replace(good.steps[5], samples=(sample,))))
    with pytest.raises(StoreError):
        writer.append(spoilt)
    assert numbers(path) == [0, 0, 0, 0]
    writer.append(good)
    assert numbers(path) == [6, 6, 1, 6]


def test_settings_must_be_known_before_a_batch_names_them(path: Path, writer: StoreWriter) -> None:
    with pytest.raises(StoreError, match="settings version"):
        writer.append(batch_of(10_000, settings_version=2))
    assert numbers(path) == [0, 0, 0, 0]


def test_settings_get_a_version_only_when_they_change(path: Path, writer: StoreWriter) -> None:
    cards = [card_of("vat1"), card_of("vat2")]
    assert writer.record_settings(10_000, '{"a": 1}', cards) == 2
    assert writer.record_settings(20_000, '{"a": 1}', cards) == 2
    assert writer.record_settings(30_000, "{}", cards) == 3
    assert writer.record_settings(40_000, "{}", cards[::-1]) == 3
    with StoreReader(path) as reader:
        assert reader.cards() == cards[::-1]
        assert reader.settings(2) == '{"a": 1}'
        assert reader.newest_settings() == (3, "{}")
        with pytest.raises(StoreError, match="no settings of version 4"):
            reader.settings(4)


def test_a_delivery_replaces_the_one_before(path: Path, writer: StoreWriter) -> None:
    first = Delivery("mqtt", Stream.SCANS, 5, 5, last_ok_ms=7)
    second = replace(first, position=9, failures=1, last_error="refused", last_error_ms=8)
    writer.record_delivery(first)
    writer.record_delivery(Delivery("phone", Stream.PUSHES, 1))
    writer.record_delivery(second)
    with StoreReader(path) as reader:
        assert reader.delivery("mqtt", Stream.SCANS) == second
        assert reader.delivery("mqtt", Stream.JOURNAL) == Delivery("mqtt", "journal")
        assert [delivery.outlet for delivery in reader.deliveries()] == ["mqtt", "phone"]


def test_a_batch_of_port_events_alone_is_kept(path: Path, writer: StoreWriter) -> None:
    lost = PortEvent(5, "/dev/ttyUSB0", "lost", "the adapter was pulled out")
    writer.append(Batch(10_000, 1, port_events=(lost,)))
    with StoreReader(path) as reader:
        assert reader.port_events(0, 10) == [lost]
        assert reader.span() is None


def test_a_second_writer_is_refused_by_name_and_let_in_later(path: Path) -> None:
    first = StoreWriter.open(path)
    with pytest.raises(StoreError, match=r"Another vatwatch \(process \d+\) already writes"):
        StoreWriter.open(path)
    first.close()
    first.close()
    StoreWriter.open(path).close()
    with pytest.raises(StoreError, match="closed"):
        first.append(batch_of(10_000))


def test_calls_from_two_threads_wait_for_each_other(path: Path, writer: StoreWriter) -> None:
    def deliver() -> None:
        for position in range(1, 101):
            writer.record_delivery(Delivery("mqtt", "scans", position))

    other = threading.Thread(target=deliver)
    other.start()
    for place in range(1, 51):
        writer.append(batch_of(place * 10_000, ["vat1"]))
    other.join()
    with StoreReader(path) as reader:
        assert reader.newest(Stream.SCANS) == 50
        assert reader.delivery("mqtt", "scans").position == 100


@pytest.mark.parametrize("content", [b"pH 10.4\n", b"dye notes, not a database\n" * 400])
def test_a_file_that_is_no_database_is_left_alone(path: Path, content: bytes) -> None:
    path.parent.mkdir()
    path.write_bytes(content)
    with pytest.raises(StoreError, match="not a vatwatch store"):
        StoreWriter.open(path)
    with pytest.raises(StoreError, match="not a vatwatch store"):
        StoreReader(path)
    assert path.read_bytes() == content


def test_another_programs_database_is_left_alone(path: Path) -> None:
    path.parent.mkdir()
    other = sqlite3.connect(path)
    other.execute("CREATE TABLE recipes (name TEXT)")
    other.close()
    content = path.read_bytes()
    with pytest.raises(StoreError, match="another program"):
        StoreWriter.open(path)
    with pytest.raises(StoreError, match="another program"):
        StoreReader(path)
    assert path.read_bytes() == content


def test_a_newer_layout_is_refused_and_left_alone(path: Path) -> None:
    StoreWriter.open(path).close()
    newer = sqlite3.connect(path)
    newer.execute("PRAGMA user_version = 99")
    newer.close()
    content = path.read_bytes()
    for open_store in (StoreWriter.open, StoreReader):
        with pytest.raises(StoreError, match=r"version 99, made by a newer vatwatch.*Nothing was changed"):
            open_store(path)
    assert path.read_bytes() == content


def test_a_damaged_file_is_named_and_left_alone(path: Path) -> None:
    with StoreWriter.open(path) as writer:
        writer.record_settings(0, "{}", [])
        for place in range(1, 41):
            writer.append(batch_of(place * 10_000))
    content = bytearray(path.read_bytes())
    for start in range(4096 * 20, len(content), 4096):
        content[start : start + 64] = b"\xa5" * 64
    path.write_bytes(content)
    with pytest.raises(StoreError, match=r"is damaged .*It was left as it is"):
        StoreWriter.open(path)
    assert path.read_bytes() == content


def test_a_path_that_cannot_be_made_is_explained(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(StoreError, match="Cannot make the directory"):
        StoreWriter.open(tmp_path / "file" / "store.db")
    (tmp_path / "directory.db").mkdir()
    with pytest.raises(StoreError, match="cannot be opened"):
        StoreWriter.open(tmp_path / "directory.db")


def _add_a_column(connection: sqlite3.Connection) -> None:
    connection.execute("ALTER TABLE pushes ADD COLUMN read_ms INTEGER")


def _fail_half_way(connection: sqlite3.Connection) -> None:
    connection.execute("CREATE TABLE half (a)")
    connection.execute("DELETE FROM hot_batches")
    raise RuntimeError("the power went")


def test_a_migration_keeps_what_is_stored(path: Path, writer: StoreWriter) -> None:
    writer.append(batch_of(10_000))
    writer.close()
    connection = sqlite3.connect(path, isolation_level=None)
    assert schema.migrate(connection, (*schema.MIGRATIONS, _add_a_column)) == 1
    assert schema.version_of(connection) == len(schema.MIGRATIONS) + 1
    assert connection.execute("SELECT count(*), count(read_ms) FROM pushes").fetchone() == (6, 0)
    assert schema.migrate(connection, (*schema.MIGRATIONS, _add_a_column)) == 0
    connection.close()
    with pytest.raises(StoreError, match="newer vatwatch"):
        StoreWriter.open(path)


def test_a_migration_that_fails_leaves_the_version_before_it_whole(path: Path, writer: StoreWriter) -> None:
    writer.append(batch_of(10_000))
    writer.close()
    connection = sqlite3.connect(path, isolation_level=None)
    with pytest.raises(RuntimeError, match="power"):
        schema.migrate(connection, (*schema.MIGRATIONS, _add_a_column, _fail_half_way))
    assert schema.version_of(connection) == len(schema.MIGRATIONS) + 1
    assert connection.execute("SELECT sum(scans) FROM hot_batches").fetchone() == (6,)
    assert connection.execute("SELECT count(*) FROM sqlite_master WHERE name = 'half'").fetchone() == (0,)
    connection.close()


def test_a_reader_says_when_the_layout_is_older(
    path: Path, writer: StoreWriter, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(schema, "MIGRATIONS", (*schema.MIGRATIONS, _add_a_column))
    with pytest.raises(StoreError, match="brings the store up to date"):
        StoreReader(path)
    writer.close()
    StoreWriter.open(path).close()
    StoreReader(path).close()


def test_every_table_says_what_it_holds(path: Path, writer: StoreWriter) -> None:
    tables = writer._connection.execute(
        "SELECT name, sql FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"
    ).fetchall()
    assert len(tables) >= 11
    for name, text in tables:
        assert text.splitlines()[1].strip().startswith("-- "), name


def test_what_is_in_sight_is_replaced_and_forgotten(tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    first = Outlook("tub", 1000, "off-cold", False, 2000, 3000, None)
    later = Outlook("tub", 5000, "off-ph-low", True, 6000, 7000, 8000)
    other = Outlook("jar", 1000, "off-cold", False, 2000, 3000, 4000)
    with StoreWriter.open(path) as writer, StoreReader(path) as reader:
        version = writer.record_settings(0, "{}", [])
        writer.append(Batch(1000, version, outlooks={"tub": first, "jar": other}))
        assert (reader.outlook("tub"), reader.outlook("jar")) == (first, other)
        writer.append(Batch(5000, version, outlooks={"tub": later}))
        assert (reader.outlook("tub"), reader.outlook("jar")) == (later, other)
        writer.append(Batch(9000, version, outlooks={"tub": None}))
        assert (reader.outlook("tub"), reader.outlook("jar")) == (None, other)
