"""How a forwarder sleeps: until a time-out, until rows were committed, or until it is told to stop.

Kept apart so that tests can put a clock in its place that never sleeps. Holds no delivery logic.
"""

from __future__ import annotations

import threading
import time


class Wake:
    """A monotonic clock and a sleep that `notify` and `stop` cut short. Safe from any thread."""

    def __init__(self) -> None:
        self._event = threading.Event()
        self._stopped = False

    @property
    def stopped(self) -> bool:
        """True once `stop` was called; it stays true."""
        return self._stopped

    def now_s(self) -> float:
        """Monotonic time in seconds, from an arbitrary origin."""
        return time.monotonic()

    def wait(self, timeout_s: float) -> None:
        """Sleep up to `timeout_s` seconds; returns at once when notified since the last wait, or stopped."""
        if self._stopped:
            return
        self._event.wait(max(0.0, timeout_s))
        self._event.clear()

    def notify(self) -> None:
        """Cut the current or the next wait short."""
        self._event.set()

    def stop(self) -> None:
        """Cut every wait short from now on."""
        self._stopped = True
        self._event.set()
