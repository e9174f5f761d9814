"""What outlets ask of the store: a read side to tail, and a bookkeeper to remember how far each one came.

Only the shape is here. The store satisfies it; no outlet imports the store, so none can write to it otherwise.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

from vatwatch.records import AlarmAction, AlarmEvent, Delivery, Numbered, Rejected, Scan, VatCard
from vatwatch.terms import Stream


class Ledger(Protocol):
    """Read side of the store. One object per thread: open it in the thread that uses it.

    Any method may raise StoreError; the caller closes this ledger and opens another one later.
    """

    def rows_after(self, stream: Stream, position: int, limit: int) -> Sequence[Numbered]:
        """Up to `limit` rows whose number is greater than `position`, in ascending order of number."""
        ...

    def newest(self, stream: Stream) -> int:
        """Number of the newest committed row, 0 when there is none."""
        ...

    def cards(self) -> Sequence[VatCard]:
        """Every vat of the current settings."""
        ...

    def last_scan(self, vat: str) -> Scan | None:
        """The newest committed scan of one vat."""
        ...

    def standing_alarms(self) -> Sequence[AlarmEvent]:
        """The latest event of each alarm whose state is not normal."""
        ...

    def delivery(self, outlet: str, stream: Stream) -> Delivery:
        """What was last recorded for this pair; a fresh Delivery at position 0 when nothing was."""
        ...

    def deliveries(self) -> Sequence[Delivery]:
        """Every outlet's progress that was ever recorded."""
        ...

    def close(self) -> None:
        """Let go of the file. Closing twice is harmless."""
        ...


class Bookkeeper(Protocol):
    """The one way an outlet writes: through the store's only writer."""

    def record_delivery(self, delivery: Delivery, rejected: Rejected | None = None) -> None:
        """Block until the record is durably committed, with the row that was refused. Raises StoreError if it cannot be."""
        ...


@dataclass(frozen=True, slots=True)
class Actions:
    """Where actions on alarms go that an outlet was handed.

    `take` returns once one is on disk and raises when it is not taken; `count` keeps the tally of taken and refused ones.
    """

    take: Callable[[AlarmAction], None]
    count: Callable[[Delivery], None]
