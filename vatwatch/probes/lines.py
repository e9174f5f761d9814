"""ASCII lines as many meters send them: bytes in, readings or refusals out.

Pure: no port, no clock, no log. What a line looks like is data (`LineFormat`); no maker is known here.
It must never guess: a line that is not wholly understood gives no reading.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Final

from vatwatch.errors import ConfigError, ProbeError

SKIPPED_FIELD: Final = "-"
PARTIAL_FIRST_LINE: Final = "first line after opening: it may be cut off"
LONGEST_LINE: Final = 4096

_NUMBER = re.compile(r"[+-]?(?:\d{1,15}(?:\.\d{0,15})?|\.\d{1,15})(?:[eE][+-]?\d{1,3})?", re.ASCII)
_NO_VALUE = re.compile(r"|[+-]?(?:nan|inf|infinity|\d\.#[a-z]+\d*)", re.ASCII | re.IGNORECASE)
_GLUED = re.compile(r"\.\d*\.|\d[+-]\d*\.?\d", re.ASCII)
_CUT_BEFORE = re.compile(r"(?:[\d.]|\d[eE]|(?:^|[^0-9A-Za-z])[+-])\Z", re.ASCII)
_CUT_BEFORE_SIGN = re.compile(r"\d[eE]\Z", re.ASCII)
_CUT_AFTER = re.compile(r"\d|\.\d|[eE][+-]?\d", re.ASCII)
_DELIMITER = re.compile(r"(?:(?![0-9.+\-])[\t -~])+")
_LINE_ENDS: Final = "\r\n"
_MOST_WILDCARDS: Final = 3


class NoValue(ProbeError):
    """The device itself says that it has no value for one field (empty, nan, inf)."""


@dataclass(frozen=True, slots=True)
class LineFormat:
    """How one kind of line reads, and the question that brings it (`ask=None`: it comes unasked).

    Either `pattern`, a regular expression (Python syntax, ASCII) that matches the whole line and names its
    numbers as groups, or `fields` in the order in which `delimiter` separates them. A field called "-" is
    skipped; a delimiter of one blank stands for any run of blanks; a line that is one bare number needs one
    field and no delimiter. Left-over CR and LF at either end of a line are dropped. Decimals are written with
    a point, and numbers must not touch: "10.8410.85" is refused, "10.84-650" is two numbers for a pattern.

    `max_line` is in bytes without the terminator, 1…4096; `answer_within_s` in seconds, above 0, at most 60.
    Raises ConfigError when the format cannot be used.
    """

    terminator: bytes = b"\r\n"
    ask: bytes | None = None
    pattern: str | None = None
    delimiter: str | None = None
    fields: tuple[str, ...] = ()
    max_line: int = 256
    answer_within_s: float = 1.5

    def __post_init__(self) -> None:
        if not 1 <= len(self.terminator) <= 8:
            raise ConfigError(f"terminator is {self.terminator!r}; expected 1 to 8 bytes, such as \\r\\n")
        if self.ask is not None and not self.ask:
            raise ConfigError("ask is empty; leave it out for a device that sends by itself")
        if not 1 <= self.max_line <= LONGEST_LINE:
            raise ConfigError(f"max_line is {self.max_line}; expected 1 to {LONGEST_LINE} bytes")
        if not 0 < self.answer_within_s <= 60:
            raise ConfigError(f"answer_within_s is {self.answer_within_s}; expected more than 0, at most 60 seconds")
        if self.pattern is not None:
            if self.delimiter is not None or self.fields:
                raise ConfigError("give either pattern, or delimiter and fields, not both")
            _check_pattern(self.pattern)
            return
        if not self.field_names:
            raise ConfigError("no field is named; give a pattern with (?P<name>…) groups, or delimiter and fields")
        if self.delimiter is None and len(self.fields) > 1:
            raise ConfigError("fields names several numbers; expected a delimiter that separates them, such as ','")
        if self.delimiter is not None and _DELIMITER.fullmatch(self.delimiter) is None:
            raise ConfigError(
                f"delimiter is {self.delimiter!r}; expected ASCII characters that cannot be part of a number"
            )
        if len(set(self.field_names)) != len(self.field_names):
            raise ConfigError(f"fields names a number twice: {', '.join(self.fields)}")

    @property
    def field_names(self) -> tuple[str, ...]:
        """Names of the numbers this line gives."""
        if self.pattern is not None:
            return tuple(re.compile(self.pattern, re.ASCII).groupindex)
        return tuple(name for name in self.fields if name != SKIPPED_FIELD)


@dataclass(frozen=True, slots=True)
class LineReading:
    """The numbers of one line, in the line's order. All finite."""

    values: tuple[tuple[str, float], ...]


@dataclass(frozen=True, slots=True)
class Refusal:
    """Bytes that are not a reading, and why. `raw` is never longer than a longest line."""

    reason: str
    raw: bytes


class LineCodec:
    """Turns a stream of bytes into readings, the same however the stream was cut into pieces.

    Several formats may be given for a port on which different lines come unasked: the first that fits a line
    reads it. They must share their terminator. A new codec expects a whole line; call `reset` after opening.
    """

    def __init__(self, line_format: LineFormat, *others: LineFormat) -> None:
        formats = (line_format, *others)
        if any(other.terminator != line_format.terminator for other in others):
            raise ConfigError("lines that come unasked on one port must share one terminator")
        self._readers = tuple(_LineReader(one) for one in formats)
        self._terminator = line_format.terminator
        self._max_line = max(one.max_line for one in formats)
        self._buffer = bytearray()
        self._skipping = False
        self._mid_line = False

    def reset(self, mid_line: bool) -> None:
        """Forget what came so far. `mid_line`: the next bytes may begin inside a line, to be dropped."""
        self._buffer.clear()
        self._skipping = False
        self._mid_line = mid_line

    def feed(self, data: bytes) -> list[LineReading | Refusal]:
        """Take bytes as they came from the port; any bytes will do. Keeps no more than one longest line."""
        buffer, terminator, max_line = self._buffer, self._terminator, self._max_line
        enough_to_decide = max_line + len(terminator)
        buffer += data
        results: list[LineReading | Refusal] = []
        while True:
            # Every decision looks at no more than the first `enough_to_decide` bytes, and waits while it may
            # yet turn out otherwise: so the cuts in the stream cannot matter.
            end = buffer.find(terminator, 0, enough_to_decide)
            if end >= 0:
                line = bytes(buffer[:end])
                del buffer[: end + len(terminator)]
                if self._skipping:
                    self._skipping = False
                elif self._mid_line:
                    if line:
                        results.append(Refusal(PARTIAL_FIRST_LINE, line))
                else:
                    results += self._read(line)
                self._mid_line = False
            elif len(buffer) >= enough_to_decide:
                reason = f"no line end {terminator!r} within {max_line} bytes"
                results.append(Refusal(reason, bytes(buffer[:max_line])))
                del buffer[:max_line]
                self._skipping = True
            else:
                return results

    def _read(self, line: bytes) -> list[LineReading | Refusal]:
        if not line.isascii():
            return [Refusal("bytes that are not ASCII", line)]
        text = line.decode("ascii").strip(_LINE_ENDS)
        if not text:
            return []
        mismatch: ProbeError | None = None
        for reader in self._readers:
            try:
                cut = reader.cut(text)
            except ProbeError as error:
                mismatch = mismatch or error
                continue
            return _numbers(text, cut, line)
        return [Refusal(str(mismatch), line)]


class _LineReader:
    """One format, ready to cut lines into named pieces."""

    def __init__(self, line_format: LineFormat) -> None:
        self._format = line_format
        self._compiled = re.compile(line_format.pattern, re.ASCII) if line_format.pattern is not None else None

    def cut(self, text: str) -> list[tuple[str, int, int]]:
        """Name, start and end of each number in the line; ProbeError when the line is of another shape."""
        # The time a regular expression takes can grow as a power of the line's length, and it holds the
        # interpreter's lock meanwhile: no vat would be watched. Here the length is bounded; _check_pattern
        # bounds the power.
        if len(text) > self._format.max_line:
            raise ProbeError(f"line is longer than {self._format.max_line} bytes")
        if self._compiled is not None:
            match = self._compiled.fullmatch(text)
            if match is None:
                raise ProbeError("line does not match the pattern")
            named = sorted(self._compiled.groupindex, key=self._compiled.groupindex.__getitem__)
            return [(name, *match.span(name)) for name in named if match.start(name) >= 0]
        fields = self._format.fields
        spans = self._spans(text)
        if len(spans) != len(fields):
            raise ProbeError(f"line has {len(spans)} fields, expected {len(fields)}")
        return [(name, *span) for name, span in zip(fields, spans, strict=True) if name != SKIPPED_FIELD]

    def _spans(self, text: str) -> list[tuple[int, int]]:
        delimiter = self._format.delimiter
        if delimiter is None:
            return [(0, len(text))]
        if delimiter == " ":
            return [found.span() for found in re.finditer(r"[^ \t]+", text)]
        spans = []
        start = 0
        for part in text.split(delimiter):
            spans.append((start, start + len(part)))
            start += len(part) + len(delimiter)
        return spans


def _numbers(text: str, cut: list[tuple[str, int, int]], line: bytes) -> list[LineReading | Refusal]:
    values: list[tuple[str, float]] = []
    withheld: list[LineReading | Refusal] = []
    for name, start, end in cut:
        try:
            values.append((name, _number(text, start, end)))
        except NoValue as error:
            # One broken electrode must not silence the others on the same line.
            withheld.append(Refusal(f"{name}: {error}", line))
        except ProbeError as error:
            return [Refusal(f"{name}: {error}", line)]
    reading: list[LineReading | Refusal] = [LineReading(tuple(values))] if values else []
    if not reading and not withheld:
        return [Refusal("line names no number", line)]
    return reading + withheld


def _number(text: str, start: int, end: int) -> float:
    piece = text[start:end].strip(" \t")
    if _NO_VALUE.fullmatch(piece):
        raise NoValue("the device gives no value" if not piece else f"the device gives no value ({piece})")
    if _NUMBER.fullmatch(piece) is None:
        if _GLUED.search(piece):
            raise ProbeError(f"two numbers run together ({piece})")
        raise ProbeError(f"not a number ({piece})")
    # A loose pattern may cut into a number: "10.84" out of "10.8410.85", or "650" out of "-650".
    cut_before = _CUT_BEFORE_SIGN if piece[0] in "+-" else _CUT_BEFORE
    if cut_before.search(text[:start]) or _CUT_AFTER.match(text, end):
        raise ProbeError(f"two numbers run together, or the pattern cuts one short ({piece})")
    value = float(piece)
    if not math.isfinite(value):
        raise NoValue(f"the number is not finite ({piece})")
    return value


def _check_pattern(pattern: str) -> None:
    """Refuse a pattern that cannot be used, or that a hostile line could keep busy for hours."""
    try:
        compiled = re.compile(pattern, re.ASCII)
    except (re.error, RecursionError, OverflowError) as error:
        raise ConfigError(f"pattern is not a regular expression: {error}") from error
    if not compiled.groupindex:
        raise ConfigError("pattern names no number; expected at least one (?P<name>…) group")
    if compiled.flags & re.VERBOSE:
        raise ConfigError("pattern switches on verbose mode; write it without (?x)")
    # A repeated group is what makes matching time grow exponentially, where even a short line takes for ever;
    # a line of numbers never needs one. Each ".*" adds one power of the length, so few are allowed.
    # Blanking escapes and character classes first leaves only characters that mean something.
    bare = re.sub(r"\\.|\[\^?\]?(?:\\.|[^\]\\])*\]", "_", pattern, flags=re.DOTALL)
    if re.search(r"\)[*+{]", bare):
        raise ConfigError("pattern repeats a group, which can take for ever on a damaged line; only (…)? is allowed")
    if len(re.findall(r"(?<!\()\.[*+{]", bare)) > _MOST_WILDCARDS:
        raise ConfigError(
            f"pattern has more than {_MOST_WILDCARDS} wildcards (.* or .+), which is slow on a damaged line; "
            "say what stands there, such as [^,]*"
        )
