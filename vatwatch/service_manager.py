"""The notification protocol of a service manager: ready, alive, stopping. Silent where there is none.

Source: sd_notify(3): one datagram of newline-separated assignments to the socket named in NOTIFY_SOCKET; a name that
begins with "@" is an abstract one. WATCHDOG_USEC says within how many microseconds a ping is due.
"""

from __future__ import annotations

import os
import socket


def notify(message: str) -> bool:
    """Send `message` (such as `READY=1`). False where no service manager listens."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return False
    if address.startswith("@"):
        address = "\0" + address[1:]
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as link:
            link.connect(address)
            link.send(message.encode())
    except OSError:
        return False
    return True


def watchdog_interval_s() -> float | None:
    """How often to ping: half of what the service manager allows; None where it does not watch this process."""
    wanted, pid = os.environ.get("WATCHDOG_USEC"), os.environ.get("WATCHDOG_PID")
    if not wanted or not wanted.isdigit() or (pid and pid != str(os.getpid())):
        return None
    return int(wanted) / 2e6
