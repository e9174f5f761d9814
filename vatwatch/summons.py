"""What calls the main thread away from its waiting: a wish to stop, a wish to read the settings again.

Signals only write one byte into a pipe: a handler that took a lock could find the main thread holding it. This module
stops nothing and reads no settings.
"""

from __future__ import annotations

import contextlib
import os
import select
import signal
from enum import Enum
from types import FrameType


class Call(Enum):
    STOP = b"s"
    RELOAD = b"r"


class Summons:
    """`ring` from anywhere, signal handlers included; `wait` in the main thread."""

    def __init__(self) -> None:
        self._listening, self._ringing = os.pipe()
        os.set_blocking(self._listening, False)
        os.set_blocking(self._ringing, False)
        self._terminal = False

    def ring(self, call: Call) -> None:
        """Never waits. A full pipe already holds more calls than anybody needs."""
        with contextlib.suppress(BlockingIOError):
            os.write(self._ringing, call.value)

    def wait(self, timeout_s: float) -> set[Call]:
        """What was called for within `timeout_s` seconds; returns at the first call, with all that came by then."""
        if not select.select([self._listening], [], [], timeout_s)[0]:
            return set()
        heard = os.read(self._listening, 4096)
        return {call for call in Call if call.value in heard}

    def listen_to_signals(self) -> None:
        """SIGTERM and SIGINT stop; SIGHUP reads the settings again, unless it says that the terminal is gone.

        Main thread only. Under nohup, which ignores SIGHUP, a closed terminal ends nothing.
        """
        self._terminal = signal.getsignal(signal.SIGHUP) is not signal.SIG_IGN and _has_terminal()
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            signal.signal(number, self._on_signal)

    def _on_signal(self, number: int, _frame: FrameType | None) -> None:
        hung_up = number == signal.SIGHUP and self._terminal and not _has_terminal()
        self.ring(Call.RELOAD if number == signal.SIGHUP and not hung_up else Call.STOP)


def _has_terminal() -> bool:
    try:
        os.close(os.open("/dev/tty", os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK))
    except OSError:
        return False
    return True
