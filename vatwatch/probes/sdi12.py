"""SDI-12 as text: commands to sensors, and their answers taken apart.

Pure: no port, no clock, no break signal; pauses, retries and who waits for what belong to the dialogue.
Source of every rule here: SDI-12 Support Group, "SDI-12, A Serial-Digital Interface Standard for
Microprocessor-Based Sensors", version 1.4, sections 4.3 and 4.4 and the appendix on the CRC. The high-volume
commands (aHA!, aHB!) and extended commands are left out.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from vatwatch.errors import ConfigError, ProbeError
from vatwatch.probes.lines import SKIPPED_FIELD, Refusal

ANY_ADDRESS: Final = "?"
ASK_FOR_ADDRESS: Final = b"?!"
MOST_PAGES: Final = 10

# Address, 75 characters of values (the longest any of these commands may bring), CRC.
LONGEST_ANSWER: Final = 1 + 75 + 3
_LINE_END: Final = b"\r\n"
_ADDRESS = re.compile(r"[0-9A-Za-z]", re.ASCII)
_VALUE = re.compile(r"[+-](?:\d{1,7}\.?\d{0,7}|\.\d{1,7})", re.ASCII)
_MOST_DIGITS: Final = 7
_CRC_LENGTH: Final = 3


_COMMAND = re.compile(r"[MC][1-9]?|R[0-9]?", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sdi12Question:
    """What to have measured on one sensor, and what its values are called, in the order in which they come.

    `command` is M, M1…M9 (measure), C, C1…C9 (measure concurrently) or R0…R9 (R alone is R0: read at once). A field
    called "-" is skipped; values beyond the named ones are left. `crc` asks for a checksum with the values: without
    one a damaged digit cannot be told from a true one. `answer_within_s` in seconds, above 0, at most 60, is for each
    answer; how long the measurement takes the sensor says itself, but no checksum guards that: more than
    `ready_within_s` (0…999 seconds) is taken for damage. Raises ConfigError when the parts cannot be used.
    """

    address: str
    command: str = "M"
    crc: bool = True
    fields: tuple[str, ...]
    answer_within_s: float = 1.0
    ready_within_s: float = 30.0

    def __post_init__(self) -> None:
        if _ADDRESS.fullmatch(self.address) is None:
            raise ConfigError(f"address is {self.address!r}; expected one of 0-9, A-Z, a-z, in quotes")
        if _COMMAND.fullmatch(self.command) is None:
            raise ConfigError(f"command is {self.command!r}; expected M, M1 to M9, C, C1 to C9, or R0 to R9")
        if not self.field_names:
            raise ConfigError("fields names no value; expected a name for each value in order, '-' to skip one")
        if len(set(self.field_names)) != len(self.field_names):
            raise ConfigError(f"fields names a value twice: {', '.join(self.fields)}")
        if not 0 < self.answer_within_s <= 60:
            raise ConfigError(f"answer_within_s is {self.answer_within_s}; expected more than 0, at most 60 seconds")
        if not 0 <= self.ready_within_s <= 999:
            raise ConfigError(f"ready_within_s is {self.ready_within_s}; expected 0 to 999 seconds")

    @property
    def field_names(self) -> tuple[str, ...]:
        """Names of the values this question brings."""
        return tuple(name for name in self.fields if name != SKIPPED_FIELD)

    @property
    def first_command(self) -> bytes:
        """What is sent to the sensor first."""
        group = int(self.command[1:] or 0)
        if self.command[0] == "R":
            return read_continuous(self.address, group, crc=self.crc)
        return start_measurement(self.address, group, crc=self.crc, concurrent=self.command[0] == "C")

    def named(self, values: tuple[float, ...]) -> tuple[tuple[str, float], ...]:
        """The values under their names. Raises ProbeError when there are fewer than names."""
        self.check_count(len(values))
        return tuple((n, v) for n, v in zip(self.fields, values, strict=False) if n != SKIPPED_FIELD)

    def check_promise(self, promise: Promise) -> None:
        """Raises ProbeError when a promise is of too few values, or for a time that cannot be meant."""
        self.check_count(promise.count)
        if promise.ready_in_s > self.ready_within_s:
            raise ProbeError(
                f"sensor {self.address} says its values take {promise.ready_in_s} s, more than ready_within_s "
                f"({self.ready_within_s:g} s): damaged, or a slow sensor, for which that setting must be raised"
            )

    def check_count(self, count: int) -> None:
        """Raises ProbeError when `count` values are too few for the names."""
        if count < len(self.fields):
            raise ProbeError(
                f"sensor {self.address} gives {count} values to {self.first_command.decode()}, fields names "
                f"{len(self.fields)}"
            )


class Aborted(ProbeError):
    """The sensor answered with its address alone: it has no data, the measurement was broken off."""


@dataclass(frozen=True, slots=True)
class Promise:
    """The answer to a start of measurement: data in `ready_in_s` seconds (0…999), `count` values of them (0…99)."""

    address: str
    ready_in_s: int
    count: int


@dataclass(frozen=True, slots=True)
class Identity:
    """The answer to aI!. `version` is the SDI-12 version, such as "1.4"; texts are without padding."""

    address: str
    version: str
    maker: str
    model: str
    sensor_version: str
    extra: str


def crc_of(data: bytes) -> int:
    """16-bit CRC: start 0, reflected polynomial 0xA001, least significant bit first."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return crc


def crc_text(data: bytes) -> bytes:
    """The CRC as the three printable characters that stand at the end of an answer."""
    crc = crc_of(data)
    return bytes((0x40 | crc >> 12, 0x40 | (crc >> 6) & 0x3F, 0x40 | crc & 0x3F))


def acknowledge(address: str) -> bytes:
    """a! – is this sensor there?"""
    return _command(address, "")


def identify(address: str) -> bytes:
    """aI! – who are you?"""
    return _command(address, "I")


def start_measurement(address: str, group: int = 0, *, crc: bool = False, concurrent: bool = False) -> bytes:
    """aM!, aMC!, aC!, aCC!, and aM1!…aCC9! for a sensor's further groups of values (`group` 0…9)."""
    _check_digit("group", group)
    return _command(address, ("C" if concurrent else "M") + ("C" if crc else "") + (str(group) if group else ""))


def read_continuous(address: str, group: int = 0, *, crc: bool = False) -> bytes:
    """aR0!…aR9!, aRC0!…aRC9! – values of a sensor that measures all the time (`group` 0…9)."""
    _check_digit("group", group)
    return _command(address, f"R{'C' if crc else ''}{group}")


def send_data(address: str, page: int) -> bytes:
    """aD0!…aD9! – the values measured (`page` 0…9)."""
    _check_digit("page", page)
    return _command(address, f"D{page}")


def read_address(answer: bytes, address: str = ANY_ADDRESS) -> str:
    """The address in the answer to a! or ?!, or in a service request. Raises ProbeError for anything else."""
    rest, found = _addressed(answer, address)
    if rest:
        raise ProbeError(f"expected the address {found} alone, but more follows it ({rest})")
    return found


def read_promise(answer: bytes, address: str, *, concurrent: bool = False) -> Promise:
    """The answer to a start of measurement: atttn, or atttnn when concurrent. Raises ProbeError otherwise."""
    rest, found = _addressed(answer, address)
    digits = 5 if concurrent else 4
    if len(rest) != digits or not rest.isdigit():
        raise ProbeError(f"expected {digits} digits after the address {found}: seconds and count; got {rest!r}")
    return Promise(found, int(rest[:3]), int(rest[3:]))


def read_identity(answer: bytes, address: str = ANY_ADDRESS) -> Identity:
    """The answer to aI!. Raises ProbeError when it is too short, too long or holds no version."""
    rest, found = _addressed(answer, address)
    if not 19 <= len(rest) <= 32 or not rest[:2].isdigit():
        raise ProbeError(f"expected version, maker, model and sensor version in 19 to 32 characters; got {rest!r}")
    version, maker, model, sensor_version, extra = rest[:2], rest[2:10], rest[10:16], rest[16:19], rest[19:]
    return Identity(
        found, f"{version[0]}.{version[1]}", maker.strip(), model.strip(), sensor_version.strip(), extra.strip()
    )


def read_values(answer: bytes, address: str, *, crc: bool = False) -> tuple[float, ...]:
    """The values in the answer to aD0! or aR0!, at least one.

    `crc`: the measurement was started with a CRC, so the answer ends with one. Raises Aborted when the sensor has no
    data, ProbeError when the CRC is wrong, the sensor is another one or the text is not values.
    """
    if crc:
        answer = _without_crc(answer)
    rest, found = _addressed(answer, address)
    if not rest:
        raise Aborted(f"sensor {found} has no data: the measurement was broken off")
    values = []
    at = 0
    while at < len(rest):
        match = _VALUE.match(rest, at)
        if match is None:
            raise ProbeError(f"expected a signed number of 1 to {_MOST_DIGITS} digits at {rest[at:]!r}")
        text = match.group()
        if sum(character.isdigit() for character in text) > _MOST_DIGITS:
            raise ProbeError(f"{text} has more than {_MOST_DIGITS} digits")
        values.append(float(text))
        at = match.end()
    return tuple(values)


class Gathering:
    """Collects a promised number of values from as many aD…! answers as it takes."""

    def __init__(self, promise: Promise, *, crc: bool = False) -> None:
        self._promise = promise
        self._crc = crc
        self._page = 0
        self.values: tuple[float, ...] = ()

    @property
    def next_command(self) -> bytes | None:
        """What to send next; None when all values are in."""
        if len(self.values) >= self._promise.count:
            return None
        return send_data(self._promise.address, self._page)

    def take(self, answer: bytes) -> None:
        """Add one answer's values. Raises ProbeError and keeps what it had when the answer is none."""
        values = self.values + read_values(answer, self._promise.address, crc=self._crc)
        if len(values) > self._promise.count:
            raise ProbeError(f"sensor promised {self._promise.count} values and sent {len(values)}")
        if len(values) < self._promise.count and self._page + 1 == MOST_PAGES:
            raise ProbeError(f"sensor promised {self._promise.count} values and sent {len(values)} in ten answers")
        self.values = values
        self._page += 1


class AnswerFramer:
    """Cuts a stream of bytes into answers without their line end, the same however the stream was cut.

    Zero bytes, which a break leaves behind, and the echo of `command` are dropped in front of an answer.
    """

    def __init__(self, command: bytes = b"") -> None:
        self._command = command
        self._buffer = bytearray()
        self._skipping = False

    def feed(self, data: bytes) -> list[bytes | Refusal]:
        """Take bytes as they came. Never raises on their content; keeps no more than one longest answer."""
        longest = LONGEST_ANSWER + len(self._command)
        self._buffer += data
        found: list[bytes | Refusal] = []
        while True:
            end = self._buffer.find(_LINE_END, 0, longest + len(_LINE_END))
            if end >= 0:
                line = bytes(self._buffer[:end])
                del self._buffer[: end + len(_LINE_END)]
                if not self._skipping and line:
                    # Only in front: a zero byte inside an answer is damage, and dropping it would make a wrong number.
                    found.append(line.lstrip(b"\x00").removeprefix(self._command))
                self._skipping = False
            elif len(self._buffer) >= longest + len(_LINE_END):
                found.append(Refusal(f"no line end within {longest} bytes", bytes(self._buffer[:longest])))
                del self._buffer[:longest]
                self._skipping = True
            else:
                return found


def _command(address: str, body: str) -> bytes:
    if _ADDRESS.fullmatch(address) is None:
        raise ProbeError(f"SDI-12 address is {address!r}; expected one of 0-9, A-Z, a-z")
    return f"{address}{body}!".encode("ascii")


def _check_digit(name: str, value: int) -> None:
    if not 0 <= value <= 9:
        raise ProbeError(f"{name} is {value}; expected 0 to 9")


def _addressed(answer: bytes, address: str) -> tuple[str, str]:
    """What follows the address, and the address."""
    if not answer.isascii():
        raise ProbeError("bytes that are not ASCII; is the port set to 1200 7E1?")
    text = answer.decode("ascii")
    if not text:
        raise ProbeError("empty answer")
    if _ADDRESS.fullmatch(text[0]) is None:
        raise ProbeError(f"answer does not begin with an address ({text!r})")
    if address not in (ANY_ADDRESS, text[0]):
        raise ProbeError(f"sensor {text[0]} answered, expected sensor {address}")
    return text[1:], text[0]


def _without_crc(answer: bytes) -> bytes:
    body, given = answer[:-_CRC_LENGTH], answer[-_CRC_LENGTH:]
    if not body:
        raise ProbeError(f"answer is too short to hold a CRC ({answer!r})")
    expected = crc_text(body)
    if given != expected:
        raise ProbeError(f"CRC is {given!r}, expected {expected!r}: the answer was damaged on its way")
    return body
