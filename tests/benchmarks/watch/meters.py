"""Meters of many vats on pseudo-terminals, one line of three numbers per second each: meters.py DIRECTORY COUNT.

With `putval` in the place of DIRECTORY the same numbers as text for collectd's exec plugin. Stands alone.
"""

import contextlib
import os
import sys
import time
import tty
from pathlib import Path

where, count = sys.argv[1], int(sys.argv[2])


def numbers(vat: int, second: int) -> tuple[float, float, float]:
    """Slow tides with a little noise in the last digit, other for each vat."""
    noise = (second * 7919 + vat * 104729) % 11 - 5
    return 11.0 + 0.01 * noise - 0.001 * vat, -690.0 + 0.3 * noise - vat % 7, 30.0 + 0.01 * noise + 0.02 * (vat % 9)


masters = []
if where != "putval":
    for vat in range(count):
        master, slave = os.openpty()
        tty.setraw(slave)
        os.set_blocking(master, False)
        link = Path(where) / f"port-{vat}"
        link.unlink(missing_ok=True)
        link.symlink_to(os.ttyname(slave))
        masters.append(master)
    print("ready", flush=True)
second = 0
next_s = time.monotonic()
while True:
    if masters:
        for vat, master in enumerate(masters):
            ph, orp, t = numbers(vat, second)
            with contextlib.suppress(BlockingIOError):
                os.write(master, f"pH={ph:.2f};ORP={orp:.1f};T={t:.2f}\r\n".encode())
    else:
        lines = []
        for vat in range(count):
            for name, value in zip(("ph", "orp", "t"), numbers(vat, second), strict=True):
                lines.append(f'PUTVAL "shed/vat{vat}/gauge-{name}" interval=1 N:{value:.2f}\n')
        sys.stdout.write("".join(lines))
        sys.stdout.flush()
    second += 1
    next_s += 1.0
    time.sleep(max(0.0, next_s - time.monotonic()))
