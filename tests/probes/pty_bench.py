"""A device on a cable that can be pulled, and an inbox for what a reader delivers. Test bed only."""

from __future__ import annotations

import os
import select
import time
import tty
from collections.abc import Callable, Sequence
from pathlib import Path

from vatwatch.probes.lines import LineFormat
from vatwatch.probes.reader import PortReader
from vatwatch.probes.settings import ProbeWiring
from vatwatch.records import PortEvent, Sample
from vatwatch.terms import Signal

LISTED = LineFormat(delimiter=",", fields=("ph", "orp_mv"))
PH = ProbeWiring("glass", "madder-lane", "ph", Signal.PH)
ORP = ProbeWiring("platinum", "madder-lane", "orp_mv", Signal.ORP_MV, scale=0.5, offset=-2.0)
FAST = 50.0


def until(condition: Callable[[], bool], what: str, within_s: float = 20.0) -> None:
    deadline = time.monotonic() + within_s
    while not condition():
        assert time.monotonic() < deadline, f"not within {within_s} s: {what}"
        time.sleep(0.002)


class Device:
    """What hangs on the other end of a cable: a pty that can be pulled and put back under the same name."""

    def __init__(self, name: Path) -> None:
        self.name = name
        self.master = -1

    def plug(self) -> None:
        self.master, slave = os.openpty()
        tty.setraw(slave)
        self.name.unlink(missing_ok=True)
        self.name.symlink_to(os.ttyname(slave))
        os.close(slave)

    def unplug(self) -> None:
        if self.master >= 0:
            os.close(self.master)
            self.name.unlink()
            self.master = -1

    def say(self, data: bytes) -> None:
        os.write(self.master, data)

    def hear(self, within_s: float = 20.0) -> bytes:
        """One question, ended by CR."""
        heard = b""
        deadline = time.monotonic() + within_s
        while not heard.endswith(b"\r"):
            assert time.monotonic() < deadline, f"not asked within {within_s} s"
            try:
                if select.select([self.master], [], [], 0.1)[0]:
                    heard += os.read(self.master, 1)
            except OSError:  # nobody has opened the other end yet
                time.sleep(0.002)
        return heard


class Inbox:
    """Where a reader delivers. Keeps everything in order; may be told to fail once."""

    def __init__(self) -> None:
        self.all: list[Sample | PortEvent] = []
        self.fail_once: Exception | None = None

    def __call__(self, records: Sequence[Sample | PortEvent]) -> None:
        if self.fail_once is not None and isinstance(records[0], Sample):
            error, self.fail_once = self.fail_once, None
            raise error
        self.all += records

    @property
    def samples(self) -> list[Sample]:
        return [record for record in self.all if isinstance(record, Sample)]

    def events(self, event: str) -> list[PortEvent]:
        return [record for record in self.all if isinstance(record, PortEvent) and record.event == event]


StartReader = Callable[..., PortReader]


def opened(inbox: Inbox, times: int = 1) -> None:
    until(lambda: len(inbox.events("opened")) >= times, f"opened {times} times")
