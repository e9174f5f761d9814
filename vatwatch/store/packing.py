"""Columns of whole numbers and of words as few bytes, and back, exactly. Knows no table and no record.

A column is first turned into small numbers (its differences, or its distance from a running mean), these into symbols
of one byte (several small ones share a byte), and the bytes go through raw deflate. What is tried, the packer decides
by measuring; what was chosen stands in front of the bytes, so that the reader needs no settings. Standard library only.
"""

from __future__ import annotations

import json
import zlib
from array import array
from collections.abc import Sequence
from itertools import accumulate, chain, pairwise

from vatwatch.errors import StoreError

MOST_ROWS = 1 << 24
_SAFE = 1 << 60
"""Numbers this small can be subtracted and doubled without leaving 64 bits."""

_PLAIN, _DELTA, _SMOOTH, _CONSTANT, _LINE, _WIDE = range(6)
# (symbols, how many share a byte): the largest count whose joint alphabet fits 256.
_SHARING = ((2, 8), (3, 5), (4, 4), (6, 3), (16, 2))
_RARE = 0.04
_WEIGHTS = (2, 3, 4)
_FRACTION, _HALF = 6, 32


def pack_ints(values: Sequence[int]) -> bytes:
    """Any 64-bit signed whole numbers. The count is not kept: give it to `unpack_ints`."""
    if not values:
        return b""
    first = values[0]
    low, high = min(values), max(values)
    if low == high:
        return bytes((_CONSTANT,)) + number(first)
    if low < -_SAFE or high > _SAFE:
        steps = array("q", [wrapped(b - a) for a, b in pairwise(values)])
        return bytes((_WIDE,)) + planes(array("q", [first]) + steps)
    delta = [b - a for a, b in pairwise(values)]
    if min(delta) == max(delta):
        return bytes((_LINE,)) + number(first) + number(delta[0])
    # The mean size of what is left tells well enough which way needs fewest bytes.
    middle = sorted(values)[len(values) // 2]
    plain = sum(abs(value - middle) for value in values)
    stepped = sum(map(abs, delta))
    smooth, smoothed, weight = None, stepped, 0
    if stepped > len(values) // 2:
        for shift in _WEIGHTS:
            tried = _smoothed(values, shift)
            size = sum(map(abs, tried))
            if size < smoothed:
                smooth, smoothed, weight = tried, size, shift
    if plain <= min(stepped, smoothed):
        return bytes((_PLAIN,)) + number(middle) + _residuals([value - middle for value in values])
    if smooth is not None and smoothed < stepped:
        return bytes((_SMOOTH, weight)) + number(first) + _residuals(smooth[1:])
    return bytes((_DELTA,)) + number(first) + _residuals(delta)


def unpack_ints(packed: bytes, count: int) -> list[int]:
    """The `count` numbers of `pack_ints`. Errors: StoreError when the bytes are not such a column."""
    if count == 0:
        return []
    if not packed or count > MOST_ROWS:
        raise StoreError("a packed column is empty or says it is longer than any can be")
    way, body = packed[0], packed[1:]
    if way == _WIDE:
        # Whole numbers of Python do not overflow: wrapping once at the end is the same, and mostly there is nothing to wrap.
        sums = list(accumulate(planes_of(body, count)))
        return sums if min(sums) >= -(1 << 63) and max(sums) < 1 << 63 else list(map(wrapped, sums))
    if way == _SMOOTH:
        return _smoothed_again(body, count)
    first, body = number_of(body)
    if way == _CONSTANT:
        return [first] * count
    if way == _LINE:
        step, _ = number_of(body)
        return [first + step * place for place in range(count)]
    if way == _PLAIN:
        return [first + residual for residual in _residuals_of(body, count)]
    residuals = _residuals_of(body, count - 1)
    if way == _DELTA:
        return list(accumulate(residuals, initial=first))
    raise StoreError(f"a packed column is of a kind ({way}) this vatwatch does not know")


def _smoothed(values: Sequence[int], shift: int) -> list[int]:
    """Distance of each value from a running mean of those before it (weight 1/2^shift), in whole numbers throughout."""
    state = values[0] << _FRACTION
    left = []
    for value in values:
        left.append(value - ((state + _HALF) >> _FRACTION))
        state += ((value << _FRACTION) - state) >> shift
    return left


def _smoothed_again(packed: bytes, count: int) -> list[int]:
    shift = packed[0]
    first, body = number_of(packed[1:])
    state, values = first << _FRACTION, [first]
    for residual in _residuals_of(body, count - 1):
        value = residual + ((state + _HALF) >> _FRACTION)
        state += ((value << _FRACTION) - state) >> shift
        values.append(value)
    return values


def _residuals(values: Sequence[int]) -> bytes:
    folded = [value << 1 if value >= 0 else ~(value << 1) for value in values]
    best = _bytewise(folded)
    ranked = sorted(folded)
    common = ranked[min(len(ranked) - 1, int(len(ranked) * (1 - _RARE)))]
    # One symbol of each alphabet says "larger: look in the list of exceptions".
    fitting = [pair for pair in _SHARING if common < pair[0] - 1]
    for symbols, shared in fitting[:2]:
        best = min(best, _sharing(folded, symbols, shared), key=len)
    if common >= 255:
        best = min(best, bytes((1,)) + planes(array("q", values)), key=len)
    return best


def _residuals_of(packed: bytes, count: int) -> list[int]:
    if not packed:
        raise StoreError("a packed column ends too early")
    shared = packed[0]
    if shared == 1:
        return planes_of(packed[1:], count).tolist()
    body, rest = section(packed[1:])
    symbols: Sequence[int] = inflate(body)
    escape = 255
    if shared:
        alphabet = next((size for size, sharing in _SHARING if sharing == shared), 0)
        if not alphabet:
            raise StoreError(f"a packed column shares bytes in a way ({shared}) this vatwatch does not know")
        escape = alphabet - 1
        symbols = list(chain.from_iterable(map(_apart(alphabet, shared).__getitem__, symbols)))[:count]
    if len(symbols) != count:
        raise StoreError(f"a packed column holds {len(symbols)} numbers where {count} are expected")
    unfold = [(z >> 1) ^ -(z & 1) for z in range(escape)]
    if not rest:
        return [unfold[symbol] for symbol in symbols]
    larger = iter(array("q", inflate(rest)))
    return [unfold[symbol] if symbol != escape else next(larger) for symbol in symbols]


def _bytewise(folded: Sequence[int]) -> bytes:
    symbols = bytes([z if z < 255 else 255 for z in folded])
    return bytes((0,)) + _with_larger(symbols, [z for z in folded if z >= 255])


def _sharing(folded: Sequence[int], symbols: int, shared: int) -> bytes:
    escape = symbols - 1
    clipped = [z if z < escape else escape for z in folded]
    clipped += [0] * (-len(clipped) % shared)
    together = clipped[0::shared]
    for place in range(1, shared):
        together = [a * symbols + b for a, b in zip(together, clipped[place::shared], strict=True)]
    return bytes((shared,)) + _with_larger(bytes(together), [z for z in folded if z >= escape])


def _with_larger(symbols: bytes, larger: Sequence[int]) -> bytes:
    body = deflate(symbols)
    rest = deflate(array("q", [(z >> 1) ^ -(z & 1) for z in larger]).tobytes()) if larger else b""
    return framed_length(len(body)) + body + rest


_APART: dict[tuple[int, int], list[tuple[int, ...]]] = {}


def _apart(symbols: int, shared: int) -> list[tuple[int, ...]]:
    """For each byte, the symbols that share it."""
    table = _APART.get((symbols, shared))
    if table is None:
        table = [
            tuple(byte // symbols ** (shared - 1 - place) % symbols for place in range(shared)) for byte in range(256)
        ]
        _APART[symbols, shared] = table
    return table


# --- words ------------------------------------------------------------------------------------------------------------


def pack_words(words: Sequence[str]) -> bytes:
    """Texts of which few differ."""
    place_of = {word: place for place, word in enumerate(dict.fromkeys(words))}
    table = deflate(json.dumps(list(place_of), ensure_ascii=False).encode("utf-8"))
    return framed_length(len(table)) + table + pack_ints([place_of[word] for word in words])


def unpack_words(packed: bytes, count: int) -> list[str]:
    """The `count` texts of `pack_words`. Errors: StoreError when the bytes are not such a column."""
    if count == 0:
        return []
    table, places = section(packed)
    known: list[str] = json.loads(inflate(table))
    return [known[place] for place in unpack_ints(places, count)]


# --- bytes ------------------------------------------------------------------------------------------------------------


def deflate(plain: bytes) -> bytes:
    """Raw deflate, by frequency alone or with repetitions, or left as it is: whichever is shortest."""
    return min(
        (b"\0" + plain, *(b"\1" + _raw(plain, way) for way in (zlib.Z_HUFFMAN_ONLY, zlib.Z_DEFAULT_STRATEGY))), key=len
    )


def _raw(plain: bytes, strategy: int) -> bytes:
    packer = zlib.compressobj(6, zlib.DEFLATED, -15, 9, strategy)
    return packer.compress(plain) + packer.flush()


def inflate(packed: bytes) -> bytes:
    try:
        return packed[1:] if packed[:1] == b"\0" else zlib.decompress(packed[1:], -15)
    except zlib.error as error:
        raise StoreError(f"a packed column cannot be unpacked ({error})") from error


def planes(numbers: array[int]) -> bytes:
    """Eight byte planes, the lowest first, each deflated by itself: the upper ones hardly change."""
    plain = numbers.tobytes()
    return b"".join(framed_length(len(part)) + part for part in (deflate(plain[place::8]) for place in range(8)))


def planes_of(packed: bytes, count: int) -> array[int]:
    plain = bytearray(8 * count)
    for place in range(8):
        part, packed = section(packed)
        plane = inflate(part)
        if len(plane) != count:
            raise StoreError(f"a packed column holds {len(plane)} numbers where {count} are expected")
        plain[place::8] = plane
    return array("q", bytes(plain))


def framed_length(number: int) -> bytes:
    return number.to_bytes(4, "little")


def section(packed: bytes) -> tuple[bytes, bytes]:
    end = 4 + int.from_bytes(packed[:4], "little")
    if len(packed) < max(4, end):
        raise StoreError("a packed column ends too early")
    return packed[4:end], packed[end:]


def number(value: int) -> bytes:
    return value.to_bytes(9, "little", signed=True)


def number_of(packed: bytes) -> tuple[int, bytes]:
    if len(packed) < 9:
        raise StoreError("a packed column ends too early")
    return int.from_bytes(packed[:9], "little", signed=True), packed[9:]


def wrapped(value: int) -> int:
    return (value + (1 << 63)) % (1 << 64) - (1 << 63)
