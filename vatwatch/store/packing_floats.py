"""Columns of floats as few bytes, and back, bit for bit. Knows no table and no record.

Tried in turn, the shortest kept: one value throughout; decimals of few digits as whole numbers; few different values as
a table and places in it; values that follow from other columns (`Hint`); the bits themselves, as differences in planes.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import compress
from struct import Struct

from vatwatch.errors import StoreError
from vatwatch.store.packing import framed_length, number, number_of, pack_ints, section, unpack_ints

_NAN = float("nan")
_F_NONE, _F_CONSTANT, _F_SCALED, _F_TABLE, _F_BITS, _F_GAPS, _F_KNOWN, _F_SUM = range(8)
_POWERS = tuple(10.0**digits for digits in range(7))
_TABLE_SHARE = 3
_NEW = 8
_FLOAT, _INT = Struct("<d"), Struct("<q")


@dataclass(frozen=True, slots=True)
class Hint:
    """What a column's values mostly depend on, place by place; to unpack, the same hint must be given again.

    Without `base`: a value is mostly what it was when its key was met last. With `base`: value less base is. A hint
    that proves wrong costs bytes, never exactness.
    """

    keys: Sequence[object]
    base: Sequence[float] | None = None

    def where(self, present: Iterable[object]) -> Hint:
        """The hint for those places only."""
        present = list(present)
        base = None if self.base is None else list(compress(self.base, present))
        return Hint(list(compress(self.keys, present)), base)


def pack_floats(values: array[float], hint: Hint | None = None) -> bytes:
    """Floats bit for bit; NaN stands for "no value"."""
    if not values:
        return b""
    present = [value == value for value in values]
    if all(present):
        return _present_floats(values, hint)
    if not any(present):
        return bytes((_F_NONE,))
    kept = array("d", compress(values, present))
    gaps = pack_ints([int(there) for there in present])
    return bytes((_F_GAPS,)) + framed_length(len(gaps)) + gaps + _present_floats(kept, hint and hint.where(present))


def unpack_floats(packed: bytes, count: int, hint: Hint | None = None) -> array[float]:
    """The `count` floats of `pack_floats`; give the same hint. Errors: StoreError when the bytes are no such column."""
    if count == 0:
        return array("d")
    if not packed:
        raise StoreError("a packed column is empty")
    way, body = packed[0], packed[1:]
    if way == _F_NONE:
        return array("d", [_NAN]) * count
    if way == _F_CONSTANT:
        return array("d", body[:8]) * count
    if way == _F_SCALED:
        power = _POWERS[body[0]]
        return array("d", [number / power for number in unpack_ints(body[1:], count)])
    if way == _F_TABLE:
        size, body = number_of(body)
        table, places = section(body)
        kept = _from_ordered(unpack_ints(table, size))
        return array("d", map(kept.__getitem__, unpack_ints(places, count)))
    if way == _F_BITS:
        return _from_ordered(unpack_ints(body, count))
    if way == _F_GAPS:
        gaps, body = section(body)
        present = unpack_ints(gaps, count)
        given = iter(unpack_floats(body, sum(present), hint and hint.where(present)))
        return array("d", [next(given) if there else _NAN for there in present])
    if way in (_F_KNOWN, _F_SUM) and hint is not None:
        size, body = number_of(body)
        told, body = section(body)
        news = iter(unpack_floats(body, size))
        told_ints = unpack_ints(told, count)
        return _known_again(told_ints, news, hint) if way == _F_KNOWN else _summed_again(told_ints, news, hint)
    raise StoreError(f"a packed column is of a kind ({way}) this vatwatch does not know")


def _present_floats(values: array[float], hint: Hint | None) -> bytes:
    bits = array("q", values.tobytes())
    distinct = set(bits)
    if len(distinct) == 1:
        return bytes((_F_CONSTANT,)) + values[:1].tobytes()
    scaled = _scaled(values, bits)
    if scaled is not None:
        return scaled
    found: list[bytes] = []
    if len(distinct) * _TABLE_SHARE <= len(values):
        ordered = sorted(map(_ordered, distinct))
        place_of = {bit: place for place, bit in enumerate(ordered)}
        table = pack_ints(ordered)
        places = pack_ints([place_of[_ordered(bit)] for bit in bits])
        found.append(bytes((_F_TABLE,)) + number(len(ordered)) + framed_length(len(table)) + table + places)
    if hint is not None:
        way, (news, told) = (_F_KNOWN, _known(bits, hint)) if hint.base is None else (_F_SUM, _summed(values, hint))
        if len(news) * 10 <= len(values) * 9:
            packed = pack_ints(told)
            rest = _present_floats(news, None) if news else b""
            found.append(bytes((way,)) + number(len(news)) + framed_length(len(packed)) + packed + rest)
    if not found:
        found.append(bytes((_F_BITS,)) + pack_ints([_ordered(bit) for bit in bits]))
    return min(found, key=len)


def _known(bits: array[int], hint: Hint) -> tuple[array[float], list[int]]:
    """The values met for the first time with their key, and for each place whether it is not one of those."""
    known: dict[object, int] = {}
    news, hits = array("q"), []
    for key, bit in zip(hint.keys, bits, strict=True):
        hit = known.get(key) == bit
        hits.append(int(hit))
        if not hit:
            known[key] = bit
            news.append(bit)
    return array("d", news.tobytes()), hits


def _known_again(hits: Sequence[int], news: Iterator[float], hint: Hint) -> array[float]:
    known: dict[object, float] = {}
    values = array("d")
    for key, hit in zip(hint.keys, hits, strict=True):
        if not hit:
            known[key] = next(news)
        values.append(known[key])
    return values


def _summed(values: array[float], hint: Hint) -> tuple[array[float], list[int]]:
    """As `_known` for value less base; told per place: by how many last bits the sum is beside the value."""
    known: dict[object, float] = {}
    news, told = array("d"), []
    for key, base, value in zip(hint.keys, hint.base or (), values, strict=True):
        beside = _NEW
        if key in known:
            beside = _last_bits(value) - _last_bits(base + known[key])
        if abs(beside) >= _NEW:
            beside = _NEW
            news.append(value)
            known[key] = value - base
        told.append(beside)
    return news, told


def _summed_again(told: Sequence[int], news: Iterator[float], hint: Hint) -> array[float]:
    known: dict[object, float] = {}
    values = array("d")
    for key, base, beside in zip(hint.keys, hint.base or (), told, strict=True):
        if beside == _NEW:
            value = next(news)
            known[key] = value - base
        else:
            value = base + known[key]
            if beside:
                value = _FLOAT.unpack(_INT.pack(_ordered(_last_bits(value) + beside)))[0]
        values.append(value)
    return values


def _last_bits(value: float) -> int:
    bits: int = _INT.unpack(_FLOAT.pack(value))[0]
    return _ordered(bits)


def _scaled(values: array[float], bits: array[int]) -> bytes | None:
    """Values that are decimals of few digits, as whole numbers; None unless every one comes back bit for bit."""
    for digits, power in enumerate(_POWERS):
        try:
            numbers = [round(value * power) for value in values[:50]]
            if array("d", [number / power for number in numbers]) != values[:50]:
                continue
            numbers = [round(value * power) for value in values]
        except (OverflowError, ValueError):
            return None  # infinite
        if max(map(abs, numbers)) >= 1 << 53:
            return None
        # Comparing bits, not values: minus zero is not zero here.
        if array("q", array("d", [number / power for number in numbers]).tobytes()) == bits:
            return bytes((_F_SCALED, digits)) + pack_ints(numbers)
    return None


def _ordered(bits: int) -> int:
    """A float's bits as a number that grows with the float; its own inverse."""
    return bits if bits >= 0 else bits ^ 0x7FFF_FFFF_FFFF_FFFF


def _from_ordered(numbers: Sequence[int]) -> array[float]:
    if min(numbers, default=0) >= 0:
        return array("d", array("q", numbers).tobytes())
    # `_ordered` written out: a call per number would take most of the time of reading a day.
    return array("d", array("q", [n if n >= 0 else n ^ 0x7FFF_FFFF_FFFF_FFFF for n in numbers]).tobytes())
