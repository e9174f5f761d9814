"""Scans and samples of one vat become a sealed chunk: gathered in columns, packed column by column. Opens no file.

Kept word for word is everything, judgements included: recomputing them is possible only with the very program that
made them, and a record of what a dyer was told must not change when the program is brought up to date.
"""

from __future__ import annotations

import json
from array import array
from collections.abc import Generator, Iterable, Sequence
from dataclasses import dataclass, field
from math import nan

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
    bundle,
    hint,
)
from vatwatch.store.hot import Step
from vatwatch.store.packing import framed_length, pack_ints, pack_words, wrapped
from vatwatch.store.packing_floats import pack_floats


@dataclass(frozen=True, slots=True)
class Parts:
    """One chunk as it lies in the file: who and when (`frame`), what was judged (`scans`), what probes said."""

    frame: bytes
    scans: bytes
    samples: bytes


@dataclass(slots=True)
class Columns:
    """Scans of one vat on their way into a chunk, in the order of their slots."""

    vat: str
    numbers: array[int] = field(default_factory=lambda: array("q"))
    versions: array[int] = field(default_factory=lambda: array("q"))
    slots: array[int] = field(default_factory=lambda: array("q"))
    last_samples: array[int] = field(default_factory=lambda: array("q"))
    floats: dict[int, array[float]] = field(default_factory=lambda: {place: array("d") for place in FLOATS})
    others: dict[int, list[int | str | None]] = field(
        default_factory=lambda: {place: [] for place in (*FLAGS, *TIMES, *WORDS)}
    )
    counts: array[int] = field(default_factory=lambda: array("q"))
    sources: list[str] = field(default_factory=list)
    quality: list[str] = field(default_factory=list)
    offsets: dict[str, array[int]] = field(default_factory=dict)
    values: dict[str, array[float]] = field(default_factory=dict)
    _texts: dict[tuple[object, ...], str] = field(default_factory=dict)

    def add(self, number: int, version: int, step: Step) -> None:
        scan = step.scan
        self.numbers.append(number)
        self.versions.append(version)
        self.slots.append(scan[0])
        for place, column in self.floats.items():
            value = scan[place]
            column.append(nan if value is None else value)
        for place, other in self.others.items():
            other.append(scan[place])
        # Times hang on the newest sample of the scan, so that the jitter of a line is kept once, not once per column.
        last_ms = step.samples[-1][0] if step.samples else scan[0]
        self.last_samples.append(wrapped(scan[0] - last_ms))
        for place in TIMES:
            time_ms = scan[place]
            if time_ms is not None and place != SETTLED:
                self.others[place][-1] = wrapped(last_ms - time_ms)
        self.counts.append(len(step.samples))
        following_ms = [sample[0] for sample in step.samples[1:]] + [last_ms]
        for (time_ms, vat, probe, signal, value, flag, reason), next_ms in zip(
            step.samples, following_ms, strict=False
        ):
            source = self._text(vat, probe, signal)
            self.sources.append(source)
            self.quality.append(self._text(flag, reason))
            self.offsets.setdefault(source, array("q")).append(wrapped(next_ms - time_ms))
            self.values.setdefault(source, array("d")).append(nan if value is None else value)

    def _text(self, *parts: object) -> str:
        text = self._texts.get(parts)
        if text is None:
            text = self._texts[parts] = json.dumps(parts, ensure_ascii=False, separators=(",", ":"))
        return text


def pack(columns: Columns) -> Generator[None, None, Parts]:
    """Pack a chunk step by step: yields after each column, so that the caller can do something else in between."""
    frame = {
        NUMBER: pack_ints(columns.numbers),
        SLOT: pack_ints(columns.slots),
        VERSION: pack_ints(columns.versions),
        LAST_SAMPLE: pack_ints(columns.last_samples),
    }
    yield
    scans: dict[int, bytes] = {}
    for place, identity in FLOATS.items():
        scans[identity] = pack_floats(columns.floats[place], hint(place, columns.floats.__getitem__))
        yield
    for place, identity in FLAGS.items():
        scans[identity] = _pack_optional(columns.others[place])
    for place, identity in TIMES.items():
        scans[identity] = _pack_optional(columns.others[place])
        yield
    for place, identity in WORDS.items():
        scans[identity] = pack_words([str(word) for word in columns.others[place]])
    yield
    by_source = []
    for source in dict.fromkeys(columns.sources):
        by_source.append(_framed(pack_ints(columns.offsets[source])))
        by_source.append(_framed(pack_floats(columns.values[source])))
        yield
    samples = {
        COUNTS: pack_ints(columns.counts),
        SOURCES: pack_words(columns.sources),
        QUALITY: pack_words(columns.quality),
        BY_SOURCE: b"".join(by_source),
    }
    return Parts(bundle(frame), bundle(scans), bundle(samples))


def packed_whole(columns: Columns) -> Parts:
    """`pack` without a pause."""
    steps = pack(columns)
    while True:
        try:
            next(steps)
        except StopIteration as done:
            parts: Parts = done.value
            return parts


def columns_of(vat: str, steps: Iterable[tuple[int, int, Step]]) -> Columns:
    """Columns of numbered steps: (scan number, settings version, step)."""
    columns = Columns(vat)
    for number, version, step in steps:
        columns.add(number, version, step)
    return columns


def _pack_optional(values: Sequence[int | str | None]) -> bytes:
    there = pack_ints([int(value is not None) for value in values])
    return _framed(there) + pack_ints([int(value) for value in values if value is not None])


def _framed(part: bytes) -> bytes:
    return framed_length(len(part)) + part
