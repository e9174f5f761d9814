"""What a dialogue works with: a link that carries bytes, a pace that knows time, and what was heard.

Only shapes; nothing is opened, read or waited for here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Protocol

from vatwatch.probes.lines import Refusal

# How long a wait may go without looking up: a stop is obeyed and the watchdog fed at least this often.
LOOK_UP_S: Final = 0.25
# A faster clock makes no device and no operating system answer sooner.
_LEAST_PATIENCE_S: Final = 0.5


class Link(Protocol):
    """Bytes to and from a device. Methods raise PortError when the port is lost."""

    @property
    def baud(self) -> int:
        """Bits per second."""

    def read(self, timeout_s: float) -> bytes: ...

    def write(self, data: bytes) -> None: ...

    def discard_input(self) -> None: ...

    def send_break(self) -> None:
        """Hold the line as SDI-12 wants it before a command; does nothing where the port cannot."""


@dataclass(frozen=True, slots=True)
class Pace:
    """What a dialogue may know of time: stamps, whether to go on waiting, and how much faster the clock runs."""

    clock_ms: Callable[[], int]
    keep_going: Callable[[], bool]
    rate: float = 1.0

    def patience_s(self, answer_within_s: float) -> float:
        """Real seconds to wait for an answer that may take `answer_within_s` at the device's own pace."""
        return min(answer_within_s, max(_LEAST_PATIENCE_S, answer_within_s / self.rate))


@dataclass(frozen=True, slots=True)
class Heard:
    """What one question brought. `time_ms` is when the answer's last byte was in.

    Without any value `silence` says why: no answer, or one that is not a reading.
    """

    time_ms: int
    values: tuple[tuple[str, float], ...] = ()
    refusals: tuple[Refusal, ...] = ()
    silence: str = ""

    def why_missing(self, field: str) -> str:
        """The reason for which this answer holds no number called `field`."""
        for refusal in self.refusals:
            if refusal.reason.startswith(f"{field}: "):
                return refusal.reason
        return self.silence or f"the answer does not hold {field}"


class Stopped(Exception):
    """`Pace.keep_going` said no while an answer was awaited. Never leaves the probes' room."""
