"""Guesses what numbers and lines may mean, for a person to confirm. Nothing of it is used while vats are watched.

Pure: no port, no clock. Every guess is common practice, no source; it is printed as a guess.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from vatwatch.errors import ConfigError
from vatwatch.probes.lines import SKIPPED_FIELD, LineCodec, LineFormat, LineReading
from vatwatch.probes.modbus import ModbusQuestion, NumberType, WordOrder, number_in
from vatwatch.terms import Signal

_NUMBER = re.compile(r"(?<![0-9A-Za-z.])[-+]?[0-9]+(?:\.[0-9]+)?(?![0-9.])", re.ASCII)
_NUMBER_PATTERN: Final = "[-+]?[0-9.]+"
_DELIMITER = re.compile(r"[,;\t|/ ]+")
_ORP_WORDS: Final = ("orp", "redox", "mv", "eh", "rx")
_TEMPERATURE_WORDS: Final = ("temp", "degc", "celsius")
_FIELD_OF: Final = {Signal.PH: "ph", Signal.ORP_MV: "orp_mv", Signal.TEMPERATURE_C: "temperature_c"}
_LEAST_SHARE: Final = 0.8


@dataclass(frozen=True, slots=True)
class Guess:
    """A number that may be one of a vat's: its field, what it may be, and what it just was.

    Numbers of one `instrument` (a unit or sensor of several on a line) stand in one vat, most likely.
    """

    field: str
    signal: Signal
    example: float
    instrument: str = ""


def signal_by_value(value: float, taken: Sequence[Signal]) -> Signal | None:
    """What a number of this size may be in an indigo vat, if that is not taken already."""
    if 2 <= value <= 14 and Signal.PH not in taken:
        return Signal.PH
    if 0 < value <= 110 and Signal.TEMPERATURE_C not in taken:
        return Signal.TEMPERATURE_C
    if 15 <= abs(value) <= 2000 and Signal.ORP_MV not in taken:
        return Signal.ORP_MV
    return None


def name_values(values: Sequence[float], labels: Sequence[str] = ()) -> tuple[tuple[str, ...], tuple[Guess, ...]]:
    """A field name for each value ("-" where nothing fits), and the guesses; each signal at most once."""
    taken: dict[int, Signal] = {}
    for position, label in enumerate(labels):
        signal = _signal_by_label(label)
        if signal is not None and signal not in taken.values():
            taken[position] = signal
    for position, value in enumerate(values):
        if position not in taken:
            signal = signal_by_value(value, tuple(taken.values()))
            if signal is not None:
                taken[position] = signal
    fields = tuple(_FIELD_OF[taken[p]] if p in taken else SKIPPED_FIELD for p in range(len(values)))
    guesses = tuple(Guess(_FIELD_OF[taken[p]], taken[p], values[p]) for p in sorted(taken))
    return fields, guesses


def _signal_by_label(label: str) -> Signal | None:
    words = re.sub(r"[^a-z]", "", label.lower())
    if words.endswith("ph"):
        return Signal.PH
    if any(words.endswith(word) for word in _ORP_WORDS):
        return Signal.ORP_MV
    if words in ("t", "c") or any(word in words for word in _TEMPERATURE_WORDS):
        return Signal.TEMPERATURE_C
    return None


def lines_in(data: bytes, mid_line: bool = True) -> tuple[str, list[str]]:
    """Terminator and whole lines of what was heard; ("", []) if it is no text. `mid_line`: the first may be cut off."""
    terminator = next((end for end in (b"\r\n", b"\n", b"\r") if end in data), b"")
    if not terminator or not data.isascii() or any(byte < 0x20 and byte not in b"\t\r\n" for byte in data):
        return "", []
    pieces = data.decode("ascii").split(terminator.decode())
    return terminator.decode(), [piece.strip("\r\n") for piece in pieces[int(mid_line) : -1] if piece.strip()]


def line_format(
    lines: Sequence[str], terminator: str, ask: bytes | None
) -> tuple[LineFormat, tuple[Guess, ...]] | None:
    """A format that reads nearly all of these lines, and what its numbers may be; None when no line gives one."""
    for line in lines:
        built = _format_of(line, terminator, ask)
        if built is None:
            continue
        codec = LineCodec(built[0])
        read = codec.feed("".join(one + terminator for one in lines).encode())
        if sum(isinstance(answer, LineReading) for answer in read) >= _LEAST_SHARE * len(lines):
            return built
    return None


def _format_of(line: str, terminator: str, ask: bytes | None) -> tuple[LineFormat, tuple[Guess, ...]] | None:
    found = list(_NUMBER.finditer(line))
    edges = [0, *(edge for number in found for edge in number.span()), len(line)]
    between = [line[edges[i] : edges[i + 1]] for i in range(0, len(edges), 2)]
    if not found:
        return None
    before, after = between[:-1], between[1:]
    # Names stand before their numbers ("pH 10.84"), units behind them ("10.84 pH").
    labels = before if re.search("[A-Za-z]", before[0]) else after
    fields, guesses = name_values([float(number.group()) for number in found], labels)
    if not guesses:
        return None
    inner = set(between[1:-1])
    bare = not between[0] and not between[-1]
    end = terminator.encode()
    try:
        if bare and len(found) == 1:
            return LineFormat(terminator=end, ask=ask, fields=fields), guesses
        if bare and len(inner) == 1 and _DELIMITER.fullmatch(delimiter := inner.pop()):
            delimiter = " " if not delimiter.strip() else delimiter
            return LineFormat(terminator=end, ask=ask, delimiter=delimiter, fields=fields), guesses
        pattern = "".join(
            re.escape(lead) + (_NUMBER_PATTERN if field == SKIPPED_FIELD else f"(?P<{field}>{_NUMBER_PATTERN})")
            for lead, field in zip(before, fields, strict=True)
        ) + re.escape(between[-1])
        return LineFormat(terminator=end, ask=ask, pattern=pattern), guesses
    except ConfigError:
        return None


def modbus_questions(
    unit: int, function: int, words: tuple[int, ...]
) -> tuple[tuple[ModbusQuestion, ...], tuple[Guess, ...]]:
    """Questions for the numbers that a block of registers from address 0 may hold, in the type that explains most."""
    best: tuple[float, list[tuple[ModbusQuestion, Guess]]] = (0.0, [])
    for kind, order in (
        (NumberType.FLOAT32, WordOrder.ABCD),
        (NumberType.FLOAT32, WordOrder.CDAB),
        (NumberType.INT16, WordOrder.ABCD),
        (NumberType.FLOAT32, WordOrder.BADC),
        (NumberType.FLOAT32, WordOrder.DCBA),
    ):
        read = list(_read_as(kind, order, unit, function, words))
        explained = sum(question.type.registers for question, _ in read) / max(1, sum(word != 0 for word in words))
        if explained > best[0]:
            best = (explained, read)
    return tuple(q for q, _ in best[1]), tuple(g for _, g in best[1])


def _read_as(
    kind: NumberType, order: WordOrder, unit: int, function: int, words: tuple[int, ...]
) -> Iterator[tuple[ModbusQuestion, Guess]]:
    taken: list[Signal] = []
    for address in range(0, len(words) - kind.registers + 1, kind.registers):
        raw = number_in(words[address : address + kind.registers], kind, order)
        # A 16-bit number needs a scale to be one of ours, and then a small one is more likely than none.
        scales = (1.0,) if kind is NumberType.FLOAT32 else (0.01, 0.1, 1.0)
        for scale in scales:
            value = round(raw * scale, 6)
            signal = signal_by_value(value, taken) if abs(value) >= 0.01 else None
            if signal is None or (scale == 0.01 and signal is not Signal.PH):
                continue
            taken.append(signal)
            field = f"unit{unit}_{_FIELD_OF[signal]}"
            question = ModbusQuestion(
                field=field, unit=unit, function=function, address=address, type=kind, order=order, scale=scale
            )
            yield question, Guess(field, signal, value, f"unit{unit}")
            break
