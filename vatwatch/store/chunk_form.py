"""The form of a sealed chunk's parts: which column has which identity, what follows from what, and the frame around it.

A part is a list of columns, each with its identity and length, behind a checksum: a column that a later vatwatch adds
is passed over by an older one, and one that an old chunk lacks reads as "no value". Packs and opens no column itself.
"""

from __future__ import annotations

import zlib
from array import array
from collections.abc import Callable
from struct import Struct

from vatwatch.errors import StoreError
from vatwatch.store.packing_floats import Hint

FORM = 1
_HEAD = Struct("<IB")
_COLUMN = Struct("<BI")

# Identities of columns in the file. Never give one anew.
NUMBER, SLOT, VERSION, LAST_SAMPLE = 1, 2, 3, 4
COUNTS, SOURCES, QUALITY, BY_SOURCE = 50, 51, 52, 53
# The scan's columns: place in the row (see columns.SCAN) to identity.
FLOATS = {
    2: 10,
    3: 11,
    7: 12,
    8: 13,
    12: 14,
    13: 15,
    17: 16,
    18: 17,
    19: 18,
    20: 19,
    21: 20,
    22: 21,
    23: 22,
    24: 23,
    26: 24,
}
FLAGS = {4: 30, 9: 31, 14: 32, 25: 40}
TIMES = {6: 36, 11: 37, 16: 38, 29: 43}
WORDS = {5: 33, 10: 34, 15: 35, 27: 41, 28: 42}
_PH, _ORP, _TEMPERATURE, _EH, _MARGIN, _MARGIN_SIGMA = 2, 7, 12, 17, 23, 24
SETTLED = 29


def hint(place: int, column: Callable[[int], array[float]]) -> Hint | None:
    """What a column of a scan mostly follows from. Part of the file's form: an answer given once must stay."""
    match place:
        case 3 | 19:  # sigma of pH, pH at 25 °C
            return Hint(list(zip(column(_PH), column(_TEMPERATURE), strict=True)))
        case 17:  # Eh is ORP and the reference electrode's potential at the liquor's temperature
            return Hint(column(_TEMPERATURE), column(_ORP))
        case 23:  # the margin is E½ at this pH and temperature, less Eh
            keys = list(zip(column(_PH), column(_TEMPERATURE), strict=True))
            return Hint(keys, array("d", [-value for value in column(_EH)]))
        case 20 | 21 | 22 | 26:  # share and its interval, probability
            return Hint(list(zip(column(_MARGIN), column(_MARGIN_SIGMA), strict=True)))
        case _:
            return None


def bundle(columns: dict[int, bytes]) -> bytes:
    """One part of these columns by identity."""
    plain = b"".join(_COLUMN.pack(identity, len(body)) + body for identity, body in columns.items())
    return _HEAD.pack(zlib.crc32(plain), FORM) + plain


def unbundled(part: bytes) -> dict[int, bytes]:
    """The columns of a part by identity. Errors: StoreError when the part is damaged or newer than this program."""
    if len(part) < _HEAD.size:
        raise StoreError("a sealed part of the store is damaged: it is too short")
    checksum, form = _HEAD.unpack_from(part)
    if zlib.crc32(part[_HEAD.size :]) != checksum:
        raise StoreError("a sealed part of the store is damaged: its checksum does not fit")
    if form != FORM:
        raise StoreError(f"a sealed part of the store has form {form}; this vatwatch knows form {FORM}")
    columns, position = {}, _HEAD.size
    while position < len(part):
        identity, length = _COLUMN.unpack_from(part, position)
        position += _COLUMN.size
        columns[identity] = part[position : position + length]
        position += length
    return columns
