"""One batch's scans and samples as the bytes of one row, and back: fast to write, cheap to skip through.

A body holds, after its checksum: the texts of all steps (compressed; they hardly change, so the packed form is kept at
hand), then per step the numbers of its scan and of its samples. Rows are the tuples of `rows.py`. Opens no file.
"""

from __future__ import annotations

import json
import struct
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import nan
from struct import Struct
from typing import Any

from vatwatch.errors import StoreError
from vatwatch.store.rows import Row

FORM = 1
_HEAD = Struct("<IBHI")  # checksum of what follows it, form, steps, length of the texts
_SCAN = Struct("<q15d4BBqqqqH")
_SAMPLE = Struct("<qdB")
_SLOT = Struct("<q")
_MOST_TEXTS = 32
"""Sets of texts kept at hand, by each connection: of six vats one takes about 14 kB."""
_NO_SATURATION = 255

# Places in the row of a scan (see columns.SCAN).
_FLOATS = (2, 3, 7, 8, 12, 13, 17, 18, 19, 20, 21, 22, 23, 24, 26)
_FLAGS = (4, 9, 14)
_SATURATED = 25
_TIMES = (6, 11, 16, 29)
_TEXTS = (1, 5, 10, 15, 27, 28)
VAT, REASONS, CONDITION, SHORTFALLS = 0, (1, 2, 3), 4, 5

# Where a scan's floats stand within `_SCAN`: the slot comes first.
FLOAT_PLACES = {column: place + 1 for place, column in enumerate(_FLOATS)}

_Texts = tuple[tuple[Any, ...], ...]


@dataclass(frozen=True, slots=True)
class Step:
    """One vat's slot as rows: the scan's, and the samples taken into it, in order."""

    scan: Row
    samples: tuple[Row, ...]


class Bodies:
    """Makes and reads bodies; keeps the packed texts at hand. One per thread."""

    def __init__(self) -> None:
        self._packed: dict[_Texts, bytes] = {}
        self._known: dict[bytes, _Texts] = {}

    def body_of(self, steps: Sequence[Step]) -> bytes:
        """The bytes of a batch's steps. Errors: OverflowError or UnicodeError when a value cannot be kept."""
        texts = tuple(_texts_of(step) for step in steps)
        packed = self._packed.get(texts)
        if packed is None:
            packed = zlib.compress(json.dumps(texts, ensure_ascii=False, separators=(",", ":")).encode("utf-8"))
            _remember(self._packed, texts, packed)
        try:
            parts = [packed]
            for step in steps:
                parts.append(_numbers_of(step))
                parts += [_SAMPLE.pack(s[0], nan if s[4] is None else s[4], s[5]) for s in step.samples]
        except struct.error as error:
            raise OverflowError(str(error)) from error
        plain = b"".join(parts)
        head = _HEAD.pack(0, FORM, len(steps), len(packed))
        return zlib.crc32(head[4:] + plain).to_bytes(4, "little") + head[4:] + plain

    def vats_of(self, body: bytes) -> list[str]:
        """The vat of each step."""
        return [texts[VAT] for texts in self._opened(body)[0]]

    def steps_of(self, body: bytes, vat: str | None = None) -> Iterator[tuple[int, Step]]:
        """Each step, or those of one vat, with its place in the batch."""
        texts, position = self._opened(body)
        for place, text in enumerate(texts):
            count = len(text[6])
            end = position + _SCAN.size + count * _SAMPLE.size
            if vat is None or text[VAT] == vat:
                yield place, _step_of(text, body, position)
            position = end

    def floats_of(self, body: bytes, vat: str, places: Sequence[int]) -> Iterator[tuple[int, list[float]]]:
        """Of each step of a vat its slot and some of the scan's floats, by `FLOAT_PLACES`; NaN where there is none."""
        texts, position = self._opened(body)
        for text in texts:
            if text[VAT] == vat:
                numbers = _SCAN.unpack_from(body, position)
                yield numbers[0], [numbers[place] for place in places]
            position += _SCAN.size + len(text[6]) * _SAMPLE.size

    def conditions_of(self, body: bytes) -> Iterator[tuple[str, int, str, str]]:
        """Of each step its vat, slot, condition and, as JSON, what the vat fell short of."""
        texts, position = self._opened(body)
        for text in texts:
            yield text[VAT], _SLOT.unpack_from(body, position)[0], text[CONDITION], text[SHORTFALLS]
            position += _SCAN.size + len(text[6]) * _SAMPLE.size

    def _opened(self, body: bytes) -> tuple[_Texts, int]:
        if len(body) < _HEAD.size or zlib.crc32(body[4:]).to_bytes(4, "little") != body[:4]:
            raise StoreError("a row of the newest scans is damaged: its checksum does not fit")
        _, form, _, length = _HEAD.unpack_from(body)
        if form != FORM:
            raise StoreError(f"a row of the newest scans has form {form}; this vatwatch knows form {FORM}")
        end = _HEAD.size + length
        packed = body[_HEAD.size : end]
        texts = self._known.get(packed)
        if texts is None:
            texts = tuple(map(tuple, json.loads(zlib.decompress(packed))))
            _remember(self._known, packed, texts)
        return texts, end


def slots_of(steps: Sequence[Step]) -> tuple[int, int]:
    """The first and the last slot of a batch's steps."""
    slots = [step.scan[0] for step in steps]
    return min(slots), max(slots)


def _texts_of(step: Step) -> tuple[Any, ...]:
    scan = step.scan
    return (*[scan[place] for place in _TEXTS], tuple((s[1], s[2], s[3], s[6], s[4] is None) for s in step.samples))


def _numbers_of(step: Step) -> bytes:
    scan = step.scan
    floats = [nan if (value := scan[place]) is None else value for place in _FLOATS]
    saturated = _NO_SATURATION if scan[_SATURATED] is None else scan[_SATURATED]
    missing = sum(1 << bit for bit, place in enumerate(_TIMES) if scan[place] is None)
    times = [scan[place] or 0 for place in _TIMES]
    flags = [scan[place] for place in _FLAGS]
    return _SCAN.pack(scan[0], *floats, *flags, saturated, missing, *times, len(step.samples))


def _step_of(texts: Sequence[Any], body: bytes, position: int) -> Step:
    numbers = _SCAN.unpack_from(body, position)
    row: list[Any] = [None] * 30
    row[0] = numbers[0]
    for place, value in zip(_FLOATS, numbers[1:16], strict=True):
        row[place] = value if value == value else None
    for place, value in zip(_FLAGS, numbers[16:19], strict=True):
        row[place] = value
    row[_SATURATED] = None if numbers[19] == _NO_SATURATION else numbers[19]
    for bit, place in enumerate(_TIMES):
        row[place] = None if numbers[20] >> bit & 1 else numbers[21 + bit]
    for place, text in zip(_TEXTS, texts, strict=False):
        row[place] = text
    sources = texts[6]
    start = position + _SCAN.size
    found = _SAMPLE.iter_unpack(body[start : start + len(sources) * _SAMPLE.size])
    samples = tuple(
        (time_ms, vat, probe, signal, None if missing else value, flag, reason)
        for (time_ms, value, flag), (vat, probe, signal, reason, missing) in zip(found, sources, strict=True)
    )
    return Step(tuple(row), samples)


def _remember(known: dict[Any, Any], key: Any, value: Any) -> None:
    if len(known) >= _MOST_TEXTS:
        known.clear()
    known[key] = value
