"""Time for the whole daemon: UTC that never runs backwards while it runs, and a scaled one for rehearsals."""

from __future__ import annotations

import time
from typing import Protocol

_FORWARD_STEP_MS = 1_000


class Clock(Protocol):
    """UTC in ms. `rate` is how much faster than real time it runs (1 for the real one)."""

    @property
    def rate(self) -> float: ...

    def now_ms(self) -> int: ...


class SystemClock:
    """The machine's UTC at start, carried on by the monotonic clock.

    A step forward of the machine's clock is followed; a step back is not, so that the record never overlaps itself:
    it then keeps the time it had until the machine's clock has caught up.
    """

    rate = 1.0

    def __init__(self) -> None:
        self._base_ms = time.time_ns() // 1_000_000 - time.monotonic_ns() // 1_000_000

    def not_before(self, time_ms: int) -> int:
        """Begin no earlier than `time_ms`, the end of the record. Returns by how much the machine's clock lies behind."""
        behind_ms = max(0, time_ms - self.now_ms())
        self._base_ms += behind_ms
        return behind_ms

    def now_ms(self) -> int:
        monotonic_ms = time.monotonic_ns() // 1_000_000
        base = time.time_ns() // 1_000_000 - monotonic_ms
        if base - self._base_ms > _FORWARD_STEP_MS:
            self._base_ms = base
        return self._base_ms + monotonic_ms


class ScaledClock:
    """Stands at `start_ms` until `go`, then runs `rate` times as fast as real time: for rehearsals and the demo."""

    def __init__(self, start_ms: int, rate: float) -> None:
        self.rate = rate
        self._stands_at_ms = start_ms
        self._since_ns: int | None = None

    def go(self) -> None:
        """Run from where it stands."""
        self._since_ns = time.monotonic_ns()

    def hold(self) -> None:
        """Stand still at the present time."""
        self._stands_at_ms, self._since_ns = self.now_ms(), None

    def now_ms(self) -> int:
        since = self._since_ns
        if since is None:
            return self._stands_at_ms
        return self._stands_at_ms + int((time.monotonic_ns() - since) / 1e6 * self.rate)
