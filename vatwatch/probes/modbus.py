"""Modbus registers as numbers: which register is meant, and what its bits say in each of the four word orders.

Pure: no port, no clock; frames and their checksum are the client's part. Source of addresses and function codes:
Modbus Organization, "MODBUS Application Protocol Specification V1.1b3" (2012), sections 4.4, 6.3 and 6.4. The standard
defines 16-bit registers only: the order of the words of a longer number is each maker's own, hence four of them.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from vatwatch.errors import ConfigError, ProbeError

HOLDING: Final = 3
INPUT: Final = 4
LAST_UNIT: Final = 247
_LAST_ADDRESS: Final = 65535
# Below this a floating-point reading other than 0 is the sign of swapped words, not of any quantity of a vat.
_LEAST_FLOAT: Final = 1e-6


class NumberType(StrEnum):
    """How the bits of one or two registers are meant."""

    INT16 = "int16"
    UINT16 = "uint16"
    INT32 = "int32"
    UINT32 = "uint32"
    FLOAT32 = "float32"

    @property
    def registers(self) -> int:
        """How many 16-bit registers one number takes."""
        return 1 if self in (NumberType.INT16, NumberType.UINT16) else 2


_CODES = {
    NumberType.INT16: ">h",
    NumberType.UINT16: ">H",
    NumberType.INT32: ">i",
    NumberType.UINT32: ">I",
    NumberType.FLOAT32: ">f",
}


class WordOrder(StrEnum):
    """Where the four bytes of a number stand on the wire; A is the most significant."""

    ABCD = "ABCD"
    CDAB = "CDAB"
    BADC = "BADC"
    DCBA = "DCBA"


def register_of_sheet_number(number: int) -> tuple[int, int]:
    """Function code and zero-based address of a register number as data sheets print it.

    40001…49999 and 400001…465536 are holding registers (function 3), 30001…39999 and 300001…365536 input registers
    (function 4); the first of each is address 0. The leading digit is the sheets' custom, not in the standard.
    Raises ConfigError for any other number.
    """
    for first, last, function in (
        (40001, 49999, HOLDING),
        (400001, 465536, HOLDING),
        (30001, 39999, INPUT),
        (300001, 365536, INPUT),
    ):
        if first <= number <= last:
            return function, number - first
    raise ConfigError(
        f"register_number is {number}; expected 40001 to 49999 (holding) or 30001 to 39999 (input) as in a data sheet, "
        "or give register_address, counted from 0, and function"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ModbusQuestion:
    """One number of one unit. `address` is zero-based; the value is the number times `scale`.

    `plausible` are the least and greatest value (scaled) that can be meant; a number outside it is not handed on when
    another word order would put it inside. `answer_within_s` in seconds, above 0, at most 60.
    Raises ConfigError when the parts cannot be used.
    """

    field: str
    unit: int
    address: int
    function: int = HOLDING
    type: NumberType = NumberType.INT16
    order: WordOrder = WordOrder.ABCD
    scale: float = 1.0
    plausible: tuple[float, float] | None = None
    answer_within_s: float = 1.0

    def __post_init__(self) -> None:
        if not self.field:
            raise ConfigError("field is empty; expected a name for the number")
        if not 1 <= self.unit <= LAST_UNIT:
            raise ConfigError(f"unit is {self.unit}; expected 1 to {LAST_UNIT}")
        if self.function not in (HOLDING, INPUT):
            raise ConfigError(f"function is {self.function}; expected 3 (holding registers) or 4 (input registers)")
        if not 0 <= self.address <= _LAST_ADDRESS + 1 - self.type.registers:
            raise ConfigError(
                f"register address is {self.address}; expected 0 to {_LAST_ADDRESS + 1 - self.type.registers}"
            )
        if self.type.registers == 1 and self.order is not WordOrder.ABCD:
            raise ConfigError(f"word_order is {self.order}, but {self.type} is a single word; leave word_order out")
        if not math.isfinite(self.scale) or self.scale == 0:
            raise ConfigError(f"scale is {self.scale}; expected a number other than 0")
        if not 0 < self.answer_within_s <= 60:
            raise ConfigError(f"answer_within_s is {self.answer_within_s}; expected more than 0, at most 60 seconds")

    @property
    def field_names(self) -> tuple[str, ...]:
        """Names of the numbers this question brings: always one."""
        return (self.field,)


def number_in(words: tuple[int, ...], number_type: NumberType, order: WordOrder = WordOrder.ABCD) -> float:
    """The number in one or two registers as they came (each 0…65535, first register first); may be nan or infinite."""
    wire = b"".join(word.to_bytes(2, "big") for word in words)
    if len(words) != number_type.registers:
        raise ProbeError(f"{len(words)} registers came, expected {number_type.registers}")
    if len(wire) == 4:
        wire = bytes(wire[order.index(letter)] for letter in "ABCD")
    return float(struct.unpack(_CODES[number_type], wire)[0])


def reading_of(question: ModbusQuestion, words: tuple[int, ...]) -> float:
    """The value that was asked for, finite and scaled.

    Raises ProbeError when the device gives none (nan, infinite), and when the value cannot be meant while another word
    order would fit: then the message names that order.
    """
    raw = number_in(words, question.type, question.order)
    value = raw * question.scale
    if not _can_be_meant(raw, value, question):
        fitting = orders_that_fit(question, words)
        if fitting:
            listed = " or ".join(
                f"{order} ({number_in(words, question.type, order) * question.scale:g})" for order in fitting
            )
            raise ProbeError(
                f"{value:g} in word_order {question.order} cannot be meant; set word_order to {listed}, which would fit"
            )
    if not math.isfinite(value):
        raise ProbeError(f"the device gives no value ({value:g})")
    return value


def orders_that_fit(question: ModbusQuestion, words: tuple[int, ...]) -> tuple[WordOrder, ...]:
    """The other word orders in which the same registers would give a value that can be meant."""
    if question.type.registers == 1 or question.plausible is None:
        return ()
    found = []
    for order in WordOrder:
        if order is not question.order:
            raw = number_in(words, question.type, order)
            if _can_be_meant(raw, raw * question.scale, question):
                found.append(order)
    return tuple(found)


def _can_be_meant(raw: float, value: float, question: ModbusQuestion) -> bool:
    if not math.isfinite(value) or (question.type is NumberType.FLOAT32 and 0 < abs(raw) < _LEAST_FLOAT):
        return False
    return question.plausible is None or question.plausible[0] <= value <= question.plausible[1]
