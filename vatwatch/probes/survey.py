"""Finds out what hangs on a serial port: listens first, then asks gently, and says what it hears on the way.

For commissioning only. It writes nothing that changes a device: SDI-12 addresses, identities and measurements, Modbus
reads; text questions only when it is told to. Which vat a probe stands in it cannot know.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from vatwatch.errors import PortError, ProbeError
from vatwatch.probes import sdi12
from vatwatch.probes.garble import printable
from vatwatch.probes.inference import Guess, line_format, lines_in, modbus_questions, name_values
from vatwatch.probes.lines import LineFormat
from vatwatch.probes.link import Pace
from vatwatch.probes.modbus_client import NoAnswer, UnitRefuses, read_registers
from vatwatch.probes.sdi12_recorder import Conversation, Unanswered, measure
from vatwatch.probes.serial_port import SerialLink
from vatwatch.probes.settings import PortSettings, Question

LISTEN_BAUDS: Final = (9600, 115200, 19200, 38400, 57600, 4800, 2400, 1200)
ASK_BAUDS: Final = (9600, 115200, 19200)
SDI12_WIRES: Final = ((1200, 7, "E"), (9600, 8, "N"))
MODBUS_WIRES: Final = ((9600, 8, "N"), (19200, 8, "E"), (19200, 8, "N"), (115200, 8, "N"), (4800, 8, "N"))
MODBUS_UNITS: Final = (1, 2, 3, 4, 5, 10)
MODBUS_BLOCKS: Final = (16, 12, 8, 6, 4, 3, 2, 1)
# The last three are queries of SCPI-1999 (IVI Foundation), an open standard; the others common practice, no source.
ASK_WITH: Final = (b"\r", b"R\r", b"?\r", b"READ?\r\n", b"FETC?\r\n", b"MEAS?\r\n")
_ENOUGH_LINES: Final = 4
_ENOUGH_BYTES: Final = 2048
_TEXT_ANSWER_S: Final = 0.6
_UNIT_ANSWER_S: Final = 0.25
_PACE: Final = Pace(lambda: int(time.time() * 1000), lambda: True)

Tell = Callable[[str], None]
Wire = tuple[int, int, str]


@dataclass(frozen=True, slots=True)
class Found:
    """What answers on a port, and how to ask it; `guesses` say what its numbers may be."""

    device: str
    kind: str
    wire: Wire
    questions: tuple[Question, ...]
    guesses: tuple[Guess, ...]


def survey(device: str, listen_s: float, ask: bool, tell: Tell) -> Found | None:
    """What is on this port, or None. `listen_s` is how long to listen before asking; `ask` allows text questions.

    `tell` gets one plain line at a time. Raises PortError when the port cannot be used.
    """
    found, talks = _listen(device, listen_s, tell)
    if found is None and not talks:
        found = _try_sdi12(device, tell) or _try_modbus(device, tell)
        if found is None and ask:
            found = _try_text(device, tell)
        elif found is None:
            tell("nothing answers SDI-12 or Modbus; a device that waits for a text question is found with --ask")
    return found


def _open(device: str, wire: Wire) -> SerialLink:
    baud, bytesize, parity = wire
    unread = (LineFormat(fields=("x",)),)
    return SerialLink(
        PortSettings(
            port="survey", device=device, baud=baud, bytesize=bytesize, parity=parity, questions=unread,
            silent_after_s=1, probes=(),
        )
    )  # fmt: skip


def shown_wire(wire: Wire) -> str:
    """Such as "9600 8N1"."""
    return f"{wire[0]} {wire[1]}{wire[2]}1"


def _hear(link: SerialLink, within_s: float, lines: int = _ENOUGH_LINES) -> bytes:
    data = b""
    until = time.monotonic() + within_s
    while (left := until - time.monotonic()) > 0 and len(data) < _ENOUGH_BYTES:
        data += link.read(min(left, 0.25))
        if data.count(b"\n") + data.count(b"\r") > 2 * lines:
            break
    return data


def _listen(device: str, listen_s: float, tell: Tell) -> tuple[Found | None, bool]:
    """What the device says by itself, and whether it says anything."""
    heard = b""
    for baud in LISTEN_BAUDS:
        wire = (baud, 8, "N")
        with _open(device, wire) as link:
            heard = _hear(link, listen_s)
        if not heard:
            tell(f"silent for {listen_s:g} s: it sends nothing by itself")
            return None, False
        terminator, lines = lines_in(heard)
        if not lines:
            tell(f"{shown_wire(wire)}: {len(heard)} bytes that are not lines of text, such as {printable(heard[-40:])}")
            continue
        tell(f"{shown_wire(wire)}: sends lines by itself, such as {printable(lines[0].encode())}")
        return _found_lines(device, wire, lines, terminator, None, tell), True
    tell("it sends by itself, but at none of the usual speeds are these lines of text; take its speed from its manual")
    return None, True


def _found_lines(
    device: str, wire: Wire, lines: list[str], terminator: str, ask: bytes | None, tell: Tell
) -> Found | None:
    built = line_format(lines, terminator, ask)
    if built is None:
        tell("no number in these lines looks like a pH, a redox potential or a temperature of a vat")
        return None
    fmt, guesses = built
    _tell_meaning(guesses, tell)
    return Found(device, "ASCII lines", wire, (fmt,), guesses)


def _tell_meaning(guesses: tuple[Guess, ...], tell: Tell) -> None:
    tell("  which may mean " + ", ".join(f"{guess.field} {guess.example:g}" for guess in guesses))


def _try_sdi12(device: str, tell: Tell) -> Found | None:
    for wire in SDI12_WIRES:
        try:
            link = _open(device, wire)
        except PortError as error:
            tell(f"SDI-12 at {shown_wire(wire)}: {error}")
            continue
        with link:
            addresses = _sdi12_addresses(link)
            questions: list[Question] = []
            guesses: list[Guess] = []
            for address in addresses:
                question, guessed = _sdi12_sensor(link, address, len(addresses) > 1, shown_wire(wire), tell)
                if question is not None:
                    questions.append(question)
                    guesses += guessed
        if questions:
            return Found(device, "SDI-12", wire, tuple(questions), tuple(guesses))
    return None


def _sdi12_addresses(link: SerialLink) -> list[str]:
    talk = Conversation(link, _PACE, _TEXT_ANSWER_S, tries=2)
    try:
        return [talk.ask(sdi12.ASK_FOR_ADDRESS, sdi12.read_address)]
    except Unanswered:
        if not talk.refusals:
            return []
    # Several sensors answering at once make rubbish: ask for each.
    found = []
    for address in "0123456789":
        try:
            talk = Conversation(link, _PACE, _TEXT_ANSWER_S, tries=1)
            if talk.ask(sdi12.acknowledge(address), sdi12.read_address) == address:
                found.append(address)
        except Unanswered:
            continue
    return found


def _sdi12_sensor(
    link: SerialLink, address: str, several: bool, wire: str, tell: Tell
) -> tuple[sdi12.Sdi12Question | None, tuple[Guess, ...]]:
    def talk() -> Conversation:
        return Conversation(link, _PACE, _TEXT_ANSWER_S, tries=2)

    def promise_in(answer: bytes) -> sdi12.Promise:
        return sdi12.read_promise(answer, address)

    try:
        who = talk().ask(sdi12.identify(address), sdi12.read_identity)
        tell(
            f"SDI-12 at {wire}: sensor {address} is {who.maker} {who.model} {who.sensor_version}, SDI-12 {who.version}"
        )
    except ProbeError:
        tell(f"SDI-12 at {wire}: sensor {address} answers, but not to who it is")
    for crc in (True, False):
        try:
            command = sdi12.start_measurement(address, crc=crc)
            promise = talk().ask(command, promise_in)
            unnamed = tuple(f"value{number}" for number in range(1, promise.count + 1))
            if not unnamed:
                continue
            heard = measure(link, sdi12.Sdi12Question(address=address, crc=crc, fields=unnamed), _PACE)
        except ProbeError:
            continue
        if heard is None or not heard.values:
            continue
        numbers = [value for _, value in heard.values]
        tell(f"  measures {', '.join(f'{number:g}' for number in numbers)}" + ("" if crc else ", without a checksum"))
        fields, guesses = name_values(numbers)
        if not guesses:
            tell("  none of which looks like a pH, a redox potential or a temperature of a vat")
            return None, ()
        if several:
            fields = tuple(f if f == "-" else f"sensor{address}_{f}" for f in fields)
            guesses = tuple(
                Guess(f"sensor{address}_{g.field}", g.signal, g.example, f"sensor{address}") for g in guesses
            )
        _tell_meaning(guesses, tell)
        return sdi12.Sdi12Question(address=address, crc=crc, fields=fields), guesses
    tell("  but gives no values to a measurement")
    return None, ()


def _try_modbus(device: str, tell: Tell) -> Found | None:
    for wire in MODBUS_WIRES:
        try:
            link = _open(device, wire)
        except PortError as error:
            tell(f"Modbus at {shown_wire(wire)}: {error}")
            continue
        questions: list[Question] = []
        guesses: list[Guess] = []
        with link:
            for unit in MODBUS_UNITS:
                asked, guessed = _modbus_unit(link, unit, shown_wire(wire), tell)
                questions += asked
                guesses += guessed
        if questions:
            return Found(device, "Modbus RTU", wire, tuple(questions), tuple(guesses))
    return None


def _modbus_unit(link: SerialLink, unit: int, wire: str, tell: Tell) -> tuple[tuple[Question, ...], tuple[Guess, ...]]:
    there = False
    for function in (3, 4):
        for count in MODBUS_BLOCKS:
            try:
                words = read_registers(link, _PACE, unit, function, 0, count, _UNIT_ANSWER_S)
            except UnitRefuses:
                there = True
                continue
            except ProbeError as error:
                if isinstance(error, NoAnswer) and not there:
                    return (), ()
                tell(f"Modbus at {wire}: {error}")
                break
            there = True
            listed = " ".join(f"{word:04X}" for word in words)
            tell(f"Modbus at {wire}: unit {unit}, function {function}, registers from address 0: {listed}")
            questions, guesses = modbus_questions(unit, function, words)
            if questions:
                _tell_meaning(guesses, tell)
                return questions, guesses
            tell("  none of which looks like a pH, a redox potential or a temperature of a vat")
            break
    if there:
        tell(f"Modbus at {wire}: unit {unit} is there; its data sheet says which registers hold its values")
    return (), ()


def _try_text(device: str, tell: Tell) -> Found | None:
    for baud in ASK_BAUDS:
        wire = (baud, 8, "N")
        with _open(device, wire) as link:
            for question in ASK_WITH:
                link.discard_input()
                link.write(question)
                terminator, lines = lines_in(_hear(link, _TEXT_ANSWER_S, 1), mid_line=False)
                if not lines:
                    continue
                tell(f"{shown_wire(wire)}: answers {printable(question)} by {printable(lines[-1].encode())}")
                found = _found_lines(device, wire, lines[-1:], terminator, question, tell)
                if found is not None:
                    return found
    tell("nothing answers the common text questions either; its manual says what it wants to be asked")
    return None
