"""A sealed chunk, read back to rows exactly, column by column as they are asked for. Opens no file."""

from __future__ import annotations

import json
from array import array
from collections.abc import Callable, Sequence
from math import nan
from typing import TypeVar

from vatwatch.errors import StoreError
from vatwatch.store.chunk_form import (
    BY_SOURCE,
    COUNTS,
    FLAGS,
    FLOATS,
    LAST_SAMPLE,
    NUMBER,
    QUALITY,
    SETTLED,
    SLOT,
    SOURCES,
    TIMES,
    VERSION,
    WORDS,
    hint,
    unbundled,
)
from vatwatch.store.packing import section, unpack_ints, unpack_words, wrapped
from vatwatch.store.packing_floats import unpack_floats
from vatwatch.store.rows import Row

T = TypeVar("T")


class Chunk:
    """One sealed chunk, opened column by column as they are asked for."""

    def __init__(self, vat: str, rows: int, frame: bytes) -> None:
        self.vat = vat
        self.rows = rows
        columns = unbundled(frame)
        self.numbers = self._whole(columns[NUMBER])
        self.slots = self._whole(columns[SLOT])
        self.versions = self._whole(columns[VERSION])
        self._last_samples = self._whole(columns[LAST_SAMPLE])
        self._scans: dict[int, bytes] | None = None
        self._floats: dict[int, array[float]] = {}
        self._others: dict[int, Sequence[int | str | None]] = {}
        self._samples: _Samples | None = None

    @property
    def has_scans(self) -> bool:
        return self._scans is not None

    @property
    def has_samples(self) -> bool:
        return self._samples is not None

    @property
    def samples_held(self) -> int:
        """How many samples are unpacked in it."""
        return 0 if self._samples is None else self._samples.count

    def give_scans(self, part: bytes) -> None:
        self._scans = unbundled(part)

    def give_samples(self, part: bytes) -> None:
        self._samples = _guarded(lambda: _Samples(unbundled(part), self))

    def floats(self, place: int) -> array[float]:
        """One float column by its place in the row; NaN where there is no value."""
        column = self._floats.get(place)
        if column is None:
            packed = (self._scans or {}).get(FLOATS[place])
            if packed is None:
                column = array("d", [nan]) * self.rows
            else:
                follows = hint(place, self.floats)
                column = _guarded(lambda: unpack_floats(packed, self.rows, follows))
            self._floats[place] = column
        return column

    def words(self, place: int) -> Sequence[str]:
        """One column of texts by its place in the row."""
        return [str(word) for word in self._other(place)]

    def scan_row(self, index: int) -> Row:
        """The row of the scan at `index`, as `columns.SCAN` orders it."""
        row: list[object] = [None] * 30
        row[0], row[1] = self.slots[index], self.vat
        for place in FLOATS:
            value = self.floats(place)[index]
            row[place] = value if value == value else None
        last_ms = self.last_sample_ms(index)
        for place in (*FLAGS, *TIMES, *WORDS):
            other = self._other(place)[index]
            if place in TIMES and place != SETTLED and other is not None:
                other = wrapped(last_ms - int(other))
            row[place] = other
        return tuple(row)

    def samples_of(self, index: int) -> tuple[Row, ...]:
        """The rows of the samples taken into the scan at `index`, in order."""
        if self._samples is None:
            raise RuntimeError("the samples of this chunk were not read")
        return self._samples.of(index)

    def last_sample_ms(self, index: int) -> int:
        return wrapped(self.slots[index] - self._last_samples[index])

    def _other(self, place: int) -> Sequence[int | str | None]:
        column = self._others.get(place)
        if column is None:
            columns = self._scans or {}
            identity = WORDS.get(place) or TIMES.get(place) or FLAGS[place]
            packed = columns.get(identity)
            if packed is None:
                column = ["" if place in WORDS else None] * self.rows
            elif place in WORDS:
                column = _guarded(lambda: unpack_words(packed, self.rows))
            else:
                column = _guarded(lambda: _unpack_optional(packed, self.rows))
            self._others[place] = column
        return column

    def _whole(self, packed: bytes) -> array[int]:
        return _guarded(lambda: array("q", unpack_ints(packed, self.rows)))


class _Samples:
    """The samples part of a chunk, opened: one entry per sample in the order taken."""

    def __init__(self, columns: dict[int, bytes], chunk: Chunk) -> None:
        counts = unpack_ints(columns[COUNTS], chunk.rows)
        self._ends = array("q")
        total = 0
        for count in counts:
            total += count
            self._ends.append(total)
        self.count = total
        sources = unpack_words(columns[SOURCES], total)
        qualities = unpack_words(columns[QUALITY], total)
        self._source, self._sources = _placed(sources)
        self._quality, self._qualities = _placed(qualities)
        rest = columns[BY_SOURCE]
        share = [0] * len(self._sources)
        for place in self._source:
            share[place] += 1
        offsets, values = [], []
        for size in share:
            packed, rest = section(rest)
            offsets.append(iter(unpack_ints(packed, size)))
            packed, rest = section(rest)
            values.append(iter(unpack_floats(packed, size)))
        self._values = array("d", [next(values[place]) for place in self._source])
        self._times = array("q", [next(offsets[place]) for place in self._source])
        start = 0
        for index, end in enumerate(self._ends):
            time_ms = chunk.last_sample_ms(index)
            for position in range(end - 1, start - 1, -1):
                time_ms = wrapped(time_ms - self._times[position])
                self._times[position] = time_ms
            start = end

    def of(self, index: int) -> tuple[Row, ...]:
        start = self._ends[index - 1] if index else 0
        found = []
        for position in range(start, self._ends[index]):
            vat, probe, signal = self._sources[self._source[position]]
            flag, reason = self._qualities[self._quality[position]]
            value = self._values[position]
            row = (self._times[position], vat, probe, signal, value if value == value else None, flag, reason)
            found.append(row)
        return tuple(found)


def _placed(words: Sequence[str]) -> tuple[array[int], list[tuple[object, ...]]]:
    place_of = {word: place for place, word in enumerate(dict.fromkeys(words))}
    return array("I", map(place_of.__getitem__, words)), [tuple(json.loads(word)) for word in place_of]


def _unpack_optional(packed: bytes, count: int) -> Sequence[int | None]:
    first, rest = section(packed)
    there = unpack_ints(first, count)
    given = iter(unpack_ints(rest, sum(there)))
    return [next(given) if present else None for present in there]


def _guarded(work: Callable[[], T]) -> T:
    """Whatever nonsense a column may hold in spite of its checksum is the file's fault, not a defect."""
    try:
        return work()
    except (IndexError, KeyError, StopIteration, ValueError, OverflowError, TypeError) as error:
        raise StoreError(f"a sealed part of the store cannot be unpacked ({error!r})") from error
