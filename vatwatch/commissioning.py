"""`vatwatch ports`: looks at every serial adapter, says what it hears, and writes the tables for the settings file.

What is heard goes to one place and the tables to another, so that the tables alone can be put into the file. They are
whole as they stand; where only a person can know, a comment says DECIDE. It changes no file and no device.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from vatwatch.chemistry.electrodes import ReferenceElectrode
from vatwatch.config import Config, load_config
from vatwatch.errors import ConfigError, PortError, VatwatchError
from vatwatch.probes.inference import Guess
from vatwatch.probes.lines import LineFormat
from vatwatch.probes.modbus import ModbusQuestion
from vatwatch.probes.sdi12 import Sdi12Question
from vatwatch.probes.serial_port import adapters
from vatwatch.probes.settings import Question
from vatwatch.probes.survey import Found, shown_wire, survey
from vatwatch.terms import Quantity, Signal

NO_VAT = "my-vat"
LIKELY_REFERENCE = ReferenceElectrode("agcl_3m_kcl")


def look_at_ports(
    devices: Sequence[str],
    vats: Sequence[str],
    config: Path,
    listen_s: float,
    ask: bool,
    tell: Callable[[str], None],
) -> Iterator[str]:
    """The tables of each port on which something was recognised, one port after the other.

    `devices` are the ports to look at, all adapters when empty; `vats` the vats to write into the tables, those of
    `config` when empty. `tell` gets one line at a time. Raises VatwatchError when there is no port, or nothing is
    recognised on any.
    """
    chosen = list(devices) or adapters()
    if not chosen:
        raise VatwatchError(
            "no serial adapter is plugged in; plug it in, or name a port yourself with --device /dev/ttyUSB0"
        )
    known = _known(config)
    known_ports = set(known.port) if known is not None else set()
    room = Room(vats, known)
    number = 0
    for device in chosen:
        tell(device)
        try:
            found = survey(device, listen_s, ask, lambda line: tell(f"  {line}"))
        except PortError as error:
            tell(f"  {error}")
            continue
        if found is not None:
            number += 1
            while f"port-{number}" in known_ports:
                number += 1
            yield "\n".join(tables(found, f"port-{number}", room))
    if not number:
        raise VatwatchError("nothing was recognised on any port; what was heard is told above, port by port")


def _known(config: Path) -> Config | None:
    """The settings file as it is; None when there is none, or not yet a good one."""
    try:
        return load_config(config)
    except ConfigError:
        return None


class Room:
    """Which vats still have room for a pH or an ORP probe: the settings allow one of each to a vat."""

    def __init__(self, vats: Sequence[str], config: Config | None) -> None:
        self._vats = list(vats) or ([NO_VAT] if config is None else list(config.vat))
        self._endless = not vats and config is None
        probes = config.probe.values() if config is not None else ()
        self._taken = {(probe.vat, probe.signal.quantity) for probe in probes}

    def vat_for(self, quantities: set[Quantity]) -> str | None:
        """A vat that can take all of these, from now on taken; None when there is none."""
        single = quantities - {Quantity.TEMPERATURE}
        if self._endless:
            self._vats.append(f"{NO_VAT}-{len(self._vats) + 1}")
        for vat in self._vats:
            if not any((vat, quantity) in self._taken for quantity in single):
                self._taken |= {(vat, quantity) for quantity in single}
                return vat
        return None


def tables(found: Found, port: str, room: Room) -> Iterator[str]:
    """The settings file's tables for one port and its probes, line by line. Probes without a vat are commented out."""
    yield from port_table(found, port)
    for instrument in dict.fromkeys(guess.instrument for guess in found.guesses):
        own = [guess for guess in found.guesses if guess.instrument == instrument]
        vat = room.vat_for({guess.signal.quantity for guess in own})
        if vat is None:
            yield "# No vat has room for these; make a [vat.NAME] table for them, then take off the '# '."
        for guess in own:
            for line in _probe_table(port, vat or NO_VAT, guess):
                yield line if vat is not None else f"# {line}"
            yield ""


def port_table(found: Found, port: str) -> Iterator[str]:
    """The table of the port alone, with the questions asked on it."""
    baud, bytesize, parity = found.wire
    yield f"# {found.kind} at {shown_wire(found.wire)}"
    yield f"[port.{port}]"
    yield f"device = {quoted(found.device)}"
    yield f"baud = {baud}"
    if found.kind == "SDI-12" or (bytesize, parity) != (8, "N"):
        yield f"bytesize = {bytesize}"
        yield f"parity = {quoted(parity)}"
    yield ""
    for question in found.questions:
        yield from _question_table(port, question)
        yield ""


def _question_table(port: str, question: Question) -> Iterator[str]:
    match question:
        case LineFormat():
            yield f"[[port.{port}.line]]"
            if question.ask is not None:
                yield f"ask = {quoted(question.ask.decode('latin-1'))}"
            yield f"terminator = {quoted(question.terminator.decode('latin-1'))}"
            if question.pattern is not None:
                yield f"pattern = {quoted(question.pattern)}"
            else:
                if question.delimiter is not None:
                    yield f"delimiter = {quoted(question.delimiter)}"
                yield f"fields = {_listed(question.fields)}"
        case Sdi12Question():
            yield f"[[port.{port}.sdi12]]"
            yield f"address = {quoted(question.address)}"
            yield f"command = {quoted(question.command)}"
            yield f"crc = {'true' if question.crc else 'false'}"
            yield f"fields = {_listed(question.fields)}"
        case ModbusQuestion():
            yield f"[[port.{port}.modbus]]"
            yield f"field = {quoted(question.field)}"
            yield f"unit = {question.unit}"
            yield f"register_address = {question.address}"
            yield f"function = {question.function}"
            yield f"type = {quoted(question.type.value)}"
            if question.type.registers == 2:
                yield f"word_order = {quoted(question.order.value)}"
            if question.scale != 1:
                yield f"scale = {question.scale!r}  # DECIDE: the data sheet says how many decimals are meant"


def _probe_table(port: str, vat: str, guess: Guess) -> Iterator[str]:
    others = ", ".join(signal.value for signal in Signal if signal is not guess.signal)
    yield f"[probe.{port}-{guess.field.replace('_', '-').lower()}]"
    yield f"vat = {quoted(vat)}  # DECIDE: the vat it stands in"
    yield f"port = {quoted(port)}"
    yield f"field = {quoted(guess.field)}"
    yield f"signal = {quoted(guess.signal.value)}  # DECIDE: guessed, it gave {guess.example:g}; or one of {others}"
    if guess.signal is Signal.ORP_MV:
        electrodes = ", ".join(electrode.value for electrode in ReferenceElectrode)
        yield f"reference = {quoted(LIKELY_REFERENCE.value)}  # DECIDE: printed on the electrode; one of {electrodes}"


def quoted(text: str) -> str:
    """A TOML string: literal where that is easier to read, else basic, whose escapes are those of JSON."""
    if "\\" in text and "'" not in text and text.isprintable():
        return f"'{text}'"
    return json.dumps(text)


def _listed(names: tuple[str, ...]) -> str:
    return f"[{', '.join(quoted(name) for name in names)}]"
