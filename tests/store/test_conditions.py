"""Scans counted by hour and condition: the same as a walk through the scans, over hot rows, counts and chunks."""

from __future__ import annotations

import random
import sqlite3
from collections import Counter
from contextlib import closing
from dataclasses import replace
from datetime import UTC
from pathlib import Path

import pytest

from tests.store.batches import batch_of, card_of
from vatwatch.records import Batch
from vatwatch.season.vat_hours import vat_hours
from vatwatch.store.conditions import HOUR_MS, ConditionCount
from vatwatch.store.reading import StoreReader
from vatwatch.store.writing import StoreWriter
from vatwatch.terms import VatCondition

VATS = ("left", "right")
STEP_MS = 60_000
BEGIN_MS = 1_780_300_800_000
SLOTS = 3 * 1440 + 400
SHORTFALLS = {
    VatCondition.DYEABLE: ((), ("unsure",)),
    VatCondition.OFF: (("off-reduction",), ("off-ph-low", "off-cold")),
    VatCondition.UNKNOWN: (("no-ph",),),
}


def told(slot_ms: int) -> Batch:
    """A batch in which each vat's condition follows from the slot."""
    chance = random.Random(slot_ms // (7 * STEP_MS))
    batch = batch_of(slot_ms, VATS)
    steps = []
    for step in batch.steps:
        condition = chance.choice(list(SHORTFALLS))
        scan = replace(step.scan, condition=condition, shortfalls=chance.choice(SHORTFALLS[condition]))
        steps.append(replace(step, scan=scan, pushes=(), alarm_events=()))
    return replace(batch, steps=tuple(steps), journal=(), actions=(), port_events=())


def walked(
    reader: StoreReader, vat: str, from_ms: int, to_ms: int
) -> Counter[tuple[int, VatCondition, tuple[str, ...]]]:
    """The same by reading every scan."""
    return Counter(
        ((scan.slot_ms - 1) // HOUR_MS * HOUR_MS, scan.condition, scan.shortfalls)
        for scan in reader.scans(vat, from_ms + 1, to_ms + 1)
    )


def counted(counts: list[ConditionCount]) -> Counter[tuple[int, VatCondition, tuple[str, ...]]]:
    found = Counter({(one.hour_ms, one.condition, one.shortfalls): one.scans for one in counts})
    assert len(found) == len(counts)
    return found


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("conditions") / "store.db"
    with StoreWriter.open(path) as writer:
        writer.record_settings(0, "{}", [])
        for begin in range(1, SLOTS + 1, 60):
            told_here = [told(BEGIN_MS + slot * STEP_MS) for slot in range(begin, min(begin + 60, SLOTS + 1))]
            steps = tuple(step for batch in told_here if batch.slot_ms % 11 for step in batch.steps)
            writer.append(Batch(told_here[-1].slot_ms, 1, steps))
        writer.seal_all()
    return path


SPANS = [
    (BEGIN_MS, BEGIN_MS + SLOTS * STEP_MS),
    (BEGIN_MS + 17 * STEP_MS, BEGIN_MS + SLOTS * STEP_MS - 5 * STEP_MS),
    (BEGIN_MS + 17 * STEP_MS, BEGIN_MS + 41 * STEP_MS),
    (BEGIN_MS + HOUR_MS, BEGIN_MS + HOUR_MS),
    (BEGIN_MS + 10 * HOUR_MS + 1, BEGIN_MS + 30 * HOUR_MS + 1),
]


@pytest.mark.parametrize("span", SPANS)
def test_counts_are_those_of_a_walk(store: Path, span: tuple[int, int]) -> None:
    with StoreReader(store) as reader:
        assert reader._rows("SELECT count(*) FROM condition_hours")[0][0] > 300
        for vat in VATS:
            counts = reader.condition_counts(vat, *span)
            assert counted(counts) == walked(reader, vat, *span)
            assert {one.step_ms for one in counts} <= {STEP_MS}


@pytest.mark.parametrize("sealed", [False, True])
def test_a_hole_is_nobodys_step(tmp_path: Path, sealed: bool) -> None:
    """Alone in its hour, behind a week without power: a scan speaks for a step, and not for the week."""
    path, week_ms = tmp_path / "store.db", 7 * 24 * HOUR_MS
    slots = [BEGIN_MS + n * STEP_MS for n in range(1, 101)]
    slots += [BEGIN_MS + week_ms + HOUR_MS + n * STEP_MS for n in range(101)]  # the first ends its hour
    with StoreWriter.open(path) as writer:
        writer.record_settings(0, "{}", [])
        for slot_ms in slots:
            writer.append(told(slot_ms))
        if sealed:
            writer.seal_all()
    with StoreReader(path) as reader:
        for from_ms in (BEGIN_MS, BEGIN_MS + 17 * STEP_MS):
            for to_ms in (slots[-1], slots[-1] + 1, slots[100], slots[100] + 1):
                counts = reader.condition_counts("left", from_ms, to_ms)
                assert {one.step_ms for one in counts} <= {0, STEP_MS}
                assert sum(one.scans for one in counts) == sum(from_ms < slot <= to_ms for slot in slots)
                hours = vat_hours(counts, from_ms, to_ms, UTC)
                assert sum(ms for word, ms in hours.times.rows() if word != "not recorded") == STEP_MS * hours.scans


def test_readings_by_hand_speak_until_the_usual_next_one(tmp_path: Path) -> None:
    path, day_ms = tmp_path / "store.db", 24 * HOUR_MS
    slots = [BEGIN_MS + n * day_ms + (n % 3) * 20 * STEP_MS for n in range(1, 31)]
    with StoreWriter.open(path) as writer:
        writer.record_settings(0, "{}", [])
        for slot_ms in slots:
            writer.append(told(slot_ms))
    with StoreReader(path) as reader:
        counts = reader.condition_counts("left", BEGIN_MS, slots[-1])
    hours = vat_hours(counts, BEGIN_MS, slots[-1], UTC)
    assert hours.scans == 30
    assert sum(ms for word, ms in hours.times.rows() if word != "not recorded") == 30 * day_ms


def test_what_was_rolled_up_before_there_were_counts_is_read_from_the_chunks(store: Path, tmp_path: Path) -> None:
    older = tmp_path / "older.db"
    older.write_bytes(store.read_bytes())
    with closing(sqlite3.connect(older, isolation_level=None)) as connection:
        # As the migration leaves a store in which hours, some of them not yet sealed, had been rolled up.
        connection.execute("DELETE FROM condition_hours")
        connection.execute("UPDATE marks SET uncounted_through = rolled_through")
        sealed, rolled = connection.execute("SELECT sealed_through, rolled_through FROM marks").fetchone()
        assert 0 < sealed < rolled
    with StoreReader(older) as reader, StoreReader(store) as whole:
        for span in SPANS:
            for vat in VATS:
                assert reader.condition_counts(vat, *span) == whole.condition_counts(vat, *span)


def test_cards_come_with_the_slot_from_which_they_held(tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    first, second = card_of("left"), replace(card_of("left"), ph_low=9.0)
    with StoreWriter.open(path) as writer:
        writer.record_settings(1000, "{}", [first])
        writer.record_settings(2000, '{"a": 1}', [second, card_of("right")])
    with StoreReader(path) as reader:
        assert reader.card_history() == [(1000, first), (2000, second), (2000, card_of("right"))]
