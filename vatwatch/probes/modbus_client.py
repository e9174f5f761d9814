"""Asks Modbus RTU units for registers through the `minimalmodbus` library, over any link.

The library makes and checks frames; this module lends it the link in the shape of a port, and turns its complaints
into one line each. It opens no port and does not retry: the reader asks again in its next round.
Source of framing and times: Modbus Organization, "MODBUS over Serial Line Specification and Implementation Guide
V1.02" (2006), section 2.5.
"""

from __future__ import annotations

import time
from typing import Final

import minimalmodbus

from vatwatch.errors import ProbeError
from vatwatch.probes.lines import Refusal
from vatwatch.probes.link import LOOK_UP_S, Heard, Link, Pace, Stopped
from vatwatch.probes.modbus import ModbusQuestion, reading_of

_EXCEPTION_BIT: Final = 0x80
_EXCEPTION_LENGTH: Final = 5


class NoAnswer(ProbeError):
    """Nothing came back from the unit."""


class UnitRefuses(ProbeError):
    """The unit answered with an exception: it is there, and cannot give what was asked for."""


class _Port:
    """A link in the shape in which the library wants a serial port; for one request and its answer."""

    is_open = True
    port: Final = None
    timeout: Final = None

    def __init__(self, link: Link, pace: Pace, patience_s: float) -> None:
        self._link = link
        self._pace = pace
        self._patience_s = patience_s
        self._request = b""
        self.answer = b""
        self.answered_ms = 0

    @property
    def baudrate(self) -> int:
        return self._link.baud

    def open(self) -> None:
        """The link is open already."""

    def close(self) -> None:
        """Whoever opened the link closes it."""

    def flush(self) -> None:
        """The link keeps nothing back."""

    def reset_input_buffer(self) -> None:
        self._link.discard_input()

    def reset_output_buffer(self) -> None:
        """The link keeps nothing back."""

    def write(self, data: bytes) -> None:
        self._request = data
        self._link.write(data)

    def read(self, count: int) -> bytes:
        """The answer: `count` bytes, fewer when an exception is shorter or the time is up. Our own echo is dropped."""
        got = b""
        deadline = time.monotonic() + self._patience_s
        while not self._complete(got, count) and (left := deadline - time.monotonic()) > 0:
            if not self._pace.keep_going():
                raise Stopped
            data = self._link.read(min(left, LOOK_UP_S))
            if data:
                self.answered_ms = self._pace.clock_ms()
            # Two-wire adapters hear themselves. An answer can never begin with a whole request: its checksum differs.
            got = (got + data).removeprefix(self._request)
        self.answer = got[:count]
        return self.answer

    def _complete(self, got: bytes, count: int) -> bool:
        if len(got) >= len(self._request) or not self._request.startswith(got):
            is_exception = len(got) > 1 and got[1] == self._request[1] | _EXCEPTION_BIT
            return len(got) >= (_EXCEPTION_LENGTH if is_exception else count)
        return False


def ask_for_number(link: Link, question: ModbusQuestion, pace: Pace) -> Heard | None:
    """Ask one unit for one number. None when `pace` ended the wait; PortError when the port is lost.

    An answer in Modbus does not say which register it belongs to: after a silence let a late one pass (`quieten`).
    """
    port = _Port(link, pace, pace.patience_s(question.answer_within_s))
    try:
        words = _registers(port, question.unit, question.function, question.address, question.type.registers)
    except Stopped:
        return None
    except (NoAnswer, UnitRefuses) as error:
        return Heard(pace.clock_ms(), silence=str(error))
    except ProbeError as error:
        return Heard(pace.clock_ms(), (), (Refusal(str(error), port.answer),), str(error))
    try:
        value = reading_of(question, words)
    except ProbeError as error:
        return Heard(port.answered_ms, (), (Refusal(f"{question.field}: {error}", port.answer),))
    return Heard(port.answered_ms, ((question.field, value),))


def read_registers(
    link: Link, pace: Pace, unit: int, function: int, address: int, count: int, answer_within_s: float
) -> tuple[int, ...]:
    """`count` registers (1…125) of one unit, from zero-based `address` on.

    Raises NoAnswer, UnitRefuses, ProbeError for a damaged answer, PortError when the port is lost, and Stopped.
    """
    return _registers(_Port(link, pace, pace.patience_s(answer_within_s)), unit, function, address, count)


def _registers(port: _Port, unit: int, function: int, address: int, count: int) -> tuple[int, ...]:
    try:
        words = minimalmodbus.Instrument(port, unit).read_registers(address, count, function)
    except minimalmodbus.NoResponseError as error:
        raise NoAnswer(f"unit {unit} does not answer (function {function}, address {address})") from error
    except minimalmodbus.SlaveReportedException as error:
        said = str(error).removeprefix("Slave reported ")
        raise UnitRefuses(
            f"unit {unit} refuses function {function} at address {address}: {said}{_what_to_do(error)}"
        ) from error
    except minimalmodbus.ModbusException as error:
        raise ProbeError(_why_refused(port.answer, unit, function, _expected_length(count))) from error
    return tuple(words)


def _expected_length(count: int) -> int:
    return 5 + 2 * count


def _what_to_do(error: minimalmodbus.SlaveReportedException) -> str:
    said = str(error)
    if "illegal data address" in said:
        return "; compare the register with the data sheet (40001 and 30001 are address 0)"
    if "illegal function" in said:
        return "; try the other function (3 or 4)"
    return ""


def _why_refused(answer: bytes, unit: int, function: int, expected: int) -> str:
    begins_well = answer[:1] == bytes([unit]) and answer[1:2] in (
        bytes([function]),
        bytes([function | _EXCEPTION_BIT]),
    )
    if not begins_well:
        return (
            f"answer does not begin with unit {unit} and function {function}; noise, two units with one number, "
            "or a wrong baud rate or parity"
        )
    if len(answer) < expected and not answer[1] & _EXCEPTION_BIT:
        return f"answer of unit {unit} broke off after {len(answer)} of {expected} bytes"
    return f"answer of unit {unit} is damaged (checksum or length is wrong)"
