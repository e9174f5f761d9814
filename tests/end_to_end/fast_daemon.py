"""The whole daemon under a clock that runs faster: `python -m tests.end_to_end.fast_daemon SETTINGS RATE`."""

from __future__ import annotations

import sys
import time
from pathlib import Path

from vatwatch.clock import ScaledClock
from vatwatch.config import load_config
from vatwatch.daemon import Daemon


def main(settings: Path, rate: float) -> None:
    clock = ScaledClock(time.time_ns() // 1_000_000, rate)
    daemon = Daemon(load_config(settings), str(settings), clock=clock)
    clock.go()
    daemon.start()
    late = daemon.run_until_stopped()
    assert late == [], late


if __name__ == "__main__":
    main(Path(sys.argv[1]), float(sys.argv[2]))
