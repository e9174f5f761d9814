"""Reading the store: one read-only connection per `StoreReader`, safe beside the running writer. Never writes.

All ranges are [from, to) in ms. Long answers are read page by page, each page from one frozen view, so that memory
stays flat and a slow reader does not keep the write-ahead log from being cut back.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, Self, TypeVar

from vatwatch.errors import StoreError
from vatwatch.records import (
    AlarmAction,
    AlarmEvent,
    Calibration,
    Delivery,
    JournalEntry,
    Numbered,
    Outlook,
    PortEvent,
    Push,
    Rejected,
    Sample,
    Scan,
    VatCard,
)
from vatwatch.store import calibrations, conditions, curves, doubt, faults, replaying, rows, schema, statements
from vatwatch.store.conditions import ConditionCount
from vatwatch.store.curves import CurvePoint
from vatwatch.store.doubt import Doubt
from vatwatch.store.replaying import ReplaySlot
from vatwatch.store.rollups import PLACES
from vatwatch.store.shelf import Shelf, Stored
from vatwatch.store.strays import in_time_order
from vatwatch.terms import AlarmState, Quantity, Stream

__all__ = ["ConditionCount", "CurvePoint", "ReplaySlot", "StoreReader"]

BUSY_TIMEOUT_MS = 10_000
PAGE_ROWS = 1_000
_END_MS = 2**62

T = TypeVar("T")


class StoreReader:
    """One read-only connection. Open one per thread; close it, or use it as a context manager."""

    def __init__(self, path: Path, *, sure_times_only: bool = False) -> None:
        """Open the store at `path`. With `sure_times_only`, streams and newest scans end where times are in doubt.

        Errors: StoreError when there is none, when it is damaged, or of another layout version than this program's.
        """
        self._path = Path(path)
        self._depth = 0
        self._sure_times_only = sure_times_only
        if not self._path.exists():
            raise StoreError(f"There is no store at {self._path} yet. `vatwatch run` begins one; check the path.")
        try:
            self._connection = sqlite3.connect(
                f"{self._path.resolve().as_uri()}?mode=ro",
                uri=True,
                isolation_level=None,
                timeout=BUSY_TIMEOUT_MS / 1000,
            )
        except sqlite3.Error as error:
            raise faults.store_error(error, self._path) from error
        try:
            self._connection.execute("PRAGMA query_only = ON")
            if sure_times_only:
                # An outlet reads on from where it was: pages behind it are not wanted again. In KiB.
                self._connection.execute("PRAGMA cache_size = -512")
            self._check_layout()
            self._shelf = Shelf(self._connection)
        except sqlite3.Error as error:
            self._connection.close()
            raise faults.store_error(error, self._path) from error
        except StoreError:
            self._connection.close()
            raise

    def close(self) -> None:
        """Close the connection. May be called more than once."""
        self._connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @contextmanager
    def one_view(self) -> Iterator[Self]:
        """Freeze what the store holds for all calls inside: they see the same whole batches. Keep it short."""
        with self._view():
            yield self

    def cards(self) -> list[VatCard]:
        """The vats of the newest settings, in their order."""
        return self._list(rows.card_of, statements.SELECT_CARDS)

    def vats(self) -> list[str]:
        """Every vat known to the store: those of the newest settings in their order, then those only scanned once."""
        with self._view() as connection:
            names = [card.vat for card in self.cards()]
            scanned = [row[0] for row in connection.execute(statements.SELECT_VATS)]
        return names + [name for name in scanned if name not in names]

    def last_scan(self, vat: str) -> Scan | None:
        """The scan of the newest slot of `vat`."""
        with self._view():
            stored = self._shelf.last(vat)
            sure = self._sure(Stream.SCANS)
        return None if stored is None or stored.number > sure else rows.scan_of(stored.step.scan)

    def scans(self, vat: str, from_ms: int, to_ms: int) -> Iterator[Scan]:
        """Scans of `vat` whose slot ends in [from_ms, to_ms), in slot order."""
        while True:
            with self._view():
                page = self._shelf.steps(vat, from_ms, to_ms, PAGE_ROWS)
            if not page:
                return
            for stored in page:
                yield rows.scan_of(stored.step.scan)
            from_ms = page[-1].step.scan[0] + 1

    def states(self, vat: str, from_ms: int, to_ms: int) -> Iterator[Scan]:
        """Like `scans`, but only condition, pH at 25 °C, temperature, share and margin are filled: much faster far back.

        What else a scan holds is nothing or NaN here. All of the span is held at once: keep it to hours.
        """
        with self._view():
            said = sorted(
                told for columns in self._shelf.conditions(vat, from_ms, to_ms) for told in zip(*columns, strict=True)
            )
            known = {
                name: {
                    slot_ms: value
                    for slots, values in self._shelf.floats(vat, PLACES[name], from_ms, to_ms)
                    for slot_ms, value in zip(slots, values, strict=True)
                    if value == value
                }
                for name in ("ph_25c", "temperature_c", "reduction_share", "reduction_margin_mv")
            }
        for slot_ms, condition, short in said:
            yield rows.state_of(vat, slot_ms, condition, short, *(values.get(slot_ms) for values in known.values()))

    def samples(self, vat: str, from_ms: int, to_ms: int) -> Iterator[Sample]:
        """Samples of `vat` taken in [from_ms, to_ms), by time; equal times in the order they were handed in."""

        def scans_of(from_slot_ms: int, to_slot_ms: int) -> list[Stored]:
            with self._view():
                return self._shelf.steps(vat, from_slot_ms, to_slot_ms, PAGE_ROWS, samples=True, judged=False)

        def strays_after(time_ms: int, number: int, place: int) -> list[rows.Row]:
            return self._rows(statements.SELECT_STRAYS, (vat, time_ms, number, place, to_ms, PAGE_ROWS))

        for row in in_time_order(from_ms, to_ms, scans_of, strays_after):
            yield rows.sample_of(row)

    def replay_slots(self, vat: str, from_slot_ms: int, to_slot_ms: int) -> Iterator[ReplaySlot]:
        """What the pipeline was given and what it made of it, slot by slot, exactly as taken.

        A journal entry or action taken at a slot of which `vat` has no scan comes with the next scan after it.
        """
        before_ms: int | None = None
        while True:
            with self._view() as connection:
                page = replaying.page_of(connection, self._shelf, vat, from_slot_ms, to_slot_ms, PAGE_ROWS, before_ms)
            if not page:
                return
            yield from page
            before_ms = page[-1].slot_ms
            from_slot_ms = before_ms + 1

    def settings(self, version: int) -> str:
        """The settings of one version, as JSON text. Errors: StoreError when there is no such version."""
        found = self._rows(statements.SELECT_SETTINGS, (version,))
        if not found:
            raise StoreError(f"The store {self._path} holds no settings of version {version}.")
        return str(found[0][0])

    def newest_settings(self) -> tuple[int, str] | None:
        """Version and JSON text of the newest settings."""
        found = self._rows(statements.SELECT_NEWEST_SETTINGS)
        return (int(found[0][0]), str(found[0][1])) if found else None

    def curve(
        self,
        vat: str,
        quantity: Quantity | Literal["ph_25c", "reduction_share", "reduction_margin_mv"],
        from_ms: int,
        to_ms: int,
        buckets: int,
    ) -> list[CurvePoint]:
        """Lowest, mean and highest value of a quantity in at most `buckets` equal parts of [from_ms, to_ms).

        Where a part would be half an hour or longer, parts are whole UTC hours: the fewest that keep to `buckets`.
        Parts without a value are left out. Errors: ValueError unless buckets ≥ 1.
        """
        with self._view() as connection:
            return curves.curve_of(connection, self._shelf, vat, quantity, from_ms, to_ms, buckets)

    def condition_counts(self, vat: str, from_ms: int, to_ms: int) -> list[ConditionCount]:
        """How many scans said what of `vat`, by UTC hour, of slots that end in (from_ms, to_ms]: a slot is what it ends."""
        with self._view() as connection:
            return conditions.counts_of(connection, self._shelf, vat, from_ms, to_ms)

    def card_history(self) -> list[tuple[int, VatCard]]:
        """Every vat's card under each version of the settings, with the slot from which on it was in force; oldest first."""
        return [(int(row[0]), rows.card_of(row[1:])) for row in self._rows(statements.SELECT_CARD_HISTORY)]

    def settings_history(self) -> list[tuple[int, str, list[VatCard]]]:
        """Every version of the settings, oldest first: the slot from which on it was in force, its text, its cards."""
        with self._view():
            cards = self._rows(statements.SELECT_ALL_CARDS)
            return [
                (int(since_ms), str(text), [rows.card_of(row[1:]) for row in cards if row[0] == version])
                for version, since_ms, text in self._rows(statements.SELECT_ALL_SETTINGS)
            ]

    def journal(self, vat: str | None, from_ms: int, to_ms: int) -> list[JournalEntry]:
        """Entries of one vat, or of all, that happened in [from_ms, to_ms), by time."""
        return self._list(rows.journal_of, statements.SELECT_JOURNAL, (vat, from_ms, to_ms))

    def alarm_events(self, vat: str | None, from_ms: int, to_ms: int) -> list[AlarmEvent]:
        """Alarm transitions of one vat, or of all, at slots in [from_ms, to_ms), by slot."""
        return self._list(rows.alarm_event_of, statements.SELECT_ALARM_EVENTS, (vat, from_ms, to_ms))

    def standing_alarms(self) -> list[AlarmEvent]:
        """The newest transition of every alarm that is not back to normal, oldest first.

        Suppressed by design is quiet too, and the alarms of a vat that is in the settings no more are nobody's. Those about
        the shed as a whole have no vat.
        """
        known = {card.vat for card in self.cards()}
        events = self._list(rows.alarm_event_of, statements.SELECT_STANDING_ALARMS, (AlarmState.NORMAL.value,))
        return [
            event
            for event in events
            if event.to_state is not AlarmState.SUPPRESSED and (not known or not event.vat or event.vat in known)
        ]

    def shelved_until(self, shelving: AlarmEvent) -> int | None:
        """When the shelving that this event tells of ends; None when nobody said."""
        found = self._rows(statements.SELECT_SHELVED_UNTIL, (shelving.vat, shelving.alarm, shelving.slot_ms))
        return found[0][0] if found else None

    def pushes(self, from_ms: int, to_ms: int) -> list[Push]:
        """Messages made at slots in [from_ms, to_ms), by slot."""
        return self._list(rows.push_of, statements.SELECT_PUSHES, (from_ms, to_ms))

    def port_events(self, from_ms: int, to_ms: int) -> list[PortEvent]:
        """What happened to serial ports in [from_ms, to_ms), by time."""
        return self._list(rows.port_event_of, statements.SELECT_PORT_EVENTS, (from_ms, to_ms))

    def span(self) -> tuple[int, int] | None:
        """The first and the last slot of any vat; None while nothing is stored."""
        with self._view() as connection:
            first_ms = connection.execute(statements.SELECT_FIRST_SLOT).fetchone()[0]
            last_ms = self._shelf.newest_slot()
        return None if first_ms is None or last_ms is None else (int(first_ms), last_ms)

    def rows_after(self, stream: Stream, position: int, limit: int) -> list[Numbered]:
        """Up to `limit` rows of a stream numbered above `position`, in order."""
        record_of = rows.stream_record_of(stream)
        if stream is Stream.SCANS:
            with self._view():
                page = self._shelf.numbered(position, max(0, limit))
                sure = self._sure(stream)
            return [Numbered(one.number, rows.scan_of(one.step.scan)) for one in page if one.number <= sure]
        with self._view():
            found = self._rows(statements.SELECT_ROWS_AFTER[stream], (position, max(0, limit)))
            sure = self._sure(stream)
        return [Numbered(row[0], record_of(row[1:])) for row in found if row[0] <= sure]

    def newest(self, stream: Stream) -> int:
        """The number of the newest row of a stream; 0 while it is empty."""
        if stream is Stream.SCANS:
            with self._view():
                return min(self._shelf.newest_number(), self._sure(stream))
        with self._view():
            return min(int(self._rows(statements.SELECT_NEWEST_NUMBER[stream])[0][0]), self._sure(stream))

    def doubt(self) -> Doubt | None:
        """Since when times are in doubt, because the clock is not known to be right; None while they are not."""
        with self._view() as connection:
            return doubt.standing(connection)

    def _sure(self, stream: Stream) -> int:
        """The last number of a stream that may be given out. Messages always may: danger waits for no clock."""
        stands = doubt.standing(self._connection) if self._sure_times_only else None
        if stands is None:
            return _END_MS
        last = {
            Stream.SCANS: stands.after_number,
            Stream.JOURNAL: stands.after_journal,
            Stream.ALARM_EVENTS: stands.after_alarm_event,
        }
        return last.get(stream, _END_MS)

    def delivery(self, outlet: str, stream: str) -> Delivery:
        """How far `outlet` has come with `stream`; at position 0 when nothing was recorded yet."""
        found = self._list(rows.delivery_of, statements.SELECT_DELIVERY, (outlet, str(stream)))
        return _first(found) or Delivery(outlet, str(stream))

    def deliveries(self) -> list[Delivery]:
        """Every outlet's progress, by outlet and stream."""
        return self._list(rows.delivery_of, statements.SELECT_DELIVERIES)

    def rejected(self, outlet: str | None = None, limit: int = 100) -> list[Rejected]:
        """Rows that outlets refused, the newest first."""
        return self._list(rows.rejected_of, statements.SELECT_REJECTED, (outlet, limit))

    def latest_snapshot(self, vat: str) -> tuple[int, str] | None:
        """The newest kept pipeline state of `vat`: the slot after which it stood, and its JSON."""
        found = self._rows(statements.SELECT_SNAPSHOT, (vat,))
        return (int(found[0][0]), str(found[0][1])) if found else None

    def outlook(self, vat: str) -> Outlook | None:
        """How long `vat` is thought to stay as it is, as last worked out; None when nothing is in sight."""
        return _first(self._list(rows.outlook_of, statements.SELECT_OUTLOOK, (vat,)))

    def calibrations(self, probe: str | None = None) -> list[Calibration]:
        """Every calibration of one probe, or of all, accepted or refused, oldest first."""
        with self._view() as connection:
            return calibrations.select(connection, probe)

    def waiting(self, vat: str, after_ms: int | None = None) -> tuple[list[JournalEntry], list[AlarmAction]]:
        """What was handed in after the newest scan of `vat` (or after `after_ms`), in order: committed, not judged yet."""
        with self._view():
            last = self._shelf.newest_slot_of(vat) if after_ms is None else after_ms
        journal = self._rows(statements.REPLAYED_JOURNAL, (vat, last, _END_MS))
        actions = self._rows(statements.REPLAYED_ACTIONS, (vat, last, _END_MS))
        return [rows.journal_of(row[1:]) for row in journal], [rows.action_of(row[1:]) for row in actions]

    def _check_layout(self) -> None:
        known = len(schema.MIGRATIONS)
        version = schema.version_of(self._connection)
        schema.refuse_newer(version, known)
        if version < known or schema.half_converted(self._connection):
            raise StoreError(
                f"The store {self._path} has layout version {version}, this vatwatch reads version {known}. Start "
                "`vatwatch run` once: it brings the store up to date."
            )

    def _rows(self, query: str, values: Sequence[Any] = ()) -> list[rows.Row]:
        with self._view() as connection:
            return connection.execute(query, values).fetchall()

    def _list(self, record_of: Callable[[rows.Row], T], query: str, values: Sequence[Any] = ()) -> list[T]:
        return [record_of(row) for row in self._rows(query, values)]

    @contextmanager
    def _view(self) -> Iterator[sqlite3.Connection]:
        # Nested views share the outermost transaction, so that all of them see one state of the file.
        try:
            if self._depth == 0:
                self._connection.execute("BEGIN")
            self._depth += 1
            try:
                yield self._connection
            finally:
                self._depth -= 1
                if self._depth == 0 and self._connection.in_transaction:
                    self._connection.execute("COMMIT")
        except sqlite3.Error as error:
            raise faults.store_error(error, self._path) from error


def _first(found: list[T]) -> T | None:
    return found[0] if found else None
