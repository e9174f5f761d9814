"""What processes do until they are killed: `python -m tests.store.killed_deeds` forks one for every line on its input.

A line is JSON: {"deed": name, "store": path, …}. The child says `pid N`, then what it has acknowledged, a line each; when
it is gone the parent says `gone N`. Forking from one warm process makes a thousand kills a matter of minutes.
"""

from __future__ import annotations

import json
import os
import shutil
import sys
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from tests.store.batches import SLOT_MS, batch_of
from vatwatch.outlets.forwarder import Forwarder
from vatwatch.outlets.influx import InfluxOutlet, InfluxSettings
from vatwatch.records import Delivery, Numbered
from vatwatch.store import converting, sealing
from vatwatch.store.backup import backup
from vatwatch.store.reading import StoreReader
from vatwatch.store.writing import StoreWriter
from vatwatch.terms import Stream

LONG_DAY, SHORT_DAY = 8640, 20
"""Slots in a day: a real one at 10 s, of which no kill lives to see the end, and one that keeps the sealing busy."""


def say(text: str) -> None:
    """One write: a line is there whole or not at all."""
    os.write(1, f"{text}\n".encode())


def slots_per_day(slots: int) -> None:
    sealing.DAY_MS, sealing.HOUR_MS = slots * SLOT_MS, slots * SLOT_MS // 4
    sealing.CHUNK_SCANS, sealing.SEAL_SCANS = (12, 60) if slots == SHORT_DAY else (17_280, 6 * 17_280)


def begun(path: Path) -> tuple[StoreWriter, int]:
    """The writer, and the newest slot in the store."""
    writer = StoreWriter.open(path)
    writer.record_settings(0, "{}", [])
    with StoreReader(path) as reader:
        span = reader.span()
    return writer, span[1] if span else 0


def append_for_ever(writer: StoreWriter, slot_ms: int) -> None:
    while True:
        slot_ms += SLOT_MS
        writer.append(batch_of(slot_ms))
        say(f"slot {slot_ms}")
        writer.record_delivery(Delivery("mqtt", Stream.SCANS, slot_ms))


def ingest(order: dict[str, Any]) -> None:
    slots_per_day(LONG_DAY)
    append_for_ever(*begun(Path(order["store"])))


def seal(order: dict[str, Any]) -> None:
    slots_per_day(SHORT_DAY)
    append_for_ever(*begun(Path(order["store"])))


def migrate(order: dict[str, Any]) -> None:
    """Bring a file of the first layout up to date, a few scans at a time; over and over, on fresh copies."""
    converting.STRETCH_SCANS = 13
    store, template = Path(order["store"]), Path(order["template"])
    while True:
        writer = StoreWriter.open(store)
        writer.close()
        say(f"migrated {store}")
        store = store.with_name(f"{store.stem}+.db")
        shutil.copyfile(template, store)


def back_up(order: dict[str, Any]) -> None:
    """Copy the store again and again while another thread goes on writing it."""
    slots_per_day(SHORT_DAY)
    store = Path(order["store"])
    writer, slot_ms = begun(store)
    slot_ms += SLOT_MS
    writer.append(batch_of(slot_ms))
    say(f"slot {slot_ms}")
    writer.record_delivery(Delivery("mqtt", Stream.SCANS, slot_ms))
    threading.Thread(target=append_for_ever, args=(writer, slot_ms), daemon=True).start()
    number = 0
    while True:
        target = store.with_name(f"{store.stem}-{os.getpid()}-{number}.copy")
        made = backup(store, target)
        say(f"copied {made.newest_slot_ms} {target.name}")
        number += 1


class Told:
    """An outlet that says which rows the database has taken, as soon as its answer is in."""

    def __init__(self, outlet: InfluxOutlet) -> None:
        self.name, self.streams, self.coalesce = outlet.name, outlet.streams, outlet.coalesce
        self.idempotent = False  # a cursor after each delivery gives the kills more to hit
        self.batch_limit = 24
        self._outlet = outlet

    def deliver(self, stream: Stream, rows: Sequence[Numbered]) -> None:
        self._outlet.deliver(stream, rows)
        say(f"taken {stream} {rows[0].number} {rows[-1].number}")

    def close(self) -> None:
        self._outlet.close()


def forward(order: dict[str, Any]) -> None:
    """Forward to a database over HTTP while the store grows."""
    slots_per_day(SHORT_DAY)
    store = Path(order["store"])
    writer, slot_ms = begun(store)
    outlet = InfluxOutlet(InfluxSettings(order["url"], "dyers", "vats", "token", "shed", 5.0))
    forwarder = Forwarder(Told(outlet), lambda: StoreReader(store), writer, lambda: slot_ms)
    forwarder.start()
    while True:
        slot_ms += SLOT_MS
        writer.append(batch_of(slot_ms))
        say(f"slot {slot_ms}")
        writer.record_delivery(Delivery("mqtt", Stream.SCANS, slot_ms))
        forwarder.notify()


DEEDS: dict[str, Callable[[dict[str, Any]], None]] = {
    "ingest": ingest, "seal": seal, "migrate": migrate, "back up": back_up, "forward": forward,
}  # fmt: skip


def main() -> None:
    import influxdb_client.client.influxdb_client  # noqa: F401 - so that no child spends its life importing

    for line in sys.stdin:
        order = json.loads(line)
        child = os.fork()
        if child == 0:
            try:
                say(f"pid {os.getpid()}")
                DEEDS[order["deed"]](order)
            except BaseException as error:  # noqa: BLE001 - the parent of the test must hear of it
                say(f"failed {type(error).__name__}: {error}")
            os._exit(1)
        os.waitpid(child, 0)
        say(f"gone {child}")


if __name__ == "__main__":
    main()
