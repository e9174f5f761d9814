"""Is this machine's clock right? What the kernel, systemd or a file of the user's choice say, and what the record says.

Only asks; changes no clock. A small computer without a battery-backed clock starts with the time at which it was last
switched off, or with 1970, until the network tells it better.
"""

from __future__ import annotations

import ctypes
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

RELEASED_MS = 1_764_028_800_000
"""2025-11-25 UTC: this program is no older, so no clock that is right shows less."""
TIME_ERROR = 5
"""What adjtimex(2) answers while the clock is not synchronised (Linux man-pages, adjtimex(2), RETURN VALUE)."""
WAIT_S = 600.0
"""How long a clock that looks right is waited for, where network time was asked for and has not answered."""
_TIMESYNCD = Path("/run/systemd/timesync")
"""systemd-timesyncd.service(8): it keeps `synchronized` in here once the clock was set."""


def kernel_says() -> bool | None:
    """Whether the kernel counts the clock as synchronised; None where that may not (ProtectClock= of a unit) or cannot
    be asked."""

    class Timex(ctypes.Structure):
        # Larger than the kernel's on any machine; with modes = 0 nothing is set, and only the answer counts here.
        _fields_ = (("modes", ctypes.c_uint), ("rest", ctypes.c_byte * 508))

    try:
        answer: int = ctypes.CDLL(None, use_errno=True).adjtimex(ctypes.byref(Timex()))
    except (OSError, AttributeError):
        return None
    return None if answer < 0 else answer < TIME_ERROR


@dataclass(frozen=True, slots=True)
class ClockSource:
    """How to know that the clock was set. `marker` is a file that is there once it was, in place of all other signs."""

    marker: Path | None = None
    kernel: Callable[[], bool | None] = kernel_says
    timesyncd: Path = _TIMESYNCD

    def says(self) -> bool | None:
        """Whether something has set the clock since the machine started; None when that cannot be found out."""
        if self.marker is not None:
            return self.marker.exists()
        return (self.timesyncd / "synchronized").exists() or self.kernel()

    def synchronised(self) -> bool:
        """Whether the clock is known to be right: not to be told is not enough."""
        return self.says() is True

    def doubt(self, now_ms: int, record_end_ms: int) -> tuple[str, float | None]:
        """Why the clock is not to be believed, and how long to wait for a better one (None: for ever); ("", 0) if it is."""
        if self.synchronised():
            return "", 0.0
        if now_ms < RELEASED_MS:
            return f"it shows {_date(now_ms)}, which is before this program was made", None
        if now_ms < record_end_ms:
            return f"it shows {_date(now_ms)}, but the record goes on to {_date(record_end_ms)}", None
        if self.marker is not None:
            return f"{self.marker} is not there yet", None
        if self.timesyncd.is_dir():
            return "network time was asked for and has not answered yet", WAIT_S
        return "", 0.0


def _date(time_ms: int) -> str:
    return datetime.fromtimestamp(time_ms / 1000, UTC).strftime("%Y-%m-%d %H:%M UTC")
