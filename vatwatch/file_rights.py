"""Who else may write the settings or read a secret, and the command that mends it. Looks only; changes no rights.

Whoever may write the settings may send every message elsewhere; whoever may read a secret has it.
"""

from __future__ import annotations

import grp
import os
import pwd
import stat
from pathlib import Path

from vatwatch.errors import ConfigError


def refuse_writable_by_others(path: Path) -> None:
    """Raise ConfigError when somebody besides its owner may write the file, or put another in its place."""
    try:
        found, around = path.stat(), path.resolve().parent.stat()
    except OSError:
        return  # whoever reads it next says so
    if _others_may_write(found):
        raise ConfigError(
            f"{path}: others on this computer may write it (its rights are {_rights(found)}), and it is not read. "
            f"Look whether it is still yours, then: chmod go-w {path}"
        )
    # In a sticky directory such as /tmp nobody can rename another's file.
    if _others_may_write(around) and not around.st_mode & stat.S_ISVTX:
        raise ConfigError(
            f"{path}: others on this computer may put another file in its place (the rights of {path.resolve().parent} "
            f"are {_rights(around)}), and it is not read. Look whether it is still yours, then: "
            f"chmod go-w {path.resolve().parent}"
        )


def readable_by_others(path: Path) -> str:
    """A sentence about a secret that everybody on this computer can read, with what mends it; empty when all is well.

    A group may read it: that is how a service manager hands a credential over.
    """
    try:
        mode = path.stat().st_mode
    except OSError:
        return ""
    if not mode & stat.S_IROTH:
        return ""
    return f"{path} can be read by everybody on this computer; keep the secret in it to yourself: chmod 600 {path}"


def _others_may_write(found: os.stat_result) -> bool:
    if found.st_mode & stat.S_IWOTH:
        return True
    return bool(found.st_mode & stat.S_IWGRP) and not _own_group(found)


def _own_group(found: os.stat_result) -> bool:
    """Whether the group is the owner's alone: root's, or the one of his own name that many systems give each user."""
    if found.st_gid == 0:
        return True
    try:
        owner, group = pwd.getpwuid(found.st_uid), grp.getgrgid(found.st_gid)
    except KeyError:
        return found.st_gid == found.st_uid
    return group.gr_name == owner.pw_name and set(group.gr_mem) <= {owner.pw_name}


def _rights(found: os.stat_result) -> str:
    return f"{stat.S_IMODE(found.st_mode):04o}"
