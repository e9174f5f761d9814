"""Meters that put the probes of one vat on a serial line as ASCII. Bytes in, bytes out; no port, no clock.

Two ways of talking: a line every so often (`pH=10.84;ORP=-612.4;T=41.27` CR LF), or a line when asked
(`R` CR is answered by `10.84,-612.4,41.27` CR).
"""

from __future__ import annotations

import random
from abc import ABC, abstractmethod
from dataclasses import dataclass, field

from vatwatch.errors import VatwatchError
from vatwatch.rehearsal.electrodes import ProbeSet
from vatwatch.rehearsal.liquor import SimulatedVat

LONGEST_QUESTION = 64


@dataclass(slots=True)
class LineNoise:
    """Breaks a seeded share (0–1) of the frames: cut short, glued to the next, or with garbage bytes in them."""

    share: float
    seed: int | str = 0
    broken: int = 0
    _rng: random.Random = field(init=False)

    def __post_init__(self) -> None:
        if not 0.0 <= self.share <= 1.0:
            raise VatwatchError(f"share of broken frames is {self.share}; expected 0 to 1")
        self._rng = random.Random(self.seed)

    def spoil(self, frame: bytes) -> bytes:
        """The frame as it arrives."""
        if self._rng.random() >= self.share:
            return frame
        self.broken += 1
        way = self._rng.randrange(3)
        if way == 0:
            return frame[: self._rng.randrange(1, len(frame))]
        if way == 1:
            return frame.rstrip(b"\r\n")
        place = self._rng.randrange(len(frame))
        return frame[:place] + self._rng.randbytes(self._rng.randrange(1, 6)) + frame[place:]


class Instrument(ABC):
    """One meter on one vat. `interval_ms` is None for a meter that only speaks when asked."""

    def __init__(
        self, vat: SimulatedVat, probes: ProbeSet, interval_ms: int | None, noise: LineNoise | None = None
    ) -> None:
        if interval_ms is not None and interval_ms <= 0:
            raise VatwatchError(f"interval_ms is {interval_ms}; expected more than 0, or None")
        self.vat = vat
        self.probes = probes
        self.interval_ms = interval_ms
        self.noise = noise
        self.frames = 0

    def _frame(self, text: str) -> bytes:
        frame = text.encode("ascii")
        self.frames += 1
        return self.noise.spoil(frame) if self.noise is not None else frame

    def _numbers(self, time_ms: int) -> tuple[float, float, float]:
        self.vat.advance(time_ms)
        return self.probes.read(time_ms, self.vat.truth())

    @abstractmethod
    def speak(self, time_ms: int) -> bytes:
        """What the meter sends of its own accord at this time; empty when it waits to be asked."""

    @abstractmethod
    def hear(self, data: bytes, time_ms: int) -> bytes:
        """Takes bytes from the line and gives back what the meter answers to them."""

    def forget(self) -> None:  # noqa: B027 - one that is never asked has nothing to forget
        """Drops a half-heard question, as after a pulled cable."""


class FreeRunning(Instrument):
    """Sends `pH=10.84;ORP=-612.4;T=41.27` CR LF every `interval_ms`, and takes no questions."""

    def __init__(
        self, vat: SimulatedVat, probes: ProbeSet, interval_ms: int = 5000, noise: LineNoise | None = None
    ) -> None:
        super().__init__(vat, probes, interval_ms, noise)

    def speak(self, time_ms: int) -> bytes:
        ph, orp_mv, temperature_c = self._numbers(time_ms)
        return self._frame(f"pH={ph:.2f};ORP={orp_mv:.1f};T={temperature_c:.2f}\r\n")

    def hear(self, _data: bytes, _time_ms: int) -> bytes:
        return b""


class AskAnswer(Instrument):
    """Answers `R` CR with `10.84,-612.4,41.27` CR, and anything else with `?` CR."""

    def __init__(self, vat: SimulatedVat, probes: ProbeSet, noise: LineNoise | None = None) -> None:
        super().__init__(vat, probes, None, noise)
        self._heard = b""

    def speak(self, _time_ms: int) -> bytes:
        return b""

    def hear(self, data: bytes, time_ms: int) -> bytes:
        *questions, rest = (self._heard + data).split(b"\r")
        self._heard = rest[-LONGEST_QUESTION:]
        answer = b""
        for question in questions:
            if question.strip(b"\n ") == b"R":
                ph, orp_mv, temperature_c = self._numbers(time_ms)
                answer += self._frame(f"{ph:.2f},{orp_mv:.1f},{temperature_c:.2f}\r")
            else:
                answer += self._frame("?\r")
        return answer

    def forget(self) -> None:
        self._heard = b""
