"""Sends pushes to phones without the store, while the store cannot be written. Forgets nothing it was given until sent.

Only for that emergency: in all other cases pushes travel through the store and its cursors.
"""

from __future__ import annotations

import logging
import threading
import time
from collections import deque
from collections.abc import Sequence

from vatwatch.errors import OutletError
from vatwatch.outlets.outlet import Outlet
from vatwatch.records import Numbered, Push
from vatwatch.terms import Stream

log = logging.getLogger(__name__)

RETRY_S = 15.0
GIVE_UP_S = 3600.0


class UrgentSender:
    """A thread with phone outlets of its own. `send` never waits."""

    def __init__(self, outlets: Sequence[Outlet], retry_s: float = RETRY_S) -> None:
        self._outlets = tuple(outlets)
        self._retry_s = retry_s
        self._due: deque[tuple[float, Outlet, Push]] = deque()
        self._turn = threading.Condition()
        self._stopping = False
        self._thread = threading.Thread(target=self._run, name="urgent pushes", daemon=True)
        self._thread.start()

    def send(self, pushes: Sequence[Push]) -> None:
        """Hand pushes over; each goes to every phone."""
        with self._turn:
            self._due.extend((time.monotonic(), outlet, push) for push in pushes for outlet in self._outlets)
            self._turn.notify_all()

    def replace_outlets(self, outlets: Sequence[Outlet]) -> None:
        """Send from now on to these; what waits for one of the old ones is still sent there."""
        with self._turn:
            self._outlets = tuple(outlets)

    def stop(self, timeout_s: float) -> bool:
        with self._turn:
            self._stopping = True
            self._turn.notify_all()
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _run(self) -> None:
        while True:
            with self._turn:
                while not self._due and not self._stopping:
                    self._turn.wait()
                if self._stopping:
                    break
                due, self._due = list(self._due), deque()
            again = [one for one in due if not self._sent(*one)]
            with self._turn:
                self._due.extendleft(reversed(again))
                if again and not self._stopping:
                    self._turn.wait(self._retry_s)
        for outlet in self._outlets:
            outlet.close()

    def _sent(self, since_s: float, outlet: Outlet, push: Push) -> bool:
        """Whether nothing is left to do about this push at this phone."""
        try:
            outlet.deliver(Stream.PUSHES, [Numbered(1, push)])
        except OutletError as error:
            if time.monotonic() - since_s < GIVE_UP_S:
                return False
            log.warning("%s never took %s: %s", outlet.name, push.title, error)
        except Exception:
            log.exception("%s failed on %s", outlet.name, push.title)
        return True
