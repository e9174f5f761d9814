"""Whatever goes into the store comes back the same: every bit of a float, every None, every character, in order."""

from __future__ import annotations

import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.store import batches
from vatwatch.errors import StoreError
from vatwatch.records import Batch, Delivery, Rejected, Scan, StepResult, VatCard
from vatwatch.store import columns, rows, schema, statements
from vatwatch.store.chunk_form import FLOATS, bundle, unbundled
from vatwatch.store.chunk_making import columns_of, packed_whole
from vatwatch.store.chunks import Chunk
from vatwatch.store.hot import FLOAT_PLACES, Bodies, Step
from vatwatch.store.reading import ReplaySlot, StoreReader
from vatwatch.store.writing import StoreWriter
from vatwatch.terminal import delivery_lines
from vatwatch.terms import Stream

KINDS: dict[str, tuple[st.SearchStrategy[Any], Callable[[Any], rows.Row], Callable[[Any], Any], tuple[str, ...]]] = {
    "alarm_events": (batches.alarm_events, rows.alarm_event_row, rows.alarm_event_of, columns.ALARM_EVENT),
    "pushes": (batches.pushes, rows.push_row, rows.push_of, columns.PUSH),
    "journal": (batches.journal_entries, rows.journal_row, rows.journal_of, columns.JOURNAL),
    "alarm_actions": (batches.alarm_actions, rows.action_row, rows.action_of, columns.ACTION),
    "port_events": (batches.port_events, rows.port_event_row, rows.port_event_of, columns.PORT_EVENT),
    "vat_cards": (batches.cards, rows.card_row, rows.card_of, columns.CARD),
    "deliveries": (batches.deliveries, rows.delivery_row, rows.delivery_of, columns.DELIVERY),
}
LEADING = {
    "alarm_events": {"scan_number": 1},
    "pushes": {"scan_number": 1},
    "journal": {"taken_slot_ms": 1},
    "alarm_actions": {"taken_slot_ms": 1},
    "port_events": {"taken_slot_ms": 1},
    "vat_cards": {"settings_version": 1, "place": 0},
    "deliveries": {},
}


@pytest.fixture(scope="module")
def layout() -> Iterator[sqlite3.Connection]:
    connection = sqlite3.connect(":memory:", isolation_level=None)
    schema.migrate(connection)
    yield connection
    connection.close()


@pytest.mark.parametrize("table", KINDS)
@given(data=st.data())
@settings(max_examples=150, deadline=None)
def test_every_record_comes_back_bit_for_bit(layout: sqlite3.Connection, table: str, data: st.DataObject) -> None:
    strategy, row_of, record_of, names = KINDS[table]
    record = data.draw(strategy)
    leading = LEADING[table]
    layout.execute("BEGIN")
    layout.execute(statements.insert(table, (*leading, *names)), (*leading.values(), *row_of(record)))
    kept = layout.execute(f"SELECT {statements.listed(names)} FROM {table}").fetchone()  # noqa: S608
    layout.execute("ROLLBACK")
    # repr tells -0.0 from 0.0 and True from 1, which == does not.
    assert repr(record_of(kept)) == repr(record)


steps = st.builds(
    Step,
    batches.scans.map(rows.scan_row),
    st.lists(batches.samples.map(rows.sample_row), max_size=4).map(tuple),
)


@given(made=st.lists(steps, min_size=1, max_size=6))
@settings(max_examples=200, deadline=None)
def test_every_step_comes_back_from_a_hot_body(made: list[Step]) -> None:
    bodies = Bodies()
    body = bodies.body_of(made)
    assert repr(list(Bodies().steps_of(body))) == repr(list(enumerate(made)))
    assert Bodies().vats_of(body) == [step.scan[1] for step in made]
    place = FLOAT_PLACES[23]
    for step in made:
        found = dict(Bodies().floats_of(body, step.scan[1], (place,)))
        assert set(found) == {other.scan[0] for other in made if other.scan[1] == step.scan[1]}


@given(made=st.lists(st.tuples(batches.int64, batches.int64, steps), min_size=1, max_size=12))
@settings(max_examples=200, deadline=None)
def test_every_step_comes_back_from_a_chunk(made: list[tuple[int, int, Step]]) -> None:
    named = [
        (number, version, replace(step, scan=(step.scan[0], "vat1", *step.scan[2:]))) for number, version, step in made
    ]
    parts = packed_whole(columns_of("vat1", named))
    chunk = Chunk("vat1", len(named), parts.frame)
    chunk.give_scans(parts.scans)
    chunk.give_samples(parts.samples)
    found = [
        (chunk.numbers[index], chunk.versions[index], Step(chunk.scan_row(index), chunk.samples_of(index)))
        for index in range(chunk.rows)
    ]
    assert repr(found) == repr(named)


@given(st.data())
@settings(max_examples=100, deadline=None)
def test_a_damaged_part_is_refused_by_name(data: st.DataObject) -> None:
    made = data.draw(st.lists(steps, min_size=1, max_size=3))
    whole = packed_whole(columns_of("v", [(n, 1, step) for n, step in enumerate(made)])).frame
    place, bit = data.draw(st.integers(0, len(whole) - 1)), data.draw(st.integers(0, 7))
    damaged = bytearray(whole)
    damaged[place] ^= 1 << bit
    with pytest.raises(StoreError, match="sealed part"):
        Chunk("v", len(made), bytes(damaged))
    body = bytearray(Bodies().body_of(made))
    body[place % len(body)] ^= 1 << bit
    with pytest.raises(StoreError, match="row of the newest scans"):
        list(Bodies().steps_of(bytes(body)))


def test_a_column_of_a_later_vatwatch_is_passed_over_and_a_missing_one_reads_as_no_value() -> None:
    step = batches.batch_of(10_000).steps[0]
    made = Step(rows.scan_row(step.scan), tuple(map(rows.sample_row, step.samples)))
    parts = packed_whole(columns_of("vat1", [(1, 1, made)]))
    known = unbundled(parts.scans)
    del known[FLOATS[23]]
    known[250] = b"something new"
    chunk = Chunk("vat1", 1, parts.frame)
    chunk.give_scans(bundle(known))
    expected = list(made.scan)
    expected[23] = None
    assert chunk.scan_row(0) == tuple(expected)


@st.composite
def whole_batches(draw: st.DrawFn) -> list[Batch]:
    slots = sorted(draw(st.sets(st.integers(0, 50), min_size=1, max_size=3)))
    made = []
    for slot in slots:
        vats = draw(st.lists(batches.text, min_size=1, max_size=3, unique=True))
        steps = [
            StepResult(
                _at(draw(batches.scans), slot, vat),
                tuple(draw(st.lists(batches.samples, max_size=3))),
                tuple(draw(st.lists(batches.alarm_events, max_size=2))),
                tuple(draw(st.lists(batches.pushes, max_size=2))),
            )
            for vat in vats
        ]
        snapshots = draw(st.dictionaries(st.sampled_from(vats), batches.text))
        port_events = tuple(draw(st.lists(batches.port_events, max_size=2)))
        made.append(Batch(slot, 1, tuple(steps), port_events=port_events, state_snapshots=snapshots))
    return made


def _at(scan: Scan, slot_ms: int, vat: str) -> Scan:
    return Scan(
        slot_ms,
        vat,
        scan.ph,
        scan.orp_mv,
        scan.temperature_c,
        scan.eh_mv,
        scan.eh_mv_sigma,
        scan.ph_25c,
        scan.reduction,
        scan.condition,
        scan.shortfalls,
        scan.settled_from_ms,
    )


@given(made=whole_batches())
@settings(max_examples=40, deadline=None)
def test_whole_batches_come_back_slot_by_slot(made: list[Batch]) -> None:
    with tempfile.TemporaryDirectory() as directory:
        path = Path(directory) / "store.db"
        with StoreWriter.open(path) as writer:
            assert writer.record_settings(0, "{}", []) == 1
            for batch in made:
                writer.append(batch)
        with StoreReader(path) as reader:
            vats = {step.scan.vat for batch in made for step in batch.steps}
            assert set(reader.vats()) == vats
            for vat in vats:
                expected = [
                    ReplaySlot(batch.slot_ms, 1, step.samples, (), (), step.scan, step.alarm_events, step.pushes)
                    for batch in made
                    for step in batch.steps
                    if step.scan.vat == vat
                ]
                assert repr(list(reader.replay_slots(vat, 0, 1000))) == repr(expected)
                assert repr(list(reader.scans(vat, 0, 1000))) == repr([slot.scan for slot in expected])
                assert repr(reader.last_scan(vat)) == repr(expected[-1].scan)
                kept = [(b.slot_ms, b.state_snapshots[vat]) for b in made if vat in b.state_snapshots]
                assert reader.latest_snapshot(vat) == (kept[-1] if kept else None)
            streamed = [row.record for row in reader.rows_after(Stream.SCANS, 0, 1000)]
            assert repr(streamed) == repr([step.scan for batch in made for step in batch.steps])
            pushed = [row.record for row in reader.rows_after(Stream.PUSHES, 0, 1000)]
            assert repr(pushed) == repr([push for batch in made for step in batch.steps for push in step.pushes])


@given(
    cards=st.lists(batches.cards, max_size=3),
    settings_json=batches.text,
    deliveries=st.lists(batches.deliveries, max_size=3, unique_by=lambda made: (made.outlet, made.stream)),
)
@settings(max_examples=30, deadline=None)
def test_settings_cards_and_deliveries_come_back(
    cards: list[VatCard], settings_json: str, deliveries: list[Delivery]
) -> None:
    with tempfile.TemporaryDirectory() as directory:
        path = Path(directory) / "store.db"
        with StoreWriter.open(path) as writer:
            version = writer.record_settings(5, settings_json, cards)
            for delivery in deliveries:
                writer.record_delivery(delivery)
        with StoreReader(path) as reader:
            assert repr(reader.cards()) == repr(cards)
            assert reader.newest_settings() == (version, settings_json)
            assert reader.settings(version) == settings_json
            for delivery in deliveries:
                assert reader.delivery(delivery.outlet, delivery.stream) == delivery
            assert sorted(map(repr, reader.deliveries())) == sorted(map(repr, deliveries))


def test_a_refused_row_is_kept_once_with_its_reason(tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    place = Delivery("influxdb", Stream.SCANS, 7, delivered=6, dropped=1)
    refused = [Rejected("influxdb", Stream.SCANS, number, 1000 + number, "field type conflict") for number in (7, 9)]
    with StoreWriter.open(path) as writer:
        for each in (refused[0], refused[0], refused[1]):
            writer.record_delivery(place, each)
    with StoreReader(path) as reader:
        assert reader.rejected() == refused[::-1]
        assert reader.rejected("mqtt") == []
        assert delivery_lines(reader.deliveries(), reader.rejected()) == [
            "influxdb, scans: 1 row was refused and left out there; the last one: row 9, field type conflict"
        ]
