"""`vatwatch ports`: looks at every serial adapter, says what it hears, and writes the tables for the settings file.

What is heard goes to one place and the tables to another, so that the tables alone can be put into the file. They are
whole as they stand; where only a person can know, a comment says DECIDE. It changes no file and no device.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from vatwatch.chemistry.electrodes import ReferenceElectrode
from vatwatch.config import load_config
from vatwatch.errors import ConfigError, PortError, VatwatchError
from vatwatch.probes.inference import Guess
from vatwatch.probes.lines import LineFormat
from vatwatch.probes.modbus import ModbusQuestion
from vatwatch.probes.sdi12 import Sdi12Question
from vatwatch.probes.serial_port import adapters
from vatwatch.probes.settings import Question
from vatwatch.probes.survey import Found, shown_wire, survey
from vatwatch.records import Signal

NO_VAT = "my-vat"
LIKELY_REFERENCE = ReferenceElectrode("agcl_3m_kcl")


def look_at_ports(
    devices: Sequence[str], vat: str | None, config: Path, listen_s: float, ask: bool, tell: Callable[[str], None]
) -> Iterator[str]:
    """The tables of each port on which something was recognised, one port after the other.

    `devices` are the ports to look at, all adapters when empty; `vat` is the vat to write into the tables, the first
    of `config` when None. `tell` gets one line at a time. Raises VatwatchError when there is no port, or nothing is
    recognised on any.
    """
    known_vats, known_ports = _known(config)
    chosen = list(devices) or adapters()
    if not chosen:
        raise VatwatchError(
            "no serial adapter is plugged in; plug it in, or name a port yourself with --device /dev/ttyUSB0"
        )
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
            yield "\n".join(tables(found, f"port-{number}", vat or (known_vats or [NO_VAT])[0]))
    if not number:
        raise VatwatchError("nothing was recognised on any port; what was heard is told above, port by port")


def _known(config: Path) -> tuple[list[str], set[str]]:
    """Vats and ports of the settings file; none when there is no file, or not yet a good one."""
    try:
        settings = load_config(config)
    except ConfigError:
        return [], set()
    return list(settings.vat), set(settings.port)


def tables(found: Found, port: str, vat: str) -> Iterator[str]:
    """The settings file's tables for one port and its probes, line by line."""
    baud, bytesize, parity = found.wire
    yield f"# {found.kind} at {shown_wire(found.wire)}"
    yield f"[port.{port}]"
    yield f"device = {_quoted(found.device)}"
    yield f"baud = {baud}"
    if found.kind == "SDI-12" or (bytesize, parity) != (8, "N"):
        yield f"bytesize = {bytesize}"
        yield f"parity = {_quoted(parity)}"
    yield ""
    for question in found.questions:
        yield from _question_table(port, question)
        yield ""
    for guess in found.guesses:
        yield from _probe_table(port, vat, guess)
        yield ""


def _question_table(port: str, question: Question) -> Iterator[str]:
    match question:
        case LineFormat():
            yield f"[[port.{port}.line]]"
            if question.ask is not None:
                yield f"ask = {_quoted(question.ask.decode('latin-1'))}"
            yield f"terminator = {_quoted(question.terminator.decode('latin-1'))}"
            if question.pattern is not None:
                yield f"pattern = {_quoted(question.pattern)}"
            else:
                if question.delimiter is not None:
                    yield f"delimiter = {_quoted(question.delimiter)}"
                yield f"fields = {_listed(question.fields)}"
        case Sdi12Question():
            yield f"[[port.{port}.sdi12]]"
            yield f"address = {_quoted(question.address)}"
            yield f"command = {_quoted(question.command)}"
            yield f"crc = {'true' if question.crc else 'false'}"
            yield f"fields = {_listed(question.fields)}"
        case ModbusQuestion():
            yield f"[[port.{port}.modbus]]"
            yield f"field = {_quoted(question.field)}"
            yield f"unit = {question.unit}"
            yield f"register_address = {question.address}"
            yield f"function = {question.function}"
            yield f"type = {_quoted(question.type.value)}"
            if question.type.registers == 2:
                yield f"word_order = {_quoted(question.order.value)}"
            if question.scale != 1:
                yield f"scale = {question.scale!r}  # DECIDE: the data sheet says how many decimals are meant"


def _probe_table(port: str, vat: str, guess: Guess) -> Iterator[str]:
    others = ", ".join(signal.value for signal in Signal if signal is not guess.signal)
    yield f"[probe.{port}-{guess.field.replace('_', '-').lower()}]"
    yield f"vat = {_quoted(vat)}  # DECIDE: the vat it stands in"
    yield f"port = {_quoted(port)}"
    yield f"field = {_quoted(guess.field)}"
    yield f"signal = {_quoted(guess.signal.value)}  # DECIDE: guessed, it gave {guess.example:g}; or one of {others}"
    if guess.signal is Signal.ORP_MV:
        electrodes = ", ".join(electrode.value for electrode in ReferenceElectrode)
        yield f"reference = {_quoted(LIKELY_REFERENCE.value)}  # DECIDE: printed on the electrode; one of {electrodes}"


def _quoted(text: str) -> str:
    """A TOML string: literal where that is easier to read, else basic, whose escapes are those of JSON."""
    if "\\" in text and "'" not in text and text.isprintable():
        return f"'{text}'"
    return json.dumps(text)


def _listed(names: tuple[str, ...]) -> str:
    return f"[{', '.join(_quoted(name) for name in names)}]"
