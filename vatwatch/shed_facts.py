"""Looks at the machine vatwatch runs on: what its outlets have not delivered, room on the disk, whether its clock is set.

Concludes nothing: `vat/shed_alarms.py` judges. Never raises for something that cannot be found out; that is then None.
"""

from __future__ import annotations

import ctypes
import shutil
import time
from collections.abc import Callable, Iterable
from pathlib import Path

from vatwatch.clock import Clock, SystemClock
from vatwatch.errors import StoreError
from vatwatch.records import AlarmEvent, Delivery, JournalEntry, Numbered, Push, Scan
from vatwatch.store.reading import StoreReader
from vatwatch.terms import Stream
from vatwatch.vat.settings import MINUTE_MS
from vatwatch.vat.shed_alarms import ShedFacts, Undelivered

WAITED_TOO_LONG_MS = 30 * MINUTE_MS
WHY_MOST = 160
TIMESYNC = Path("/run/systemd/timesync/synchronized")
"""systemd-timesyncd touches it when it has set the clock (systemd-timesyncd.service(8))."""
_TIME_ERROR = 5
"""adjtimex(2): the kernel's clock is not synchronised. Number from <sys/timex.h>, from memory."""
_NAMES = {"mqtt": "the MQTT broker", "influxdb": "the InfluxDB database", "heartbeat": "the heartbeat address"}


class FactFinder:
    """`outlets` names the destinations of the present settings; those of older ones are nobody's any more."""

    def __init__(self, store_path: Path, clock: Clock, outlets: Callable[[], Iterable[str]]) -> None:
        self._store_path = store_path
        self._clock = clock
        self._outlets = outlets

    def __call__(self) -> ShedFacts:
        now_ms = self._clock.now_ms()
        clock_set, behind_ms = None, None
        if isinstance(self._clock, SystemClock):
            clock_set = True if self._clock.machine_is_set() else is_clock_set()
            behind_ms = now_ms - time.time_ns() // 1_000_000
        return ShedFacts(
            undelivered=self._undelivered(now_ms),
            free_bytes=_free_bytes(self._store_path.parent),
            clock_set=clock_set,
            behind_ms=behind_ms,
        )

    def _undelivered(self, now_ms: int) -> tuple[Undelivered, ...] | None:
        names = set(self._outlets())
        try:
            with StoreReader(self._store_path) as reader, reader.one_view():
                waiting = [
                    (delivery, since_ms)
                    for delivery in reader.deliveries()
                    if delivery.outlet in names and (since_ms := failing_since_ms(reader, delivery)) is not None
                ]
        except StoreError:
            return None
        found: dict[str, Undelivered] = {}
        for delivery, since_ms in waiting:
            name = shown_name(delivery.outlet)
            if now_ms - since_ms >= WAITED_TOO_LONG_MS and since_ms < found.get(name, _NEVER).since_ms:
                is_phone = delivery.stream == Stream.PUSHES
                found[name] = Undelivered(name, since_ms, delivery.last_error[:WHY_MOST], is_phone)
        return tuple(found.values())


_NEVER = Undelivered("", 2**62, "", False)


def failing_since_ms(reader: StoreReader, delivery: Delivery) -> int | None:
    """Since when an outlet has had something waiting and did not get it through; None when it works or nothing waits.

    What is held on purpose, and a long backlog on its way, are no failure.
    """
    last_ok_ms = delivery.last_ok_ms or 0
    if delivery.last_error_ms is None or delivery.last_error_ms <= last_ok_ms:
        return None
    if delivery.stream not in set(Stream):
        return None if delivery.dropped else last_ok_ms or delivery.last_error_ms
    rows = reader.rows_after(Stream(delivery.stream), delivery.position, 1)
    return max(_time_ms(rows[0]), last_ok_ms) if rows else None


def shown_name(outlet: str) -> str:
    """An outlet as people call it; both lanes of a phone are that phone."""
    phone = outlet.removeprefix("danger-").removeprefix("phone-")
    return _NAMES.get(outlet, f"phone {phone}" if phone != outlet else outlet)


def _time_ms(row: Numbered) -> int:
    match row.record:
        case Scan() | AlarmEvent() | Push():
            return row.record.slot_ms
        case JournalEntry():
            return row.record.logged_ms


def _free_bytes(directory: Path) -> int | None:
    try:
        return shutil.disk_usage(directory).free
    except OSError:
        return None


def is_clock_set() -> bool | None:
    """Whether something has set this machine's clock since it started; None when that cannot be found out.

    Unlike `clock_sync`, which decides whether to believe a time, this must not take "may not ask" (ProtectClock= of
    systemd.exec(5)) for "nobody has set it": that would be an alarm for ever.
    """
    if TIMESYNC.exists():
        return True
    try:
        libc = ctypes.CDLL(None, use_errno=True)
        # `modes` is zero: nothing is changed, only asked. The structure has 208 bytes at most.
        said = libc.adjtimex(ctypes.create_string_buffer(512))
    except (OSError, AttributeError):
        return None
    if said < 0:
        return None
    return bool(said != _TIME_ERROR)
