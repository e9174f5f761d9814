"""A meter that is not part of the package: a pseudo-terminal that sends one line every `interval` seconds.

usage: meter.py LINK STATE INTERVAL [count] — LINK becomes the port; STATE is a file with "pH ORP T", read before each
line. With `count`, each line adds a millionth of a degree, so that no two lines are alike.
"""

import contextlib
import itertools
import os
import sys
import time
import tty
from pathlib import Path

link, state, interval = Path(sys.argv[1]), Path(sys.argv[2]), float(sys.argv[3])
master, slave = os.openpty()
tty.setraw(slave)
os.set_blocking(master, False)
link.unlink(missing_ok=True)
link.symlink_to(os.ttyname(slave))
print("ready", flush=True)
for number in itertools.count():
    ph, orp, t = state.read_text().split()
    if "count" in sys.argv:
        t = f"{float(t) + number / 1e6:.6f}"
    with contextlib.suppress(BlockingIOError):  # nobody reads: a real meter does not care either
        os.write(master, f"pH={ph};ORP={orp};T={t}\r\n".encode())
    time.sleep(interval)
