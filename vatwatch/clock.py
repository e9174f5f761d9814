"""Time for the whole daemon: UTC that never runs backwards while it runs, and a scaled one for rehearsals."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Protocol

from vatwatch.clock_sync import ClockSource

_STEP_MS = 1_000
"""A smaller difference is no step of the machine's clock but how it is read."""
_SLOWER = 0.1
"""By this share the clock runs slower while it is ahead: nobody's timer notices, and an hour is made up in ten."""
_LOOK_S = 1.0


class Clock(Protocol):
    """UTC in ms. `rate` is how much faster than real time it runs (1 for the real one)."""

    @property
    def rate(self) -> float: ...

    @property
    def synchronised(self) -> bool:
        """Whether its time is believed. Not so at a start without network time; see `doubt` for the reason."""
        ...

    @property
    def doubt(self) -> str:
        """Why its time is not believed, in words; empty when it is."""
        ...

    def now_ms(self) -> int: ...

    def correction_ms(self) -> int | None:
        """How far it is from the true time, as soon as that is known; None while it is not, or no doubt is left."""
        ...

    def correct(self, by_ms: int) -> None:
        """Jump by so much and be believed from now on. Only a clock in doubt jumps, and only when told."""
        ...


class SystemClock:
    """The machine's UTC, carried on by the monotonic clock.

    In doubt it runs evenly from where it began, whatever the machine's clock does, until `correct`. Believed, it
    follows a step forward at once; after a step back it runs a tenth slower until it is right again, so that the
    record never overlaps itself and stamps never go back.
    """

    rate = 1.0

    def __init__(
        self,
        source: ClockSource | None = None,
        utc_ns: Callable[[], int] = time.time_ns,
        monotonic_ns: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        self._source = source or ClockSource()
        self._utc_ns, self._monotonic_ns = utc_ns, monotonic_ns
        self._base_ms = self._machine_base_ms()
        self._doubt = ""
        self._doubt_until_s: float | None = None
        self._looked_s = float("-inf")
        self._slowed_ms = self._monotonic_ms()

    @property
    def synchronised(self) -> bool:
        return not self._doubt

    @property
    def doubt(self) -> str:
        return self._doubt

    def machine_is_set(self) -> bool | None:
        """Whether something has set the machine's clock (a clock that is believed may still be unset); None: unknown."""
        return self._source.says()

    def begin(self, record_end_ms: int) -> int:
        """Begin no earlier than the end of the record. Returns by how much the machine's clock lies behind it."""
        self._doubt, wait_s = self._source.doubt(self.now_ms(), record_end_ms)
        self._doubt_until_s = None if wait_s is None else self._monotonic_ms() / 1000 + wait_s
        behind_ms = max(0, record_end_ms - self.now_ms())
        self._base_ms += behind_ms
        return behind_ms

    def now_ms(self) -> int:
        monotonic_ms = self._monotonic_ms()
        if not self._doubt:
            ahead_ms = self._base_ms - self._machine_base_ms()
            if ahead_ms < -_STEP_MS:
                self._base_ms -= ahead_ms
            elif ahead_ms > _STEP_MS:
                spent_ms = int((monotonic_ms - self._slowed_ms) * _SLOWER)
                if spent_ms <= 0:
                    return self._base_ms + monotonic_ms
                self._base_ms -= min(spent_ms, ahead_ms)
                self._slowed_ms += int(spent_ms / _SLOWER)
                return self._base_ms + monotonic_ms
        self._slowed_ms = monotonic_ms
        return self._base_ms + monotonic_ms

    def correction_ms(self) -> int | None:
        if not self._doubt:
            return None
        now_s = self._monotonic_ms() / 1000
        if now_s - self._looked_s < _LOOK_S:
            return None
        self._looked_s = now_s
        given_up = self._doubt_until_s is not None and now_s >= self._doubt_until_s
        return self._machine_base_ms() - self._base_ms if given_up or self._source.synchronised() else None

    def correct(self, by_ms: int) -> None:
        self._base_ms += by_ms
        self._doubt = ""
        self._slowed_ms = self._monotonic_ms()

    def _monotonic_ms(self) -> int:
        return self._monotonic_ns() // 1_000_000

    def _machine_base_ms(self) -> int:
        return self._utc_ns() // 1_000_000 - self._monotonic_ms()


class ScaledClock:
    """Stands at `start_ms` until `go`, then runs `rate` times as fast as real time: for rehearsals and the demo."""

    synchronised = True
    doubt = ""

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

    def correction_ms(self) -> int | None:
        return None

    def correct(self, by_ms: int) -> None:
        """A simulated clock is always right."""
