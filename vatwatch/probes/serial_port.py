"""One serial port as bytes. The only file of the program that imports pyserial.

It opens, reads, writes and closes, and says in plain words what is wrong with a port. It knows no protocol, no
probe and no clock, and it never retries: that is the reader's part.
"""

from __future__ import annotations

import errno
import grp
import os
import pwd
import select
import stat
import termios
import time
from pathlib import Path
from types import TracebackType
from typing import Self

import serial

from vatwatch.errors import PortError
from vatwatch.probes.settings import PortSettings

_CHUNK = 4096
_WRITE_WITHIN_S = 1.0
_STABLE_NAMES = Path("/dev/serial/by-id")
_PSEUDO_TERMINALS = "/dev/pts/"
# SDI-12 v1.4, section 7: a break of at least 12 ms, then marking of at least 8.33 ms.
_BREAK_S = 0.015
_MARK_S = 0.010
_NO_BREAK = (errno.ENOTTY, errno.EINVAL, errno.EOPNOTSUPP, errno.ENOSYS)
_NOT_SERIAL = (errno.ENOTTY, errno.EISDIR, errno.EINVAL, errno.ENXIO)
_GONE = (errno.EIO, errno.ENODEV, errno.ENXIO, errno.EBADF)


class SerialLink:
    """An open port, held for this program alone. Every method raises PortError when the port is lost."""

    def __init__(self, settings: PortSettings) -> None:
        """Open the port and throw away what had been waiting in it. Raises PortError saying what to do."""
        self._device = settings.device
        self._baud = settings.baud
        try:
            # A pseudo-terminal has no framing, and the C library may call the wish for 7E1 an invalid argument.
            framed = not os.path.realpath(settings.device).startswith(_PSEUDO_TERMINALS)
            self._serial = serial.Serial(
                settings.device,
                baudrate=settings.baud,
                bytesize=settings.bytesize if framed else 8,
                parity=settings.parity if framed else "N",
                stopbits=settings.stopbits if framed else 1,
                timeout=0,
                write_timeout=_WRITE_WITHIN_S,
                exclusive=True,
            )
        # pyserial lets termios.error through, which is not an OSError, and ValueError for an impossible speed.
        except (OSError, ValueError, termios.error) as error:
            raise PortError(_why_not_open(settings, error)) from error

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def baud(self) -> int:
        """Bits per second."""
        return self._baud

    def read(self, timeout_s: float) -> bytes:
        """Wait up to `timeout_s` seconds for bytes and give what is there at once; b"" when none came."""
        try:
            # Not pyserial's own time-out: changing that sets up the whole port again.
            if not select.select([self._serial.fileno()], [], [], max(0.0, timeout_s))[0]:
                return b""
            return bytes(self._serial.read(_CHUNK))
        except (OSError, ValueError, TypeError) as error:
            raise PortError(self._lost(error)) from error

    def write(self, data: bytes) -> None:
        """Send all bytes; PortError when the device takes none for a second."""
        try:
            self._serial.write(data)
        except serial.SerialTimeoutException as error:
            raise PortError(
                f"{self._device} takes no more bytes; is the device at the other end switched on, and flow control off?"
            ) from error
        except (OSError, ValueError, TypeError) as error:
            raise PortError(self._lost(error)) from error

    def discard_input(self) -> None:
        """Throw away bytes that came and were not read."""
        while len(self.read(0.0)) == _CHUNK:
            pass

    def send_break(self) -> None:
        """Hold the line for 15 ms and let it rest for 10 ms; does nothing on a port that knows no break."""
        # Not pyserial's send_break: on Linux it rounds a short break up to a quarter of a second.
        try:
            self._serial.break_condition = True
            time.sleep(_BREAK_S)
            self._serial.break_condition = False
        except (OSError, ValueError, TypeError) as error:
            if _errno_of(error) in _NO_BREAK:
                return
            raise PortError(self._lost(error)) from error
        time.sleep(_MARK_S)

    def close(self) -> None:
        """Let go of the port. Safe to call again, and on a port that is gone."""
        try:
            self._serial.close()
        except (OSError, termios.error):  # an unplugged port may refuse even this; its descriptor is freed
            return

    def _lost(self, error: Exception) -> str:
        if not os.path.exists(self._device):  # noqa: PTH110 - Path.exists raises on a broken name
            return f"{self._device} is gone; was the cable pulled or the device switched off?"
        return f"{self._device} stopped working ({error}); check the cable and the adapter's supply"


def adapters() -> list[str]:
    """Serial ports of this machine, by a name that outlives replugging where there is one, else by the system's."""
    stable = sorted(str(path) for path in _STABLE_NAMES.glob("*"))
    known = {os.path.realpath(name) for name in stable}
    from serial.tools import list_ports

    others = sorted(port.device for port in list_ports.comports())
    return stable + [name for name in others if os.path.realpath(name) not in known]


def fingerprint(device: str) -> tuple[int, ...] | None:
    """Something that changes when a device is plugged in again or its permissions are; None while it is not there."""
    try:
        found = os.stat(device)  # noqa: PTH116 - cheap: asked twice a second while a port is away
    except (OSError, ValueError):
        return None
    return (found.st_dev, found.st_ino, found.st_rdev, found.st_mode, found.st_uid, found.st_gid)


def _why_not_open(settings: PortSettings, error: Exception) -> str:
    device = settings.device
    number = _errno_of(error)
    if number in (errno.EAGAIN, errno.EBUSY):
        return f"{device} is in use by another program; close it, or stop a second vatwatch, and it will be opened"
    if number in (errno.ENOENT, errno.ENOTDIR):
        return _not_there(device)
    if number == errno.EACCES:
        return _not_allowed(device)
    if number == errno.EPERM:
        return (
            f"{device} is closed to this service; its unit must allow this kind of device (DeviceAllow=), "
            "and the adapter's driver must be loaded before the service starts"
        )
    if isinstance(error, ValueError):
        return f"{device} cannot run at {settings.wire} ({error}); take the speed from the device's manual"
    if number in _NOT_SERIAL and not _is_terminal_device(device):
        return f"{device} is not a serial port; expected a device such as /dev/serial/by-id/…"
    if number in _GONE:
        return f"{device} does not answer to being opened ({error}); pull the adapter out and put it back"
    return f"{device} cannot be opened at {settings.wire}: {error}"


def _errno_of(error: BaseException) -> int | None:
    """The system's error number, which pyserial keeps only in the exception it replaced when it sets up a port."""
    for candidate in (error, error.__context__):
        if isinstance(candidate, OSError) and candidate.errno is not None:
            return candidate.errno
        if isinstance(candidate, termios.error) and candidate.args and isinstance(candidate.args[0], int):
            return candidate.args[0]
    return None


def _is_terminal_device(device: str) -> bool:
    try:
        descriptor = os.open(device, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    except OSError:
        return False
    try:
        return os.isatty(descriptor)
    finally:
        os.close(descriptor)


def _not_there(device: str) -> str:
    present = sorted(str(path) for path in _STABLE_NAMES.glob("*"))
    seen = f"; plugged in now: {', '.join(present)}" if present else f"; nothing is listed under {_STABLE_NAMES}"
    return f"{device} is not there; is the adapter plugged in, and the name right{seen}"


def _not_allowed(device: str) -> str:
    try:
        found = os.stat(device)  # noqa: PTH116 - follows the stable name to the device itself
    except OSError:
        return f"{device} may not be looked at by this user; a directory on the way is closed to it"
    user = _name_of_user(os.geteuid())
    try:
        group = grp.getgrgid(found.st_gid).gr_name
    except KeyError:
        group = str(found.st_gid)
    wanted = stat.S_IRGRP | stat.S_IWGRP
    if found.st_mode & wanted == wanted and found.st_gid != 0:
        return (
            f"{device} is open to the group '{group}' only, and user '{user}' is not in it; add it with "
            f"`sudo usermod -aG {group} {user}` and log in again, or give the service SupplementaryGroups={group}"
        )
    return (
        f"{device} is closed to user '{user}' (owner '{_name_of_user(found.st_uid)}', group '{group}', "
        f'mode {stat.S_IMODE(found.st_mode):04o}); expected a udev rule giving it GROUP="dialout", MODE="0660"'
    )


def _name_of_user(number: int) -> str:
    try:
        return pwd.getpwuid(number).pw_name
    except KeyError:
        return str(number)
