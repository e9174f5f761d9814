"""An in-memory store for outlet tests, and the records to put into it."""

from __future__ import annotations

import threading
from dataclasses import replace

from vatwatch.errors import StoreError
from vatwatch.outlets.wake import Wake
from vatwatch.records import (
    AlarmEvent,
    Delivery,
    JournalEntry,
    Measured,
    Numbered,
    Push,
    Reduction,
    Rejected,
    Scan,
    VatCard,
)
from vatwatch.terms import AlarmState, EntryKind, Flag, Stream, Urgency, VatCondition

T0 = 1_767_225_600_000  # 2026-01-01 00:00 UTC


class Book:
    """Ledger, bookkeeper and writer in one. `crash_before_record` loses the next record, as a power cut would."""

    def __init__(self) -> None:
        self.lock = threading.Lock()
        self.rows: dict[Stream, list[Numbered]] = {stream: [] for stream in Stream}
        self.kept: dict[tuple[str, str], Delivery] = {}
        self.records = 0
        self.rejected: list[Rejected] = []
        self.vats: list[VatCard] = []
        self.refuse_records: StoreError | None = None
        self.refuse_reads: StoreError | None = None
        self.largest_read = 0
        self.opened = 0

    def add(self, *records: Scan | AlarmEvent | JournalEntry | Push) -> None:
        streams = {
            Scan: Stream.SCANS,
            AlarmEvent: Stream.ALARM_EVENTS,
            JournalEntry: Stream.JOURNAL,
            Push: Stream.PUSHES,
        }
        with self.lock:
            for record in records:
                rows = self.rows[streams[type(record)]]
                rows.append(Numbered(len(rows) + 1, record))

    def open(self) -> Book:
        if self.refuse_reads is not None:
            raise self.refuse_reads
        self.opened += 1
        return self

    def close(self) -> None:
        """Nothing to let go of."""

    def rows_after(self, stream: Stream, position: int, limit: int) -> list[Numbered]:
        if self.refuse_reads is not None:
            raise self.refuse_reads
        with self.lock:
            rows = self.rows[stream][position : position + limit]
        self.largest_read = max(self.largest_read, len(rows))
        return rows

    def newest(self, stream: Stream) -> int:
        return len(self.rows[stream])

    def cards(self) -> list[VatCard]:
        return list(self.vats)

    def last_scan(self, vat: str) -> Scan | None:
        with self.lock:
            scans = [row.record for row in self.rows[Stream.SCANS]]
        return next((scan for scan in reversed(scans) if isinstance(scan, Scan) and scan.vat == vat), None)

    def standing_alarms(self) -> list[AlarmEvent]:
        latest: dict[tuple[str, str], AlarmEvent] = {}
        with self.lock:
            for row in self.rows[Stream.ALARM_EVENTS]:
                if isinstance(event := row.record, AlarmEvent):
                    latest[event.vat, event.alarm] = event
        return [event for event in latest.values() if event.to_state is not AlarmState.NORMAL]

    def delivery(self, outlet: str, stream: Stream) -> Delivery:
        return self.kept.get((outlet, stream), Delivery(outlet, stream))

    def deliveries(self) -> list[Delivery]:
        return list(self.kept.values())

    def record_delivery(self, delivery: Delivery, rejected: Rejected | None = None) -> None:
        if self.refuse_records is not None:
            raise self.refuse_records
        self.records += 1
        if rejected is not None:
            self.rejected.append(rejected)
        self.kept[delivery.outlet, delivery.stream] = delivery


class SwiftWake(Wake):
    """A clock that jumps instead of sleeping; stops the forwarder after so many seconds of its own time."""

    def __init__(self, stop_after_s: float) -> None:
        super().__init__()
        self.time_s = 0.0
        self._stop_after_s = stop_after_s

    def now_s(self) -> float:
        return self.time_s

    def wait(self, timeout_s: float) -> None:
        self.time_s += max(timeout_s, 0.001)
        if self.time_s >= self._stop_after_s:
            self.stop()


def measured(value: float | None, flag: Flag = Flag.PASS) -> Measured:
    return Measured(value, None if value is None else 0.05, flag, "" if value is not None else "no answer")


def scan(slot: int, vat: str = "madder-lane", **changes: object) -> Scan:
    base = Scan(
        slot_ms=T0 + 10_000 * slot,
        vat=vat,
        ph=measured(11.02),
        orp_mv=measured(-742.4),
        temperature_c=measured(49.87),
        eh_mv=-532.1,
        eh_mv_sigma=3.0,
        ph_25c=11.61,
        reduction=Reduction(0.964, 0.91, 0.987, 44.0, 9.0, False, 0.97),
        condition=VatCondition.DYEABLE,
        settled_from_ms=T0 - 1_800_000,
    )
    return replace(base, **changes)  # type: ignore[arg-type]


def alarm(slot: int, to_state: AlarmState, vat: str = "madder-lane", name: str = "overheat", n: int = 1) -> AlarmEvent:
    return AlarmEvent(T0 + 10_000 * slot, vat, name, n, "raised", AlarmState.NORMAL, to_state, 63.2, 60.0)


def entry(number: int, time_ms: int = T0, vat: str = "madder-lane") -> JournalEntry:
    return JournalEntry(f"e{number}", time_ms, time_ms + 5, vat, EntryKind.FEED, "fructose", grams=12.5, by="Ida")


def push(number: int, time_ms: int = T0, urgency: Urgency = Urgency.ACT, vat: str = "madder-lane") -> Push:
    return Push(
        f"{vat}:off-reduction-low:{number}:raised",
        time_ms,
        vat,
        "off-reduction-low",
        urgency,
        f"Madder Lane: the liquor is losing its reduction ({number})",
        "Leuco share fell from 97 % to 71 % in 3 h. Feed half of the usual reductant & stir gently.",
        "97 ▇▇▇▆▅▃\n70      ▂▁",
    )


def card(vat: str = "madder-lane", name: str = "Madder Lane") -> VatCard:
    return VatCard(vat, name, "fructose-lime", "cotton", 60.0, True, 10.5, 11.8, 45.0, 55.0, 60.0, 0.9, 30.0)
