"""`vatwatch run` in which one worker's own thread hangs for ever once a file appears.

usage: wedged.py port|recorder|outlet TRIGGER run --config FILE — a stuck worker counts as stuck after 2 s, not 30.
"""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from vatwatch import cli, daemon
from vatwatch.outlets.forwarder import Forwarder
from vatwatch.probes.reader import PortReader
from vatwatch.recorder import Recorder

worker, trigger = sys.argv[1], Path(sys.argv[2])


def hanging(method: Callable[..., Any]) -> Callable[..., Any]:
    def hang_or_go_on(*arguments: Any) -> Any:
        if trigger.exists():
            threading.Event().wait()
        return method(*arguments)

    return hang_or_go_on


owner, name = {
    "port": (PortReader, "_hand_over"),
    "recorder": (Recorder, "_close_due_slots"),
    "outlet": (Forwarder, "_turn"),
}[worker]
setattr(owner, name, hanging(getattr(owner, name)))
daemon.STUCK_AFTER_S = 2.0
sys.argv[1:] = sys.argv[3:]
cli.main()
