"""Whether some vatwatch writes to a store at this moment. Looks at the writer's lock; opens no store."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path


def is_written(store_path: Path) -> bool:
    """True while a writer holds the store at `store_path`."""
    try:
        descriptor = os.open(store_path.with_name(store_path.name + ".lock"), os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return False
    try:
        fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError:
        return True
    finally:
        os.close(descriptor)
    return False
