"""Links of four kinds between a dialogue and an instrument: plain, byte by byte, lossy and slow. No port."""

from __future__ import annotations

import random
import time
from collections.abc import Callable

from tests.probes.instruments import Instrument


class BenchLink:
    """A good line. Satisfies the probes' `Link`."""

    baud = 1_000_000
    lag_s = 0.0

    def __init__(self, instrument: Instrument) -> None:
        self.instrument = instrument
        self.breaks = 0
        self._under_way: list[tuple[float, bytes]] = []

    def write(self, data: bytes) -> None:
        for piece in self.carry(data):
            self.instrument.hear(piece, time.monotonic())

    def read(self, timeout_s: float) -> bytes:
        until = time.monotonic() + timeout_s
        while True:
            now = time.monotonic()
            for frame in self.instrument.due(now):
                self._under_way += [(now + self.lag_s, piece) for piece in self.carry(frame)]
            if self._under_way and self._under_way[0][0] <= now:
                return self._under_way.pop(0)[1]
            if now >= until:
                return b""
            time.sleep(min(0.001, until - now))

    def discard_input(self) -> None:
        while self.read(0.0):
            pass

    def send_break(self) -> None:
        self.breaks += 1

    def carry(self, message: bytes) -> list[bytes]:
        """The pieces in which a message arrives."""
        return [message]


class ByteByByte(BenchLink):
    def carry(self, message: bytes) -> list[bytes]:
        return [bytes([byte]) for byte in message]


class Lossy(BenchLink):
    """One message in five never arrives, whichever way it goes."""

    def __init__(self, instrument: Instrument) -> None:
        super().__init__(instrument)
        self._rng = random.Random(20)

    def carry(self, message: bytes) -> list[bytes]:
        return [] if self._rng.random() < 0.2 else [message]


class LossyBytes(Lossy):
    """One answered byte in five never arrives; questions pass whole."""

    def write(self, data: bytes) -> None:
        self.instrument.hear(data, time.monotonic())

    def carry(self, message: bytes) -> list[bytes]:
        return [bytes(byte for byte in message if self._rng.random() >= 0.2)]


class Slow(BenchLink):
    """Every answer is 60 ms under way, and each tenth 260 ms: later than the dialogues of these tests wait."""

    def __init__(self, instrument: Instrument) -> None:
        super().__init__(instrument)
        self._count = 0

    @property
    def lag_s(self) -> float:  # type: ignore[override]
        self._count += 1
        return 0.26 if self._count % 10 == 0 else 0.06


LinkOf = Callable[[Instrument], BenchLink]
