"""Instruments of three protocols for tests, and what a wet cable does to their frames. Bytes in, bytes out at a time.

Run as a program it is one instrument on a pseudo-terminal: `python -m tests.probes.instruments KIND LINK [SHARE SEED]`.
Every measurement number k has values of its own, so that values of two measurements can be told apart. The checksums
come from pymodbus and from a table-driven routine, not from the code under test.
"""

from __future__ import annotations

import contextlib
import os
import random
import select
import struct
import sys
import time
import tty
from collections.abc import Callable
from pathlib import Path

from pymodbus.framer.rtu import FramerRTU

CYCLE = 20
PAUSE_S = 0.0005


def truth(k: int) -> tuple[float, float, float]:
    """pH, ORP in mV and temperature in °C of measurement number k."""
    step = k % CYCLE
    return round(10.80 + step / 100, 2), -650.0 - step, round(30.0 + step / 10, 1)


TRUTHS = {truth(k) for k in range(CYCLE)}


class Instrument:
    """Hears bytes and has frames to say, each from a time on (seconds, any monotonic clock)."""

    def __init__(self) -> None:
        self._outbox: list[tuple[float, bytes]] = []
        self._heard = b""
        self.k = 0

    def hear(self, data: bytes, now: float) -> None:
        raise NotImplementedError

    def say(self, now: float, frame: bytes) -> None:
        self._outbox.append((now, frame))

    def hush(self) -> None:
        """Forget what was to be said."""
        self._outbox.clear()

    def due(self, now: float) -> list[bytes]:
        ready = [frame for at, frame in self._outbox if at <= now]
        self._outbox = [(at, frame) for at, frame in self._outbox if at > now]
        return ready


class FreeMeter(Instrument):
    """Sends `pH=10.84;ORP=-652.0;T=30.2` CR LF every `every_s`."""

    def __init__(self, every_s: float = 0.1) -> None:
        super().__init__()
        self._every_s = every_s
        self._next = 0.0

    def hear(self, data: bytes, now: float) -> None:
        """It takes no questions."""

    def due(self, now: float) -> list[bytes]:
        if now < self._next:
            return []
        self._next = now + self._every_s
        ph, orp, t = truth(self.k)
        self.k += 1
        return [f"pH={ph:.2f};ORP={orp:.1f};T={t:.1f}\r\n".encode()]


class AskedMeter(Instrument):
    """Answers `R` CR with `10.84,-652.0,30.2` CR LF."""

    def hear(self, data: bytes, now: float) -> None:
        *questions, self._heard = (self._heard + data).split(b"\r")
        for question in questions:
            if question == b"R":
                ph, orp, t = truth(self.k)
                self.k += 1
                self.say(now, f"{ph:.2f},{orp:.1f},{t:.1f}\r\n".encode())


def crc16(data: bytes) -> int:
    """CRC-16/ARC by a table of nibbles: a second way to the same number."""
    table = (0x0000, 0xCC01, 0xD801, 0x1400, 0xF001, 0x3C00, 0x2800, 0xE401,
             0xA001, 0x6C00, 0x7800, 0xB401, 0x5000, 0x9C01, 0x8801, 0x4400)  # fmt: skip
    crc = 0
    for byte in data:
        crc = (crc >> 4) ^ table[(crc ^ byte) & 15]
        crc = (crc >> 4) ^ table[(crc ^ byte >> 4) & 15]
    return crc


class Sdi12Sensor(Instrument):
    """One sensor with three values: M, C, R with or without checksum, `per_page` values to an answer."""

    def __init__(self, address: str = "0", ready_in_s: int = 0, per_page: int = 9, takes_s: float = 0.05) -> None:
        super().__init__()
        self._address = address
        self._ready_in_s = ready_in_s
        self._per_page = per_page
        self._takes_s = takes_s
        self._ready_at: float | None = None
        self._crc = False
        self._concurrent = False
        self._data: tuple[str, ...] = ()
        self.breaks_off = 0

    def hear(self, data: bytes, now: float) -> None:
        *commands, self._heard = (self._heard + data.lstrip(b"\0")).split(b"!")
        for command in commands:
            text = command.decode("ascii", "replace")
            if text in ("?", self._address):
                self._answer(now, "")
            elif text[:1] == self._address:
                self._obey(text[1:], now)

    def _obey(self, body: str, now: float) -> None:
        if body == "I":
            self._answer(now, "14SHEDWORKORPROD201")
        elif body[:1] in ("M", "C"):
            self.hush()
            self._crc = "C" in body[1:]
            self._concurrent = body[0] == "C"
            self._measure()
            self._answer(now, f"{self._ready_in_s:03d}" + ("03" if self._concurrent else "3"))
            self._ready_at = now + (self._takes_s if self._ready_in_s else 0.0)
            if self._ready_in_s and not self._concurrent:
                self.say(self._ready_at, f"{self._address}\r\n".encode())
        elif body[:1] == "R":
            self._measure()
            self._answer(now, "".join(self._data), "C" in body)
        elif body[:1] == "D" and body[1:].isdigit():
            if self.breaks_off:
                self.breaks_off -= 1
                self._data = ()
            if self._ready_at is not None and now < self._ready_at:
                self.hush()  # a command during a measurement breaks it off
                self._data = ()
            page = int(body[1:])
            texts = self._data[page * self._per_page : (page + 1) * self._per_page]
            self._answer(now, "".join(texts), self._crc)

    def _measure(self) -> None:
        ph, orp, t = truth(self.k)
        self.k += 1
        self._data = (f"{ph:+.2f}", f"{orp:+.1f}", f"{t:+.1f}")

    def _answer(self, now: float, text: str, crc: bool = False) -> None:
        frame = (self._address + text).encode()
        if crc:
            value = crc16(frame)
            frame += bytes((0x40 | value >> 12, 0x40 | value >> 6 & 63, 0x40 | value & 63))
        self.say(now, frame + b"\r\n")


class ModbusUnits(Instrument):
    """RTU units on one line; every request is a measurement. Unit 1: floats at 0, 2, 4 (ABCD), function 3 and 4.

    Unit 2: the same in hundredths and tenths as 16-bit integers at 0, 1, 2. Other registers do not exist.
    """

    def hear(self, data: bytes, now: float) -> None:
        self._heard += data
        while len(self._heard) >= 8:
            request, rest = self._heard[:8], self._heard[8:]
            if not self._whole(request):
                self._heard = self._heard[1:]
                continue
            self._heard = rest
            unit, function, address, count = struct.unpack(">BBHH", request[:6])
            if unit not in (1, 2):
                continue
            words = self._words(unit)
            if function not in (3, 4):
                self._reply(now, bytes((unit, function | 0x80, 1)))
            elif address + count > len(words):
                self._reply(now, bytes((unit, function | 0x80, 2)))
            else:
                self.k += 1
                block = b"".join(words[address : address + count])
                self._reply(now, bytes((unit, function, len(block))) + block)

    def _words(self, unit: int) -> list[bytes]:
        ph, orp, t = truth(self.k)
        if unit == 1:
            raw = struct.pack(">fff", ph, orp, t)
        else:
            raw = struct.pack(">hhh", round(ph * 100), round(orp * 10), round(t * 10))
        return [raw[i : i + 2] for i in range(0, len(raw), 2)]

    @staticmethod
    def _whole(request: bytes) -> bool:
        return FramerRTU.compute_CRC(request[:6]).to_bytes(2, "big") == request[6:]

    def _reply(self, now: float, body: bytes) -> None:
        self.say(now, body + FramerRTU.compute_CRC(body).to_bytes(2, "big"))


class Spoiler:
    """Damages a seeded share of frames: cut short, line end lost, bytes replaced, put in or dropped.

    One or two in a row, then three are spared, so that how soon good readings come back is the codec's doing and not
    luck's; the chance of a frame that is not spared is raised so that the share comes out as asked (small shares).
    `detectable` keeps to damage that a line without a checksum can show: never one digit for another.
    """

    def __init__(self, share: float, seed: int, detectable: bool = False) -> None:
        self._rng = random.Random(seed)
        self._chance = share / (1 - 2 * share)
        self._detectable = detectable
        self._in_a_row = 0
        self._spared = 3

    def __call__(self, frame: bytes) -> bytes:
        rng = self._rng
        may = self._in_a_row == 1 or self._spared >= 3
        if not may or rng.random() >= self._chance:
            self._spared = 1 if self._in_a_row else self._spared + 1
            self._in_a_row = 0
            return frame
        self._in_a_row += 1
        self._spared = 0
        way = rng.randrange(3 if self._detectable else 5)
        place = rng.randrange(len(frame))
        if way == 0:
            return frame[:place]
        if way == 1:
            return frame.rstrip(b"\r\n") if frame.endswith(b"\r\n") else frame[:-1]
        length = rng.randrange(1, 4)
        rubbish = bytes(rng.randrange(128, 256) for _ in range(length)) if self._detectable else rng.randbytes(length)
        if way == 2:
            return frame[:place] + rubbish + frame[place + length :]
        if way == 3:
            return frame[:place] + rubbish + frame[place:]
        return frame[:place] + frame[place + length :]


KINDS: dict[str, Callable[[], Instrument]] = {
    "lines": FreeMeter,
    "lines-fast": lambda: FreeMeter(0.01),
    "asked": AskedMeter,
    "sdi12": lambda: Sdi12Sensor(ready_in_s=1, per_page=2),
    "modbus": ModbusUnits,
}


def main(kind: str, link: Path, share: float, seed: int) -> None:
    instrument = KINDS[kind]()
    spoil = Spoiler(share, seed, detectable=kind not in ("sdi12", "modbus"))
    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    link.unlink(missing_ok=True)
    link.symlink_to(os.ttyname(slave))
    print("ready", flush=True)
    while True:
        if select.select([master], [], [], 0.002)[0]:
            instrument.hear(os.read(master, 4096), time.monotonic())
        for frame in instrument.due(time.monotonic()):
            with contextlib.suppress(BlockingIOError):  # nobody reads
                os.write(master, spoil(frame))


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]), *(float(sys.argv[3]), int(sys.argv[4])) if len(sys.argv) > 4 else (0.0, 0))
