"""Builders for the page's tests: a real store with its one writer thread, and the page served beside it."""

from __future__ import annotations

import queue
import socket
import threading
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

from vatwatch.errors import VatwatchError
from vatwatch.page.server import PageServer
from vatwatch.records import (
    AlarmAction,
    AlarmEvent,
    Batch,
    Delivery,
    JournalEntry,
    Measured,
    Reduction,
    Scan,
    StepResult,
    VatCard,
)
from vatwatch.store.reading import StoreReader
from vatwatch.store.writing import StoreWriter
from vatwatch.terms import Flag, VatCondition

NOW_MS = 1_780_308_600_000  # 2026-06-01 10:10 UTC, 12:10 in Berlin
STALE_AFTER_MS = 120_000


def card_of(vat: str, name: str, **changes: Any) -> VatCard:
    card = VatCard(
        vat=vat,
        name=name,
        chemistry="fructose-lime",
        fibre="cellulose",
        volume_l=60.0,
        warmed=True,
        ph_low=10.5,
        ph_high=11.5,
        temperature_low_c=25.0,
        temperature_high_c=50.0,
        ceiling_c=60.0,
        reduction_low=0.9,
        settle_minutes=30.0,
        cautions=("Lime burns eyes: goggles and gloves.",),
    )
    return replace(card, **changes)


def scan_of(vat: str, slot_ms: int, condition: VatCondition = VatCondition.DYEABLE, **changes: Any) -> Scan:
    scan = Scan(
        slot_ms=slot_ms,
        vat=vat,
        ph=Measured(10.72, 0.03, Flag.PASS, time_ms=slot_ms - 2000),
        orp_mv=Measured(-612.0, 3.0, Flag.PASS, time_ms=slot_ms - 2000),
        temperature_c=Measured(41.3, 0.1, Flag.PASS, time_ms=slot_ms - 2000),
        eh_mv=-417.0,
        eh_mv_sigma=4.0,
        ph_25c=11.12,
        reduction=Reduction(0.95, 0.86, 0.985, 43.0, 9.0, False, 0.93),
        condition=condition,
    )
    return replace(scan, **changes)


class Writer:
    """The daemon's side: one thread that alone writes, as the pipeline thread does."""

    def __init__(self, path: Path, cards: list[VatCard], slot_ms: int) -> None:
        self._jobs: queue.Queue[tuple[Future[Any], Callable[[StoreWriter], Any]] | None] = queue.Queue()
        self.version = 0
        self.refusal: VatwatchError | None = None
        self.committed: Callable[[], None] = lambda: None
        self._thread = threading.Thread(target=self._run, args=(path,))
        self._thread.start()
        self.version = self.do(lambda writer: writer.record_settings(slot_ms, "{}", cards))

    def _run(self, path: Path) -> None:
        with StoreWriter.open(path) as writer:
            while (job := self._jobs.get()) is not None:
                future, work = job
                try:
                    future.set_result(work(writer))
                except BaseException as error:  # noqa: BLE001 - handed to whoever waits for the result
                    future.set_exception(error)

    def do(self, work: Callable[[StoreWriter], Any]) -> Any:
        future: Future[Any] = Future()
        self._jobs.put((future, work))
        return future.result(30)

    def submit(self, record: JournalEntry | AlarmAction) -> None:
        if self.refusal is not None:
            raise self.refusal
        batch = (
            Batch(record.logged_ms, self.version, journal=(record,))
            if isinstance(record, JournalEntry)
            else Batch(record.time_ms, self.version, actions=(record,))
        )
        self.do(lambda writer: writer.append(batch))
        self.committed()

    def scans(self, *scans: Scan, alarm_events: tuple[AlarmEvent, ...] = ()) -> None:
        for scan in scans:
            events = tuple(event for event in alarm_events if event.vat == scan.vat and event.slot_ms == scan.slot_ms)
            batch = Batch(scan.slot_ms, self.version, (StepResult(scan, alarm_events=events),))
            self.do(partial(StoreWriter.append, batch=batch))
        self.committed()

    def delivery(self, delivery: Delivery) -> None:
        self.do(lambda writer: writer.record_delivery(delivery))

    def stop(self) -> None:
        self._jobs.put(None)
        self._thread.join(30)


@dataclass
class House:
    """The page, served, with everything a test needs to look behind it."""

    writer: Writer
    path: Path
    url: str
    server: PageServer
    now_ms: int = NOW_MS
    handed_in: int = 0

    def clock(self) -> int:
        return self.now_ms

    def submit(self, record: JournalEntry | AlarmAction) -> None:
        self.handed_in += 1
        self.writer.submit(record)

    def reader(self) -> StoreReader:
        return StoreReader(self.path)

    def journal(self) -> list[JournalEntry]:
        with self.reader() as reader:
            return reader.journal(None, 0, NOW_MS * 2)


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as listening:
        return int(listening.getsockname()[1])


CARDS = [card_of("copper", "Copper vat"), card_of("east-shed", "East shed", warmed=False)]
