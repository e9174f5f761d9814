"""Fills a store from a season's truth: through the writer as the daemon does, or chunk by chunk for whole seasons."""

from __future__ import annotations

import json
import math
import sqlite3
from array import array
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import closing
from functools import partial
from pathlib import Path
from typing import NamedTuple

import numpy as np

from tests.season.season_truth import DAY_MS, START_MS, WORDS, Floats, Ints, Plan, Truth, VatTruth, draw_season
from vatwatch.records import Batch, Measured, Reduction, Sample, Scan, StepResult
from vatwatch.store.chunk_making import Columns, Parts, packed_whole
from vatwatch.store.conditions import ConditionTally
from vatwatch.store.rollups import PLACES, Tally
from vatwatch.store.sealing import write_chunk
from vatwatch.store.writing import StoreWriter
from vatwatch.terms import Flag, Signal, VatCondition

_NONE = Measured(None, None, Flag.MISSING, "silent")
_BATCH = 120


def fill_by_writing(truth: Truth, path: Path, from_day: int = 0) -> None:
    """Everything from a day on through the writer; from the first day on with journal, alarms and settings."""
    plan = truth.plan
    with StoreWriter.open(path) as writer:
        # A season's earlier days, stored before, came with their settings.
        versions = [
            (since, place + 1 if from_day else writer.record_settings(since, json.dumps(place), cards))
            for place, (since, cards) in enumerate(truth.cards)
        ]
        # The slot that ends at midnight is of the day it ends in.
        first = max(0, from_day * DAY_MS // plan.step_ms - 1)
        for begin in range(first, plan.slots, _BATCH):
            steps = [
                StepResult(scan, samples_of(scan))
                for place in range(begin, min(begin + _BATCH, plan.slots))
                for vat in truth.vats
                if (scan := scan_of(vat, place)) is not None
            ]
            if steps:
                version = max(number for since, number in versions if since < steps[0].scan.slot_ms)
                writer.append(Batch(steps[-1].scan.slot_ms, version, tuple(steps)))
        events = sorted((event for vat in truth.vats for event in vat.events), key=lambda event: event.slot_ms)
        writer.append(Batch(plan.end_ms, versions[-1][1], journal=tuple(truth.journal), shed_events=tuple(events)))
        for calibration in truth.calibrations:
            writer.record_calibration(calibration)
        writer.seal_all()


def scan_of(vat: VatTruth, place: int) -> Scan | None:
    """The scan of one slot; None where nothing was recorded."""
    code = int(vat.code[place])
    if code < 0:
        return None
    slot_ms = int(vat.slots_ms[place])
    condition, shortfalls = WORDS[code]
    margin = float(vat.margin_mv[place])
    reduction = None
    if margin == margin:
        share = float(vat.share[place])
        reduction = Reduction(share, max(0.0, share - 0.05), min(1.0, share + 0.03), margin, 9.0, share >= 0.99, share)
    ph, orp, ph_25c = float(vat.ph[place]), float(vat.orp_mv[place]), float(vat.ph_25c[place])
    return Scan(
        slot_ms,
        vat.vat,
        _NONE if math.isnan(ph) else Measured(ph, 0.02, Flag.PASS, "", slot_ms - 900),
        _NONE if math.isnan(orp) else Measured(orp, 3.0, Flag.PASS, "", slot_ms - 900),
        Measured(float(vat.temperature_c[place]), 0.1, Flag.PASS, "", slot_ms - 900),
        None if math.isnan(orp) else orp + 210.0,
        None if math.isnan(orp) else 5.0,
        None if math.isnan(ph_25c) else ph_25c,
        reduction,
        VatCondition(condition),
        shortfalls,
    )


def samples_of(scan: Scan) -> tuple[Sample, ...]:
    """One sample a probe, rounded as its meter shows it."""
    return tuple(
        Sample(scan.slot_ms - 900, scan.vat, f"{scan.vat}-{name}", signal, round(of.value, digits), Flag.PASS)
        for name, signal, of, digits in (
            ("ph", Signal.PH, scan.ph, 2),
            ("orp", Signal.ORP_MV, scan.orp_mv, 1),
            ("temperature", Signal.TEMPERATURE_C, scan.temperature_c, 2),
        )
        if of.value is not None
    )


# --- whole seasons ----------------------------------------------------------------------------------------------------


class _Packed(NamedTuple):
    columns: Columns
    parts: Parts
    tally: Tally
    conditions: ConditionTally


def fill_by_chunks(truth: Truth, path: Path, workers: int = 2) -> None:
    """All but the last day packed with the writer's own means, the last day through the writer."""
    plan = truth.plan
    with StoreWriter.open(path) as writer:
        for place, (since, cards) in enumerate(truth.cards):
            writer.record_settings(since, json.dumps(place), cards)
    tasks = [(number, day) for day in range(plan.days - 1) for number in range(plan.vats)]
    with closing(sqlite3.connect(path, isolation_level=None)) as connection, ProcessPoolExecutor(workers) as pool:
        connection.execute("PRAGMA synchronous = OFF")
        connection.execute("BEGIN")
        through = 0
        for (_, day), one in zip(tasks, _packed(pool, plan, tasks), strict=True):
            through = (day + 1) * plan.vats * (DAY_MS // plan.step_ms)
            if not one.columns.slots:
                continue
            write_chunk(connection, one.columns, one.parts.frame, one.parts.scans, one.parts.samples, through)
            one.tally.write(connection, through)
            one.conditions.write(connection, through)
            connection.execute(
                "INSERT INTO known_vats VALUES (?1, ?2, ?3) ON CONFLICT (vat) DO UPDATE SET sealed_slot_ms = ?3",
                (one.columns.vat, one.columns.slots[0], one.columns.slots[-1]),
            )
        connection.execute("UPDATE marks SET sealed_through = ?1, rolled_through = ?1", (through,))
        connection.execute("COMMIT")
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    fill_by_writing(truth, path, plan.days - 1)


def _packed(pool: ProcessPoolExecutor, plan: Plan, tasks: list[tuple[int, int]]) -> Iterator[_Packed]:
    yield from pool.map(partial(_packed_day, plan), tasks, chunksize=plan.vats)


_DRAWN: dict[Plan, Truth] = {}


def _packed_day(plan: Plan, task: tuple[int, int]) -> _Packed:
    truth = _DRAWN.get(plan) or _DRAWN.setdefault(plan, draw_season(plan))
    number, day = task
    columns = _columns(truth.vats[number], plan, day, number)
    tally, conditions = Tally(), ConditionTally()
    for quantity, place in PLACES.items():
        tally.take_column(columns.vat, quantity, columns.slots, columns.floats[place])
    for slot_ms, condition, short in zip(columns.slots, columns.others[27], columns.others[28], strict=True):
        conditions.take(columns.vat, slot_ms, str(condition), str(short))
    return _Packed(columns, packed_whole(columns), tally, conditions)


def _columns(vat: VatTruth, plan: Plan, day: int, number: int) -> Columns:
    """A vat's UTC day in the store's own columns: what `Columns.add` makes of the same scans, all at once."""
    steps = DAY_MS // plan.step_ms
    # A slot ending at midnight is of the day it ends in.
    low, high = np.searchsorted(vat.slots_ms, [START_MS + day * DAY_MS, START_MS + (day + 1) * DAY_MS], side="left")
    places = np.arange(low, high)
    places = places[vat.code[places] >= 0]
    slots = vat.slots_ms[places]
    count = len(places)
    columns = Columns(vat.vat)
    columns.numbers = _ints(places * plan.vats + number + 1 + day * 0)
    columns.versions = array("q", [1 if day < plan.days // 2 else 2]) * count
    columns.slots = _ints(slots)
    columns.last_samples = array("q", [900]) * count
    nothing = np.full(count, np.nan)
    ph, orp, margin, share = (column[places] for column in (vat.ph, vat.orp_mv, vat.margin_mv, vat.share))
    known = ~np.isnan(margin)
    given = {
        2: ph, 3: np.where(np.isnan(ph), nothing, 0.02), 7: orp, 8: np.where(np.isnan(orp), nothing, 3.0),
        12: vat.temperature_c[places], 13: np.full(count, 0.1), 17: orp + 210.0,
        18: np.where(np.isnan(orp), nothing, 5.0), 19: vat.ph_25c[places], 20: share,
        21: np.maximum(0.0, share - 0.05), 22: np.minimum(1.0, share + 0.03), 23: margin,
        24: np.where(known, 9.0, nothing), 26: share,
    }  # fmt: skip
    columns.floats = {place: _floats(column) for place, column in given.items()}
    for place, column in ((4, ph), (9, orp), (14, vat.temperature_c[places])):
        missing = np.isnan(column).tolist()
        columns.others[place] = [9 if gone else 1 for gone in missing]
        columns.others[place + 1] = ["silent" if gone else "" for gone in missing]
        columns.others[place + 2] = [None if gone else 0 for gone in missing]
    columns.others[25] = [int(value >= 0.99) if there else None for value, there in zip(share, known, strict=True)]
    codes = vat.code[places].tolist()
    columns.others[27] = [WORDS[code][0] for code in codes]
    columns.others[28] = [json.dumps(WORDS[code][1], ensure_ascii=False, separators=(",", ":")) for code in codes]
    columns.others[29] = [None] * count
    _add_samples(columns, vat.vat, ph, orp, vat.temperature_c[places])
    assert count <= steps
    return columns


def _add_samples(columns: Columns, vat: str, ph: Floats, orp: Floats, warm: Floats) -> None:
    sources = [
        f'["{vat}","{vat}-ph","ph"]', f'["{vat}","{vat}-orp","orp_mv"]',
        f'["{vat}","{vat}-temperature","temperature_c"]',
    ]  # fmt: skip
    there = [~np.isnan(column) for column in (ph, orp, warm)]
    columns.counts = _ints(np.sum(there, axis=0, dtype=np.int64))
    columns.sources = [
        source for row in zip(*there, strict=True) for source, is_there in zip(sources, row, strict=True) if is_there
    ]
    columns.quality = ['[1,""]'] * len(columns.sources)
    for source, column, is_there, digits in zip(sources, (ph, orp, warm), there, (2, 1, 2), strict=True):
        columns.offsets[source] = array("q", [0]) * int(is_there.sum())
        columns.values[source] = _floats(np.round(column[is_there], digits))


def _floats(values: Floats) -> array[float]:
    return array("d", values.astype("<f8").tobytes())


def _ints(values: Ints) -> array[int]:
    return array("q", np.asarray(values).astype("<i8").tobytes())
