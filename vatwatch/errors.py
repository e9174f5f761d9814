"""Errors named by whose fault they are. Every message is written for the person reading it.

No room raises a bare `Exception` for something a dyer can mend: it raises one of these, whose text says what was
found, what was expected and what to do.
"""

from __future__ import annotations


class VatwatchError(Exception):
    """Root of all errors this program raises on purpose."""


class ConfigError(VatwatchError):
    """The settings file holds something that cannot be used. Names file, table, key, value and what is expected."""


class ProbeError(VatwatchError):
    """A probe or its wire format gave something that is not a reading."""


class PortError(VatwatchError):
    """A serial port cannot be opened, or was lost. Always worth trying again later."""


class RangeError(VatwatchError, ValueError):
    """A chemical relation was asked for outside the range its source covers."""


class StoreError(VatwatchError):
    """The store cannot be read or written (damaged, newer than this program, locked by another vatwatch)."""


class StoreFull(StoreError):
    """The disk has no room; nothing was written and nothing written before is lost. Retried until there is room."""


class OutletError(VatwatchError):
    """A delivery to the broker, the database or a phone failed."""


class OutletRetryable(OutletError):
    """Worth trying again: refused connection, time-out, overload. `retry_after_s` is the peer's own wish, if any."""

    def __init__(self, message: str, retry_after_s: float | None = None) -> None:
        super().__init__(message)
        self.retry_after_s = retry_after_s


class OutletPermanent(OutletError):
    """Trying again cannot help: wrong password, unknown database. The outlet stops and says so."""


class RowRejected(OutletError):
    """The peer refuses these rows themselves. Fewer at a time may pass; the bad one is set aside, with its reason."""


class HeldBack(OutletError):
    """Not a failure: these rows wait on purpose (quiet hours, many at once) and are handed over again later.

    `until_ms` is when they may go, UTC ms; `count` how many messages wait.
    """

    def __init__(self, message: str, until_ms: int, count: int) -> None:
        super().__init__(message)
        self.until_ms = until_ms
        self.count = count


class Refused(VatwatchError):
    """What a person handed in cannot be so; the text says why. Handing the same in again cannot help."""
