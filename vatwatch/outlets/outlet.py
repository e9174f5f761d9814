"""The shape of a destination, as the forwarder sees it. Nothing here knows a protocol or does anything."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol, runtime_checkable

from vatwatch.outlets.ledger import Ledger
from vatwatch.records import Numbered
from vatwatch.terms import Stream


class Outlet(Protocol):
    """One destination. `deliver` runs in the forwarder's thread only."""

    @property
    def name(self) -> str:
        """Key of its deliveries in the store; never changes for the same destination."""
        ...

    @property
    def streams(self) -> tuple[Stream, ...]:
        """What it wants, in the order of importance."""
        ...

    @property
    def coalesce(self) -> bool:
        """True for an outlet of current state: of a backlog only the newest row per vat is handed over."""
        ...

    @property
    def idempotent(self) -> bool:
        """True when a row delivered twice leaves no trace: the cursor then need not be written after each delivery."""
        ...

    @property
    def batch_limit(self) -> int:
        """Most rows in one `deliver`."""
        ...

    def deliver(self, stream: Stream, rows: Sequence[Numbered]) -> int | None:
        """Deliver rows in order; return only when the peer has them.

        None means all of them; a number means "up to this row", and the rest is handed over again after the
        cursor is recorded. Raises OutletRetryable, OutletPermanent or RowRejected.
        """
        ...

    def close(self) -> None:
        """Say goodbye and let go. Called once, in the forwarder's thread."""
        ...


@runtime_checkable
class Prepared(Protocol):
    """An outlet that can say at once, before anything waits for it, that its settings cannot be used."""

    def prepare(self) -> None:
        """Raises OutletPermanent or OutletRetryable."""
        ...


@runtime_checkable
class LateComer(Protocol):
    """An outlet to which what was before it came is of no use."""

    def first_position(self, ledger: Ledger) -> int:
        """The number it starts behind when nothing was ever recorded of it."""
        ...
