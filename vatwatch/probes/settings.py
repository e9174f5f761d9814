"""What the reader of one port needs to know, already checked. No file is read here; `config` builds these."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, TypeAlias

from vatwatch.errors import ConfigError
from vatwatch.probes.lines import LineFormat
from vatwatch.probes.modbus import ModbusQuestion
from vatwatch.probes.sdi12 import Sdi12Question
from vatwatch.terms import Signal

# Every protocol adds its own kind of question to this union and one branch to `dialogues.exchange`.
Question: TypeAlias = LineFormat | Sdi12Question | ModbusQuestion

# What a sound instrument can say, broken electrode or not, in the signal's unit: wide enough never to hide a fault,
# narrow enough to tell swapped words from a number. Common practice, no source.
POSSIBLE: Final = {
    Signal.PH: (-2.0, 16.0),
    Signal.PH_MV: (-2000.0, 2000.0),
    Signal.ORP_MV: (-3000.0, 3000.0),
    Signal.TEMPERATURE_C: (-200.0, 850.0),
    Signal.PT100_OHM: (0.0, 1000.0),
}

_BYTESIZES = (5, 6, 7, 8)
_PARITIES = ("N", "E", "O", "M", "S")
_STOPBITS = (1, 1.5, 2)


@dataclass(frozen=True, slots=True)
class ProbeWiring:
    """Which number on a port is which probe of which vat.

    The sample's value is `number * scale + offset`, in the unit of `signal`. This turns a device's unit into
    ours (0.1 mV steps, °F); what a probe is off by belongs to its calibration.
    """

    probe: str
    vat: str
    field: str
    signal: Signal
    scale: float = 1.0
    offset: float = 0.0

    def __post_init__(self) -> None:
        if not math.isfinite(self.scale) or self.scale == 0:
            raise ConfigError(f"probe {self.probe}: scale is {self.scale}; expected a number other than 0")
        if not math.isfinite(self.offset):
            raise ConfigError(f"probe {self.probe}: offset is {self.offset}; expected a number")


def plausible_numbers(wirings: tuple[ProbeWiring, ...], field: str) -> tuple[float, float] | None:
    """Least and greatest number on the port that the probes called `field` could mean; None when there is none."""
    spans = []
    for wiring in wirings:
        if wiring.field == field:
            spans.append(sorted((edge - wiring.offset) / wiring.scale for edge in POSSIBLE[wiring.signal]))
    return (max(low for low, _ in spans), min(high for _, high in spans)) if spans else None


@dataclass(frozen=True, slots=True, kw_only=True)
class PortSettings:
    """One serial port: how to open it, what to ask on it, and where the numbers go.

    All questions are of one protocol. Either every question is asked, each once per `ask_every_s` (seconds, above 0),
    or none is and the port is listened to. `silent_after_s` (seconds, above 0) is how long a probe may say nothing
    before that is an alarm; the reader itself does not judge it. Raises ConfigError when the parts do not fit together.
    """

    port: str
    device: str
    baud: int = 9600
    bytesize: int = 8
    parity: str = "N"
    stopbits: float = 1
    questions: tuple[Question, ...]
    ask_every_s: float = 5.0
    silent_after_s: float
    probes: tuple[ProbeWiring, ...]

    def __post_init__(self) -> None:
        self._check_line()
        if not self.questions:
            raise ConfigError(f"port {self.port}: no line format is given; expected at least one")
        if len({type(question) for question in self.questions}) > 1:
            raise ConfigError(f"port {self.port}: questions of several protocols; expected one kind on one port")
        asked = [not isinstance(question, LineFormat) or question.ask is not None for question in self.questions]
        if any(asked) and not all(asked):
            raise ConfigError(
                f"port {self.port}: some lines are asked for, others come unasked; expected one or the other"
            )
        given = [name for question in self.questions for name in question.field_names]
        if all(asked):
            twice = sorted({name for name in given if given.count(name) > 1})
            if twice:
                raise ConfigError(
                    f"port {self.port}: field '{twice[0]}' is given by two questions; expected different names"
                )
        elif len({line.terminator for line in self.unasked_lines}) > 1:
            raise ConfigError(f"port {self.port}: lines that come unasked must share one terminator")
        for wiring in self.probes:
            if wiring.field not in given:
                raise ConfigError(
                    f"probe {wiring.probe}: field is {wiring.field!r}, which port {self.port} does not give; "
                    f"expected one of {', '.join(sorted(set(given)))}"
                )

    @property
    def asks(self) -> bool:
        """Whether the device is asked; otherwise it sends by itself."""
        return not self.unasked_lines

    @property
    def unasked_lines(self) -> tuple[LineFormat, ...]:
        """The kinds of line that come by themselves."""
        return tuple(q for q in self.questions if isinstance(q, LineFormat) and q.ask is None)

    @property
    def is_text(self) -> bool:
        """Whether everything on this line is meant to be printable, so that other bytes tell of a wrong speed."""
        return not any(isinstance(question, ModbusQuestion) for question in self.questions)

    @property
    def wire(self) -> str:
        """Speed and framing in the usual short form, such as "9600 8N1"."""
        return f"{self.baud} {self.bytesize}{self.parity}{self.stopbits:g}"

    def _check_line(self) -> None:
        if not self.device:
            raise ConfigError(f"port {self.port}: device is empty; expected one like /dev/serial/by-id/…")
        if not 50 <= self.baud <= 4_000_000:
            raise ConfigError(f"port {self.port}: baud is {self.baud}; expected 50 to 4000000")
        if self.bytesize not in _BYTESIZES:
            raise ConfigError(f"port {self.port}: bytesize is {self.bytesize}; expected 5 to 8")
        if self.parity not in _PARITIES:
            raise ConfigError(f"port {self.port}: parity is {self.parity!r}; expected N, E, O, M or S")
        if self.stopbits not in _STOPBITS:
            raise ConfigError(f"port {self.port}: stopbits is {self.stopbits}; expected 1, 1.5 or 2")
        for name, seconds in (("ask_every_s", self.ask_every_s), ("silent_after_s", self.silent_after_s)):
            if not (math.isfinite(seconds) and seconds > 0):
                raise ConfigError(f"port {self.port}: {name} is {seconds}; expected seconds above 0")
