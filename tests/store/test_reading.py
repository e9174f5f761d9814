"""The reader: ranges, curves and streams against plain Python, whole batches only while the writer runs."""

from __future__ import annotations

import random
import sqlite3
import threading
from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from tests.store.batches import FOR_EVER_MS, SIX_VATS, SLOT_MS, batch_of, card_of, shorten_days
from vatwatch.errors import StoreError
from vatwatch.records import AlarmAction, Batch, JournalEntry, Numbered, Sample
from vatwatch.store import reading, sealing, shelf, statements, writing
from vatwatch.store.curves import hours_per_part
from vatwatch.store.reading import CurvePoint, ReplaySlot, StoreReader
from vatwatch.store.writing import StoreWriter
from vatwatch.terms import ActionVerb, AlarmState, EntryKind, Quantity, Signal, Stream

HOUR_MS = 3_600_000
SLOTS = range(SLOT_MS, 61 * SLOT_MS, SLOT_MS)


@pytest.fixture(scope="module", params=["hot", "sealed", "half sealed", "sealed and broken off"])
def path(tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest) -> Path:
    """The same scans, with none, most, or some of them in chunks, and in the middle of being sealed."""
    made = tmp_path_factory.mktemp("season") / "store.db"
    with pytest.MonkeyPatch.context() as patch, StoreWriter.open(made) as writer:
        writer.record_settings(0, "{}", [card_of(vat) for vat in SIX_VATS[:2]])
        patch.setattr(writing, "TEND_S", 0.0)
        shorten_days(patch, days_of=12 * SLOT_MS)
        for slot_ms in SLOTS:
            writer.append(batch_of(slot_ms))
            if request.param == "half sealed" and slot_ms == SLOTS[30]:
                writer.seal_all()
        if request.param == "sealed":
            writer.seal_all()
        if request.param == "sealed and broken off":
            work = writer._sealer._all()
            while (
                writer._connection.execute("SELECT count(DISTINCT through_number) FROM sealed_chunks").fetchone()[0] < 3
            ):
                next(work)
        sealed, chunks = writer._connection.execute(
            "SELECT sealed_through, (SELECT count(*) FROM sealed_chunks) FROM marks"
        ).fetchone()
        assert (sealed > 0) == (chunks > 0) == (request.param != "hot")
    return made


@pytest.fixture
def reader(path: Path) -> Iterator[StoreReader]:
    with StoreReader(path) as opened:
        yield opened


def expected_slots(vat: str) -> list[ReplaySlot]:
    expected = []
    for slot_ms in SLOTS:
        batch = batch_of(slot_ms)
        step = next(step for step in batch.steps if step.scan.vat == vat)
        mine = vat == SIX_VATS[0]
        expected.append(
            ReplaySlot(
                slot_ms,
                1,
                step.samples,
                batch.journal if mine else (),
                batch.actions if mine else (),
                step.scan,
                step.alarm_events,
                step.pushes,
            )
        )
    return expected


def test_no_store_is_explained_and_none_is_made(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="There is no store"):
        StoreReader(tmp_path / "store.db")
    assert not list(tmp_path.iterdir())


def test_the_reader_cannot_write(reader: StoreReader) -> None:
    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        reader._connection.execute("DELETE FROM journal")


def test_an_empty_store_answers_everything(tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    StoreWriter.open(path).close()
    with StoreReader(path) as reader:
        assert not [*reader.cards(), *reader.vats(), *reader.standing_alarms(), *reader.deliveries()]
        assert (reader.span(), reader.last_scan("vat1"), reader.newest_settings()) == (None, None, None)
        assert reader.latest_snapshot("vat1") is None
        assert list(reader.replay_slots("vat1", 0, FOR_EVER_MS)) == []
        assert reader.curve("vat1", Quantity.PH, 0, 1000, 10) == []
        assert [reader.newest(stream) for stream in Stream] == [0, 0, 0, 0]


def test_vats_and_span(reader: StoreReader) -> None:
    assert [card.vat for card in reader.cards()] == ["vat1", "vat2"]
    assert reader.vats() == list(SIX_VATS)
    assert reader.span() == (SLOTS[0], SLOTS[-1])


@pytest.mark.parametrize("page_rows", [1, 7, 1000])
def test_replay_gives_slots_exactly_as_taken(
    reader: StoreReader, page_rows: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(reading, "PAGE_ROWS", page_rows)
    for vat in SIX_VATS[:2]:
        expected = expected_slots(vat)
        assert list(reader.replay_slots(vat, 0, FOR_EVER_MS)) == expected
        assert list(reader.replay_slots(vat, SLOTS[7], SLOTS[21])) == expected[7:21]
        assert list(reader.scans(vat, SLOTS[7], SLOTS[21])) == [slot.scan for slot in expected[7:21]]
        samples = sorted((s for slot in expected for s in slot.samples), key=lambda sample: sample.time_ms)
        assert list(reader.samples(vat, 0, FOR_EVER_MS)) == samples
        first, last = samples[10].time_ms, samples[50].time_ms
        assert list(reader.samples(vat, first, last)) == samples[10:50]
    assert list(reader.replay_slots("no such vat", 0, FOR_EVER_MS)) == []


def test_two_readings_may_be_under_way_at_once(reader: StoreReader, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reading, "PAGE_ROWS", 3)
    pairs = zip(reader.scans("vat1", 0, FOR_EVER_MS), reader.replay_slots("vat1", 0, FOR_EVER_MS), strict=True)
    assert all(scan == slot.scan for scan, slot in pairs)


def test_samples_of_one_moment_keep_their_order(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reading, "PAGE_ROWS", 2)
    path = tmp_path / "store.db"
    samples = tuple(Sample(5, "vat1", f"p{place}", Signal.PH, float(place)) for place in (3, 1, 2, 5, 4))
    batch = batch_of(SLOT_MS, ["vat1"])
    with StoreWriter.open(path) as writer:
        writer.record_settings(0, "{}", [])
        writer.append(replace(batch, steps=(replace(batch.steps[0], samples=samples),)))
    with StoreReader(path) as reader:
        assert tuple(reader.samples("vat1", 5, 6)) == samples
        assert next(reader.replay_slots("vat1", 0, FOR_EVER_MS)).samples == samples


def test_an_entry_taken_without_a_scan_comes_with_the_next_one(tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    fed = [JournalEntry(f"e{n}", n, n, "vat1", EntryKind.FEED) for n in range(4)]
    shelved = AlarmAction("a", 1, "vat1", "overheat", ActionVerb.SHELVE, until_ms=9)
    with StoreWriter.open(path) as writer:
        writer.record_settings(0, "{}", [])
        writer.append(Batch(1, 1, journal=(fed[2],), actions=(shelved,)))
        writer.append(replace(batch_of(10, ["vat1"]), journal=(fed[1],), actions=()))
        writer.append(Batch(15, 1, journal=(fed[0],)))
        writer.append(replace(batch_of(20, ["vat1"]), journal=(fed[3],), actions=()))
    with StoreReader(path) as reader:
        slots = list(reader.replay_slots("vat1", 0, FOR_EVER_MS))
        assert [slot.journal for slot in slots] == [(fed[2], fed[1]), (fed[0], fed[3])]
        assert [slot.actions for slot in slots] == [(shelved,), ()]
        assert [slot.journal for slot in reader.replay_slots("vat1", 16, 30)] == [(fed[0], fed[3])]
        assert [slot.journal for slot in reader.replay_slots("vat1", 0, 11)] == [(fed[2], fed[1])]


def test_journal_alarms_pushes_and_ports_by_time(reader: StoreReader) -> None:
    slots = [batch_of(slot_ms) for slot_ms in SLOTS]
    entries = [entry for batch in slots for entry in batch.journal]
    assert reader.journal(None, 0, FOR_EVER_MS) == reader.journal("vat1", 0, FOR_EVER_MS) == entries
    assert reader.journal("vat2", 0, FOR_EVER_MS) == []
    assert reader.journal(None, entries[3].time_ms, entries[5].time_ms) == entries[3:5]
    events = [event for batch in slots for step in batch.steps for event in step.alarm_events]
    assert reader.alarm_events(None, SLOTS[2], SLOTS[4]) == events[12:24]
    assert reader.alarm_events("vat2", SLOTS[2], SLOTS[4]) == [events[13], events[19]]
    pushes = [push for batch in slots for step in batch.steps for push in step.pushes]
    assert reader.pushes(0, FOR_EVER_MS) == pushes
    assert reader.pushes(SLOTS[2], SLOTS[3]) == pushes[6:12]
    assert reader.port_events(0, SLOTS[1]) == [*slots[0].port_events, *slots[1].port_events]


def test_standing_alarms_are_the_newest_of_each_unless_normal(tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    with StoreWriter.open(path) as writer, StoreReader(path) as reader:
        writer.record_settings(0, "{}", [])
        for slot_ms, standing in ((SLOT_MS, True), (2 * SLOT_MS, False), (3 * SLOT_MS, True)):
            batch = batch_of(slot_ms, ["vat1", "vat2"])
            writer.append(batch)
            expected = [event for step in batch.steps for event in step.alarm_events]
            assert {event.to_state is not AlarmState.NORMAL for event in expected} == {standing}
            assert reader.standing_alarms() == (expected if standing else [])


def test_streams_can_be_tailed_in_bites(reader: StoreReader) -> None:
    for stream in Stream:
        position, found = 0, list[Numbered]()
        while bite := reader.rows_after(stream, position, 11):
            assert len(bite) <= 11
            found += bite
            position = bite[-1].number
        assert position == reader.newest(stream) == len(found)
        assert all(later.number == earlier.number + 1 for earlier, later in pairwise(found))
        assert reader.rows_after(stream, 0, 0) == []
    assert [row.record for row in reader.rows_after(Stream.SCANS, 6, 6)] == [
        step.scan for step in batch_of(SLOTS[1]).steps
    ]


QUANTITIES = (*Quantity, "reduction_share", "reduction_margin_mv")


@pytest.mark.parametrize("sealed", [False, True])
@pytest.mark.parametrize("quantity", QUANTITIES)
def test_a_curve_keeps_lowest_and_highest(
    tmp_path: Path, quantity: Quantity, sealed: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Over hot rows, rollups and chunks: the same as plain Python over the values."""
    path = tmp_path / "store.db"
    chance = random.Random(7)
    values: list[tuple[int, float]] = []
    spread = 100 if sealed else 1
    if sealed:
        monkeypatch.setattr(sealing, "DAY_MS", 8 * HOUR_MS)
    with StoreWriter.open(path) as writer:
        writer.record_settings(0, "{}", [])
        slots_ms = [spread * place for place in sorted(chance.sample(range(-50_000, 500_000), 300))]
        for slot_ms in slots_ms:
            batch = batch_of(slot_ms, ["vat1"])
            scan = batch.steps[0].scan
            gap = chance.random() < 0.3
            if quantity in set(Quantity):
                name = quantity.value
                measured = getattr(scan, name)
                scan = replace(scan, **{name: replace(measured, value=None if gap else measured.value)})
                value = getattr(scan, name).value
            else:
                reduction = None if gap else scan.reduction
                scan = replace(scan, reduction=reduction)
                value = None if reduction is None else getattr(reduction, str(quantity).removeprefix("reduction_"))
            writer.append(replace(batch, steps=(replace(batch.steps[0], scan=scan),)))
            if value is not None:
                values.append((slot_ms, value))
    with StoreReader(path) as reader:
        counts = [reader._rows(f"SELECT count(*) FROM {table}")[0][0] for table in ("rollups", "sealed_chunks")]  # noqa: S608
        assert (min(counts) > 1) == sealed
        spans = ((-50_000, 500_000, 10), (0, 100_001, 7), (-17, 12_345, 1000), (0, 10**15, 3), (-30_001, 400_003, 9))
        for from_ms, to_ms, buckets in [(a * spread + a % 2, b * spread, n) for a, b, n in spans]:
            points = reader.curve("vat1", quantity, from_ms, to_ms, buckets)
            expected: dict[int, list[float]] = {}
            start_ms, whole_ms, parts = from_ms, to_ms - from_ms, buckets
            if whole_ms >= buckets * HOUR_MS // 2:
                start_ms, parts = from_ms // HOUR_MS * HOUR_MS, 1
                whole_ms = hours_per_part(from_ms, to_ms, buckets) * HOUR_MS
            for slot_ms, value in values:
                if from_ms <= slot_ms < to_ms:
                    expected.setdefault((slot_ms - start_ms) * parts // whole_ms, []).append(value)
            assert all(0 <= part < buckets for part in expected)
            assert len(points) == len(expected)
            for (part, kept), point in zip(sorted(expected.items()), points, strict=True):
                assert (point.low, point.high, point.count) == (min(kept), max(kept), len(kept))
                assert point.mean == pytest.approx(sum(kept) / len(kept), rel=1e-9, abs=1e-9)
                assert point.low <= point.mean <= point.high
                assert point.time_ms == start_ms + (2 * part + 1) * whole_ms // (2 * parts)


def test_a_curve_of_nothing_and_of_nonsense(reader: StoreReader) -> None:
    assert reader.curve("vat1", Quantity.PH, 100, 100, 5) == []
    assert reader.curve("no such vat", Quantity.PH, 0, FOR_EVER_MS, 5) == []
    with pytest.raises(ValueError, match="at least one part"):
        reader.curve("vat1", Quantity.PH, 0, 100, 0)
    with pytest.raises(ValueError, match="no curve of 'colour'"):
        reader.curve("vat1", "colour", 0, 100, 5)  # type: ignore[arg-type]


def test_infinite_values_do_not_spoil_a_curve(tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    with StoreWriter.open(path) as writer:
        writer.record_settings(0, "{}", [])
        for slot_ms, value in ((1, 0.1), (2, float("inf")), (3, 0.1), (4, 0.1), (5, float("-inf"))):
            batch = batch_of(slot_ms, ["vat1"])
            scan = replace(batch.steps[0].scan, ph=replace(batch.steps[0].scan.ph, value=value))
            writer.append(replace(batch, steps=(replace(batch.steps[0], scan=scan),)))
    with StoreReader(path) as reader:
        assert reader.curve("vat1", Quantity.PH, 0, 10, 1) == [CurvePoint(5, 0.1, 0.1, 0.1, 3)]


STREAMED = {
    name: text
    for name, text in {**vars(statements), **vars(shelf)}.items()
    if isinstance(text, str) and name.startswith(("SELECT_STRAYS", "REPLAYED_", "_HEADS", "_HOT_", "HOT_FROM"))
}


@pytest.mark.parametrize("name", STREAMED)
def test_long_answers_are_never_sorted_or_scanned_whole(reader: StoreReader, name: str) -> None:
    places = 3 if "?3" in STREAMED[name] else STREAMED[name].count("?")
    found = reader._connection.execute(f"EXPLAIN QUERY PLAN {STREAMED[name]}", (0,) * places)
    plan = [str(row[3]) for row in found]
    assert plan
    # `marks` has one row.
    assert not [step for step in plan if "TEMP B-TREE" in step or (step.startswith("SCAN") and "marks" not in step)], (
        plan
    )


def test_readers_see_whole_batches_only(tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    writer = StoreWriter.open(path)
    writer.record_settings(0, "{}", [])
    done = threading.Event()
    looks: list[int] = []
    faults: list[str] = []

    def look() -> None:
        last = seen = 0
        with StoreReader(path) as reader:
            while not faults and not (done.is_set() and last == 150):
                with reader.one_view():
                    counts = [reader.newest(stream) for stream in (Stream.SCANS, Stream.ALARM_EVENTS, Stream.JOURNAL)]
                    slots = {scan.slot_ms for vat in SIX_VATS if (scan := reader.last_scan(vat)) is not None}
                    samples = sum(1 for vat in SIX_VATS for _ in reader.samples(vat, 0, FOR_EVER_MS))
                whole = counts[2]
                if counts != [6 * whole, 6 * whole, whole] or samples != 18 * whole or len(slots) != min(whole, 1):
                    faults.append(f"half a batch: {counts}, {samples} samples, slots {slots}")
                if whole < last:
                    faults.append(f"went back from {last} to {whole}")
                seen += whole > last
                last = whole
        looks.append(seen)

    threads = [threading.Thread(target=look) for _ in range(3)]
    for thread in threads:
        thread.start()
    try:
        for place in range(1, 151):
            writer.append(batch_of(place * SLOT_MS))
    finally:
        done.set()
        for thread in threads:
            thread.join(timeout=60)
        writer.close()
    assert faults == []
    assert len(looks) == 3
    assert min(looks) > 1, "the readers must have looked while the writer wrote"
