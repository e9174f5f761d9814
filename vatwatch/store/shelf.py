"""Where scans and samples lie, chunks and hot batches read as one: by vat and slot, or by number. Never writes.

Call it inside one read transaction: what counts is told by `marks`, and its statements must see one state of the file.
Opened chunks are kept at hand, as they never change; how many is bounded by their rows.
"""

# ruff: noqa: S608 - only names written in this room stand in a statement's text

from __future__ import annotations

import heapq
import sqlite3
from array import array
from bisect import bisect_left
from collections import OrderedDict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import chain, islice

from vatwatch.errors import StoreError
from vatwatch.store.chunks import Chunk
from vatwatch.store.hot import FLOAT_PLACES, Bodies, Step

MOST_ROWS_AT_HAND = 130_000
"""Rows of opened chunks kept: a sealing of six vats, and a little."""
MOST_SAMPLES_AT_HAND = 1_600_000
"""And samples, of which a meter that speaks each second gives many to a row: a day of six vats with three such probes."""

DAY_MS = 86_400_000
_END_MS = 2**62
_LIVE = "first_number > (SELECT sealed_through FROM marks)"
_COUNTED = "through_number <= (SELECT sealed_through FROM marks)"
_HEADS = (
    "SELECT chunk_id, vat, scans, first_slot_ms FROM sealed_chunks INDEXED BY sealed_chunks_by_slot"
    f" WHERE vat = ? AND last_slot_ms >= ? AND first_slot_ms < ? AND {_COUNTED} ORDER BY first_slot_ms"
)
HOT_FROM = (
    "SELECT first_number, settings_version, first_slot_ms, body FROM hot_batches"
    " WHERE first_number >= ? AND late = 0 ORDER BY first_number"
)
_HOT_LATE = (
    "SELECT first_number, settings_version, first_slot_ms, body FROM hot_batches INDEXED BY late_batches"
    f" WHERE late = 1 AND last_slot_ms >= ? AND first_slot_ms < ? AND {_LIVE} ORDER BY first_slot_ms"
)
_HOT_BEFORE = (
    f"SELECT body FROM hot_batches WHERE late = 0 AND {_LIVE} AND first_number <= ? ORDER BY first_number DESC"
)
_HOT_AFTER = (
    "SELECT first_number, settings_version, first_slot_ms, body FROM hot_batches WHERE first_number > ?"
    f" AND {_LIVE} ORDER BY first_number"
)
_NEWEST_HOT = (
    f"SELECT first_number, settings_version, body FROM hot_batches WHERE late = 0 AND {_LIVE}"
    " ORDER BY first_number DESC"
)
_NEWEST_LATE = (
    "SELECT first_number, settings_version, body FROM hot_batches INDEXED BY late_batches"
    f" WHERE late = 1 AND {_LIVE} ORDER BY first_slot_ms DESC"
)


@dataclass(frozen=True, slots=True)
class Stored:
    """One scan as it was found: its number, the version of the settings that judged it, its rows."""

    number: int
    settings_version: int
    step: Step


@dataclass(frozen=True, slots=True)
class _InChunk:
    chunk: Chunk
    index: int


class Shelf:
    """Finds scans on one connection."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self._bodies = Bodies()
        self._at_hand: OrderedDict[int, Chunk] = OrderedDict()

    # --- by slot ---------------------------------------------------------------------------------------------------

    def steps(
        self, vat: str, from_ms: int, to_ms: int, limit: int, *, samples: bool = False, judged: bool = True
    ) -> list[Stored]:
        """The first `limit` scans of a vat whose slot is in [from_ms, to_ms), in slot order.

        Without `judged` a sealed scan's row is its slot and vat alone.
        """
        hot = self._hot_steps(vat, from_ms, to_ms, limit)
        heads = self._connection.execute(_HEADS, (vat, from_ms, to_ms)).fetchall()
        found: list[Stored] = []
        merged: list[tuple[int, int, _InChunk | Stored, Iterator[_InChunk | Stored]]] = []
        order = 0

        def begin(stream: Iterator[_InChunk | Stored]) -> None:
            nonlocal order
            first = next(stream, None)
            if first is not None:
                order += 1
                heapq.heappush(merged, (_slot_of(first), order, first, stream))

        begin(iter(hot))
        waiting = 0
        while len(found) < limit:
            # A chunk is opened only when its turn has come.
            while waiting < len(heads) and (not merged or heads[waiting][3] <= merged[0][0]):
                chunk = self._chunk(*heads[waiting][:3], scans=judged, samples=samples)
                begin(_chunk_stream(chunk, from_ms, to_ms))
                waiting += 1
            if not merged:
                break
            _, _, item, stream = heapq.heappop(merged)
            found.append(_stored(item, samples, judged))
            begin(stream)
        return found

    def floats(
        self, vat: str, place: int, from_ms: int, to_ms: int, after_number: int = -1
    ) -> Iterator[tuple[array[int] | list[int], array[float] | list[float]]]:
        """Slots and values of one float of a vat's scans in [from_ms, to_ms), in no particular order.

        With `after_number` only those of hot batches numbered above it.
        """
        if after_number < 0:
            for chunk_id, _, scans, _ in self._connection.execute(_HEADS, (vat, from_ms, to_ms)).fetchall():
                chunk = self._chunk(chunk_id, vat, scans, scans=True)
                low, high = bisect_left(chunk.slots, from_ms), bisect_left(chunk.slots, to_ms)
                yield chunk.slots[low:high], chunk.floats(place)[low:high]
        slots: list[int] = []
        values: list[float] = []
        places = (FLOAT_PLACES[place],)
        late = ((row[0], row[3]) for row in self._connection.execute(_HOT_LATE, (from_ms, to_ms)))
        in_order = ((row[0], row[2]) for row in self._hot_in_order(from_ms, to_ms, after_number))
        for first, body in chain(late, in_order):
            if first > after_number:
                for slot_ms, (value,) in self._bodies.floats_of(body, vat, places):
                    if from_ms <= slot_ms < to_ms:
                        slots.append(slot_ms)
                        values.append(value)
        yield slots, values

    def conditions(
        self, vat: str, from_ms: int, to_ms: int, after_number: int = -1, through_number: int | None = None
    ) -> Iterator[tuple[Sequence[int], Sequence[str], Sequence[str]]]:
        """Slots, conditions and shortfalls (JSON) of a vat's scans in [from_ms, to_ms): by chunk, then of hot batches.

        With `after_number` only those of hot batches numbered above it, with `through_number` those numbered up to it.
        """
        through = _END_MS if through_number is None else through_number
        if after_number < 0:
            for chunk_id, _, scans, _ in self._connection.execute(_HEADS, (vat, from_ms, to_ms)).fetchall():
                chunk = self._chunk(chunk_id, vat, scans, scans=True)
                low, high = bisect_left(chunk.slots, from_ms), bisect_left(chunk.slots, to_ms)
                high = min(high, bisect_left(chunk.numbers, through + 1))
                yield chunk.slots[low:high], chunk.words(27)[low:high], chunk.words(28)[low:high]
        found: list[tuple[int, str, str]] = []
        late = ((row[0], row[3]) for row in self._connection.execute(_HOT_LATE, (from_ms, to_ms)))
        in_order = ((row[0], row[2]) for row in self._hot_in_order(from_ms, to_ms, after_number))
        for first, body in chain(late, in_order):
            if after_number < first <= through:
                for of, slot_ms, condition, shortfalls in self._bodies.conditions_of(body):
                    if of == vat and from_ms <= slot_ms < to_ms:
                        found.append((slot_ms, condition, shortfalls))
        found.sort()
        yield [slot for slot, _, _ in found], [word for _, word, _ in found], [short for _, _, short in found]

    def newest_slot_of(self, vat: str) -> int | None:
        """The newest slot of a vat."""
        found = [self._newest_hot(_NEWEST_HOT, vat), self._newest_hot(_NEWEST_LATE, vat)]
        sealed = self._connection.execute("SELECT sealed_slot_ms FROM known_vats WHERE vat = ?", (vat,)).fetchone()
        slots = [_slot_of(one) for one in found if one is not None]
        return max(slots + [int(row) for row in sealed or () if row is not None], default=None)

    def last(self, vat: str) -> Stored | None:
        """The scan of the newest slot of a vat."""
        found = [self._newest_hot(_NEWEST_HOT, vat), self._newest_hot(_NEWEST_LATE, vat)]
        sealed = self._connection.execute("SELECT sealed_slot_ms FROM known_vats WHERE vat = ?", (vat,)).fetchone()
        hot_ms = max((_slot_of(one) for one in found if one is not None), default=None)
        if sealed is not None and sealed[0] is not None and (hot_ms is None or sealed[0] > hot_ms):
            found = list(self.steps(vat, sealed[0], sealed[0] + 1, 1))
        known = [one for one in found if one is not None]
        return max(known, key=_slot_of) if known else None

    def newest_slot(self) -> int | None:
        """The newest slot of any vat."""
        ends = self._connection.execute(
            "SELECT (SELECT max(sealed_slot_ms) FROM known_vats),"
            f" (SELECT last_slot_ms FROM hot_batches WHERE late = 0 AND {_LIVE} ORDER BY first_number DESC LIMIT 1),"
            f" (SELECT max(last_slot_ms) FROM hot_batches INDEXED BY late_batches WHERE late = 1 AND {_LIVE})"
        ).fetchone()
        return max((int(end) for end in ends if end is not None), default=None)

    def slot_before(self, vat: str, slot_ms: int) -> int | None:
        """The newest slot of a vat before `slot_ms`."""
        best: int | None = None
        heads = self._connection.execute(
            "SELECT chunk_id, vat, scans, first_slot_ms, last_slot_ms FROM sealed_chunks"
            f" WHERE vat = ? AND first_slot_ms < ? AND {_COUNTED} ORDER BY first_slot_ms DESC",
            (vat, slot_ms),
        )
        for chunk_id, _, rows, first_ms, last_ms in heads:
            if best is not None and first_ms + DAY_MS <= best:
                break  # a chunk holds one day at most
            if last_ms >= slot_ms:
                slots = self._chunk(chunk_id, vat, rows).slots
                last_ms = slots[bisect_left(slots, slot_ms) - 1]
            best = last_ms if best is None else max(best, last_ms)
        heads.close()
        late = self._connection.execute(_HOT_LATE, (-_END_MS, slot_ms)).fetchall()
        start = self._first_hot(slot_ms)
        earlier = self._connection.execute(_HOT_BEFORE, (_END_MS if start is None else start,))
        for bodies, enough in (((row[3] for row in late), False), ((row[0] for row in earlier), True)):
            for body in bodies:
                slots_here = [int(step.scan[0]) for _, step in self._bodies.steps_of(body, vat)]
                found = max((slot for slot in slots_here if slot < slot_ms), default=None)
                if found is not None:
                    best = found if best is None else max(best, found)
                    if enough:
                        break
        earlier.close()
        return best

    # --- by number -------------------------------------------------------------------------------------------------

    def numbered(self, position: int, limit: int) -> list[Stored]:
        """The first `limit` scans numbered above `position`, in order."""
        found: list[Stored] = []
        while len(found) < limit:
            through = self._connection.execute(
                f"SELECT min(through_number) FROM sealed_chunks WHERE through_number > ? AND {_COUNTED}",
                (position,),
            ).fetchone()[0]
            if through is None:
                break
            heads = self._connection.execute(
                "SELECT chunk_id, vat, scans FROM sealed_chunks WHERE through_number = ?", (through,)
            ).fetchall()
            streams = [_after(self._chunk(*head, scans=True), position) for head in heads]
            for item in islice(heapq.merge(*streams, key=_number_of), limit - len(found)):
                found.append(_stored(item, samples=False, judged=True))
            if len(found) < limit:
                position = through
        if len(found) < limit:
            # A batch is asked for by its first number, and `position` may lie within it.
            start = self._connection.execute(
                "SELECT max(first_number) FROM hot_batches WHERE first_number <= ?", (position + 1,)
            ).fetchone()[0]
            for first, version, _, body in self._connection.execute(_HOT_AFTER, ((start or 1) - 1,)):
                for place, step in self._bodies.steps_of(body):
                    if first + place > position and len(found) < limit:
                        found.append(Stored(first + place, version, Step(step.scan, ())))
                if len(found) >= limit:
                    break
        return found

    def newest_number(self) -> int:
        """The highest number given to a scan; 0 while there is none."""
        found = self._connection.execute(
            "SELECT max((SELECT max(sealed_through, given_through) FROM marks),"
            " coalesce((SELECT first_number + scans - 1 FROM hot_batches ORDER BY first_number DESC LIMIT 1), 0))"
        ).fetchone()
        return int(found[0])

    # --- hot -------------------------------------------------------------------------------------------------------

    def _hot_steps(self, vat: str, from_ms: int, to_ms: int, limit: int) -> list[Stored]:
        found: list[Stored] = []

        def take(first: int, version: int, body: bytes) -> None:
            for place, step in self._bodies.steps_of(body, vat):
                if from_ms <= step.scan[0] < to_ms:
                    found.append(Stored(first + place, version, step))

        for first, version, _, body in self._connection.execute(_HOT_LATE, (from_ms, to_ms)):
            take(first, version, body)
        late = len(found)
        for first, version, body in self._hot_in_order(from_ms, to_ms):
            take(first, version, body)
            if len(found) - late >= limit:
                break
        found.sort(key=_slot_of)
        return found[:limit]

    def _hot_in_order(self, from_ms: int, to_ms: int, after_number: int = -1) -> Iterator[tuple[int, int, bytes]]:
        """Batches, late ones apart, that may hold slots in [from_ms, to_ms), of those numbered above `after_number`."""
        start = self._first_hot(from_ms)
        if start is None:
            return
        # A day's batches that are rolled up already need not be read to be passed over.
        start = max(start, after_number + 1)
        for first, version, slot_ms, body in self._connection.execute(HOT_FROM, (start,)):
            if slot_ms >= to_ms:
                return
            yield first, version, body

    def _first_hot(self, from_ms: int) -> int | None:
        """Number of the first batch, late ones apart, that ends at `from_ms` or later: they are in order, so halve."""
        low, high = self._connection.execute(
            "SELECT (SELECT sealed_through + 1 FROM marks), (SELECT max(first_number) FROM hot_batches)"
        ).fetchone()
        if high is None:
            return None
        probe = (
            "SELECT first_number, last_slot_ms FROM hot_batches WHERE first_number >= ? AND late = 0"
            " ORDER BY first_number LIMIT 1"
        )
        found: int | None = None
        while low <= high:
            middle = (low + high) // 2
            row = self._connection.execute(probe, (middle,)).fetchone()
            if row is None:
                high = middle - 1
            elif row[1] >= from_ms:
                found, high = row[0], middle - 1
            else:
                low = row[0] + 1
        return found

    def _newest_hot(self, statement: str, vat: str) -> Stored | None:
        rows = self._connection.execute(statement)
        try:
            for first, version, body in rows:
                if vat in self._bodies.vats_of(body):
                    steps = [Stored(first + place, version, step) for place, step in self._bodies.steps_of(body, vat)]
                    return max(steps, key=_slot_of)
        finally:
            rows.close()
        return None

    # --- chunks ----------------------------------------------------------------------------------------------------

    def _chunk(self, chunk_id: int, vat: str, rows: int, *, scans: bool = False, samples: bool = False) -> Chunk:
        chunk = self._at_hand.get(chunk_id)
        if chunk is None:
            frame = self._one("SELECT frame FROM sealed_chunks WHERE chunk_id = ?", chunk_id)
            chunk = self._at_hand[chunk_id] = Chunk(vat, rows, frame)
        self._at_hand.move_to_end(chunk_id)
        if scans and not chunk.has_scans:
            chunk.give_scans(self._one("SELECT body FROM sealed_parts WHERE part_id = ?", 2 * chunk_id))
        if samples and not chunk.has_samples:
            chunk.give_samples(self._one("SELECT body FROM sealed_parts WHERE part_id = ?", 2 * chunk_id + 1))
        kept = sum(one.rows for one in self._at_hand.values())
        held = sum(one.samples_held for one in self._at_hand.values())
        while (kept > MOST_ROWS_AT_HAND or held > MOST_SAMPLES_AT_HAND) and len(self._at_hand) > 1:
            gone = self._at_hand.popitem(last=False)[1]
            kept, held = kept - gone.rows, held - gone.samples_held
        return chunk

    def _one(self, statement: str, key: int) -> bytes:
        found = self._connection.execute(statement, (key,)).fetchone()
        if found is None:
            raise StoreError("a sealed part of the store is missing; restore a backup, or start vatwatch to salvage it")
        return bytes(found[0])


def _chunk_stream(chunk: Chunk, from_ms: int, to_ms: int) -> Iterator[_InChunk]:
    for index in range(bisect_left(chunk.slots, from_ms), chunk.rows):
        if chunk.slots[index] >= to_ms:
            return
        yield _InChunk(chunk, index)


def _after(chunk: Chunk, position: int) -> Iterator[_InChunk]:
    # Numbers within a chunk rise with its slots: it holds scans in the order in which they were taken.
    for index in range(bisect_left(chunk.numbers, position + 1), chunk.rows):
        yield _InChunk(chunk, index)


def _slot_of(item: _InChunk | Stored) -> int:
    if isinstance(item, Stored):
        return int(item.step.scan[0])
    return item.chunk.slots[item.index]


def _number_of(item: _InChunk) -> int:
    return item.chunk.numbers[item.index]


def _stored(item: _InChunk | Stored, samples: bool, judged: bool) -> Stored:
    if isinstance(item, Stored):
        return item
    chunk, index = item.chunk, item.index
    scan = chunk.scan_row(index) if judged else (chunk.slots[index], chunk.vat)
    step = Step(scan, chunk.samples_of(index) if samples else ())
    return Stored(chunk.numbers[index], chunk.versions[index], step)
