"""Whose a file becomes that root makes in a directory of somebody else. Changes nothing else about it.

The service runs as a user of its own; what an administrator hands in, restores or begins there by `sudo` must be that
user's, or the service could not read, take away or write it.
"""

from __future__ import annotations

import os
from pathlib import Path


def as_around(path: Path) -> None:
    """Give what root has just made to the owner of the directory it lies in. Raises OSError."""
    if os.geteuid() != 0:
        return
    around = path.parent.stat()
    os.chown(path, around.st_uid, around.st_gid, follow_symlinks=False)
