"""The pipeline thread: collects samples, closes slots on the scan grid, judges each vat; the store's only writer.

Readers hand samples in and never wait. Everything else that writes (journal, alarm actions, outlet cursors) is handed
to this thread and waits for its commit. A full disk stops nothing but writing: slots are judged and kept in memory
until there is room again.
"""

from __future__ import annotations

import logging
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Future
from pathlib import Path

from vatwatch.arrivals import Arrivals, Asked, Request, SettingsChange
from vatwatch.clock import Clock
from vatwatch.errors import ConfigError, Refused, StoreError
from vatwatch.handed_in import as_kept, why_not
from vatwatch.judging import Judged, Judging
from vatwatch.records import (
    AlarmAction,
    Batch,
    Calibration,
    Delivery,
    JournalEntry,
    Outlook,
    PortEvent,
    Push,
    Rejected,
    Sample,
    StepResult,
)
from vatwatch.retiming import begin_in_doubt, clock_set_words, end_doubt, moved_action, moved_entry, planned_step
from vatwatch.saving import Saver
from vatwatch.shed_watch import ShedWatch
from vatwatch.store import inbox
from vatwatch.store.reading import StoreReader
from vatwatch.store.writing import StoreWriter
from vatwatch.vat.night import NightSettings
from vatwatch.vat.settings import HOUR_MS, VatSettings

log = logging.getLogger(__name__)

GRACE_S = 0.02
"""Real time given to readers to hand in what they stamped before a slot's end."""
SNAPSHOT_EVERY_MS = HOUR_MS
STALL_S = 5.0
"""If the thread itself was held up longer than this (suspend, stopped process), the empty slots are not invented."""
IDLE_S = 0.5
KEEPS_UP_SCANS, KEEPS_UP_S = 3, 30.0
MOST_SLOTS_TOGETHER = 60


class Recorder:
    """Owns the writer and every vat's state. `start`, hand things in from any thread, `stop`."""

    def __init__(
        self,
        writer: StoreWriter,
        store_path: Path,
        vats: dict[str, VatSettings],
        settings_version: int,
        clock: Clock,
        inbox_path: Path,
        on_commit: Callable[[], None] = lambda: None,
        send_unsaved: Callable[[Sequence[Push]], None] = lambda _pushes: None,
        recalibrate: Callable[[Calibration], tuple[dict[str, VatSettings], int]] | None = None,
        shed: ShedWatch | None = None,
    ) -> None:
        """`recalibrate` keeps a calibration and gives the settings in force after it, with their version."""
        self._writer = writer
        self._store_path = store_path
        self._judging = Judging(vats)
        self._version = settings_version
        self._clock = clock
        self._inbox = inbox_path
        self._on_commit = on_commit
        self._recalibrate = recalibrate
        self._shed = shed or ShedWatch(self._judging.night.timezone)
        self._scan_ms = self._judging.scan_ms
        self._grace_ms = GRACE_S * 1000 * clock.rate
        self._turn = threading.Condition()
        self._arrivals = Arrivals(clock.now_ms)
        self._requests: deque[Request] = deque()
        self._journal: list[JournalEntry] = []
        self._actions: list[AlarmAction] = []
        self._saver = Saver(writer, send_unsaved)
        self._stopping = False
        self._told_waiting: set[str] = set()
        self._slot_ms = 0
        self._snapshot_ms = 0
        self._thread = threading.Thread(target=self._run, name="recorder", daemon=True)
        self.last_progress = time.monotonic()

    # --- from any thread -------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Take up where the store ends, then run. Raises StoreError when the store cannot be read."""
        begin_in_doubt(self._writer, self._store_path, self._judging, self._version, self._clock)
        self._restore()
        self._thread.start()

    @property
    def lost_samples(self) -> int:
        return self._arrivals.lost_samples

    def take(self, records: Iterable[Sample | PortEvent]) -> None:
        """Readers hand in what they read. Never waits."""
        self._arrivals.put(records)

    def submit(self, entry: JournalEntry | AlarmAction, timeout_s: float = 15.0) -> None:
        """Write down what a person did; returns once it is on disk. Raises Refused, StoreFull or StoreError if it is not."""
        complaint = why_not(entry, self._judging.vats, self._clock.now_ms(), self._clock.rate)
        if complaint:
            raise Refused(complaint)
        self._ask(entry, timeout_s)

    def record_delivery(self, delivery: Delivery, rejected: Rejected | None = None) -> None:
        """Remember how far an outlet came, and the row it was refused; returns once it is on disk."""
        self._ask((delivery, rejected), 60.0)

    def change_settings(self, change: SettingsChange, timeout_s: float = 15.0) -> None:
        """Call `change` on this thread and judge every later slot by the settings, of the same vats, that it gives."""
        self._ask(change, timeout_s)

    def stop(self, timeout_s: float = 5.0) -> bool:
        """Judge what is complete, keep every vat's state, end the thread. False if it did not end in time."""
        with self._turn:
            self._stopping = True
            self._turn.notify_all()
        if self._thread.ident is None:
            return True
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    @property
    def keeps_up(self) -> bool:
        """Whether slots are being judged about when they are due. A thread that only goes round in errors does not."""
        behind_ms = self._clock.now_ms() - self._slot_ms
        return self.alive and behind_ms <= max(KEEPS_UP_SCANS * self._scan_ms, KEEPS_UP_S * 1000 * self._clock.rate)

    @property
    def alive(self) -> bool:
        return self._thread.is_alive()

    @property
    def night(self) -> NightSettings:
        """When the evening and the morning message are due."""
        return self._judging.night

    @night.setter
    def night(self, night: NightSettings) -> None:
        self._judging.night = night

    @property
    def lost_batches(self) -> int:
        return self._saver.lost_batches

    def _ask(self, what: Asked, timeout_s: float) -> None:
        request = Request(what, Future())
        with self._turn:
            if self._stopping or (self._thread.ident is not None and not self._thread.is_alive()):
                raise StoreError("vatwatch is stopping; nothing more is written down. Try again when it runs again.")
            self._requests.append(request)
            self._turn.notify_all()
        try:
            request.outcome.result(timeout_s)
        except TimeoutError as error:
            raise StoreError(
                "the store did not answer in time; it is not certain that this was written down"
            ) from error

    # --- the thread ------------------------------------------------------------------------------------------------

    def _run(self) -> None:
        # Upwards onto the grid: the slots stored so far may have been of another length.
        self._slot_ms = max(-(-self._slot_ms // self._scan_ms) * self._scan_ms, self._floor(self._clock.now_ms()))
        while True:
            self.last_progress = time.monotonic()
            with self._turn:
                if not self._stopping and not self._requests:
                    self._turn.wait(self._seconds_to_next_slot())
                requests, self._requests = list(self._requests), deque()
                stopping = self._stopping
            try:
                self._serve(requests)
                self._close_due_slots()
            except Exception:  # a defect must not end the watch; the next slot is judged afresh
                log.exception("the pipeline met an error it does not know; the watch goes on")
                time.sleep(0.1)
            if stopping:
                self._finish()
                return

    def _seconds_to_next_slot(self) -> float:
        if self._saver.waiting:
            return IDLE_S
        due_ms = self._slot_ms + self._scan_ms + self._grace_ms - self._clock.now_ms()
        return min(max(due_ms / 1000 / self._clock.rate, 0.0), IDLE_S)

    def _floor(self, time_ms: int) -> int:
        return time_ms - time_ms % self._scan_ms

    def _serve(self, requests: Sequence[Request]) -> None:
        """Commit what people and outlets asked for, each in a transaction of its own, and tell them."""
        for request in requests:
            try:
                match request.what:
                    case (delivery, rejected):
                        self._writer.record_delivery(delivery, rejected)
                    case JournalEntry() | AlarmAction() as entry:
                        self._write_down(entry)
                    case change:
                        self._judging.vats, self._version = change()
            except Exception as error:  # noqa: BLE001 - whatever it was, the one who asked must hear of it
                request.outcome.set_exception(error)
            else:
                request.outcome.set_result(None)
        if any(not isinstance(request.what, tuple) for request in requests):
            self._on_commit()

    def _write_down(self, entry: JournalEntry | AlarmAction) -> None:
        """Commit a person's entry at once and let the next slot judge it. Twice the same id is once."""
        if self._writer.has(entry):
            return
        taken_ms = self._slot_ms + self._scan_ms
        entry = as_kept(entry, self._judging.vats, taken_ms)
        if isinstance(entry, JournalEntry):
            self._writer.append(Batch(taken_ms, self._version, journal=(entry,)))
            self._journal.append(entry)
        else:
            self._writer.append(Batch(taken_ms, self._version, actions=(entry,)))
            self._actions.append(entry)

    def _read_inbox(self) -> None:
        for path, entry in inbox.collect(self._inbox):
            complaint = why_not(entry, self._judging.vats, self._clock.now_ms(), self._clock.rate)
            if complaint:
                if self._clock.synchronised:
                    inbox.reject(path, complaint)
                continue  # in doubt it may be this clock that is wrong: the entry waits
            if isinstance(entry, Calibration):
                self._take_calibration(path, entry)
            else:
                self._write_down(entry)
            inbox.clear([path])
        self._told_waiting = inbox.tell_unreadable(self._inbox, self._told_waiting)

    def _take_calibration(self, path: Path, calibration: Calibration) -> None:
        """Keep it, and judge every later slot with the settings in force after it."""
        if self._recalibrate is None:
            inbox.reject(path, "calibrations are not taken here")
            return
        try:
            self._judging.vats, self._version = self._recalibrate(calibration)
        except ConfigError as error:
            inbox.reject(path, str(error))
            return
        outcome = "accepted" if calibration.accepted else f"refused ({calibration.fault})"
        log.info("probe %s was calibrated: %s", calibration.probe, outcome)

    def _put_clock_right(self, by_ms: int) -> None:
        """The true time is known: everything since the doubt began is judged with it, as if it had been known."""
        self._save()
        if self._saver.waiting:
            return  # first what is judged must be on disk
        true_ms = self._clock.now_ms() + by_ms
        step_ms = planned_step(self._store_path, by_ms, self._scan_ms, true_ms)
        by_ms = by_ms if step_ms is None else step_ms
        self._journal = [moved_entry(entry, by_ms) for entry in self._journal]
        self._actions = [moved_action(action, by_ms) for action in self._actions]
        self._arrivals.put_right(by_ms, self._clock.correct)
        self._shed.put_right(by_ms)
        now_ms = self._clock.now_ms()
        settled = end_doubt(self._writer, self._store_path, self._judging, self._version, by_ms, now_ms)
        if settled is not None:
            self._judging, self._slot_ms = settled.judging, settled.slot_ms or self._floor(now_ms)
            self._arrivals.put_back(settled.left_over)
        self._arrivals.put([PortEvent(self._clock.now_ms(), "clock", "set", clock_set_words(by_ms))])
        self._snapshot_ms = self._slot_ms
        self._on_commit()

    def _close_due_slots(self) -> None:
        by_ms = self._clock.correction_ms()
        if by_ms is not None:
            self._put_clock_right(by_ms)
        due_ms = self._floor(int(self._clock.now_ms() - self._grace_ms))
        if due_ms <= self._slot_ms:
            self._save()
            return
        try:
            self._read_inbox()
        except StoreError as error:
            log.warning("entries handed in by other programs wait: %s", error)
        stalled = due_ms - self._slot_ms > max(2 * self._scan_ms, STALL_S * 1000 * self._clock.rate)
        while self._slot_ms < due_ms:
            if stalled:
                self._leave_out_empty_slots(due_ms)
            # Slots that became due together are committed together: a slow card then costs one sync, not many.
            together = min(due_ms, self._slot_ms + MOST_SLOTS_TOGETHER * self._scan_ms)
            if stalled:
                together = min(together, self._slot_ms + self._scan_ms)
            self._saver.add(self._judge(together))
            self.last_progress = time.monotonic()
            if self._saver.waiting > 1:
                self._save()
        self._save()

    def _leave_out_empty_slots(self, due_ms: int) -> None:
        """After the thread was held up (suspend, a stopped process, a clock that stepped): no slot without a sample.

        Jumps to the slot of the next sample that waits, or to the last slot that is due.
        """
        first_ms = self._arrivals.first_from(self._slot_ms)
        following = due_ms if first_ms is None else first_ms
        target = min(self._floor(following), due_ms - self._scan_ms)
        if target > self._slot_ms:
            log.warning(
                "%.0f s passed without this program running; they are left out", (target - self._slot_ms) / 1000
            )
            self._slot_ms = target

    def _judge(self, through_ms: int) -> Batch:
        """Every vat, slot by slot, up to the slot that ends at `through_ms`; the batch says all that is to be kept."""
        steps: list[StepResult] = []
        told: list[Push] = []
        of_shed = [action for action in self._actions if not action.vat]
        in_sight: dict[str, Outlook | None] = {}
        while self._slot_ms < through_ms:
            before_ms = self._slot_ms
            self._slot_ms = min(before_ms + self._scan_ms, through_ms)
            judged = self._judge_slot(before_ms, self._slot_ms)
            steps.extend(judged.steps)
            told.extend(judged.shed_pushes)
            in_sight |= judged.outlooks
        shed = self._shed.step(self._slot_ms, self._judging.vats, of_shed)
        snapshots = {}
        # While the clock is in doubt the last sure state stays the one to begin anew from.
        if self._clock.synchronised and self._slot_ms - self._snapshot_ms >= SNAPSHOT_EVERY_MS:
            snapshots = self._judging.snapshots()
            self._snapshot_ms = self._slot_ms
        return Batch(
            self._slot_ms,
            self._version,
            tuple(steps),
            port_events=self._arrivals.events(),
            state_snapshots=snapshots | shed.snapshots,
            shed_pushes=(*told, *shed.pushes),
            shed_events=shed.events,
            outlooks=in_sight,
        )

    def _judge_slot(self, before_ms: int, slot_ms: int) -> Judged:
        """One slot of every vat; the states move on."""
        taken = self._arrivals.samples_before(slot_ms)
        journal, self._journal = self._journal, []
        actions, self._actions = self._actions, []
        return self._judging.judge(before_ms, slot_ms, taken, journal, actions)

    def _save(self) -> None:
        if self._saver.save():
            self._on_commit()

    def _finish(self) -> None:
        newest_ms = self._arrivals.newest()
        if newest_ms is not None:
            # What came since the last full slot is kept too: the last slot of a run is a short one.
            self._saver.add(self._judge(max(newest_ms, self._slot_ms) + 1))
        self._save()
        if not self._saver.waiting and self._slot_ms and self._clock.synchronised:
            try:
                self._writer.append(Batch(self._slot_ms, self._version, state_snapshots=self._judging.snapshots()))
            except StoreError as error:
                log.warning("the last state was not kept; the next start replays a little more: %s", error)
        with self._turn:
            requests, self._requests = list(self._requests), deque()
        for request in requests:
            request.outcome.set_exception(StoreError("vatwatch is stopping; this was not written down"))

    # --- restart ---------------------------------------------------------------------------------------------------

    def _restore(self) -> None:
        """Each vat's state as it was after its newest stored slot: snapshot, then replay of the slots behind it."""
        with StoreReader(self._store_path) as reader:
            newest_ms, journal, actions = self._judging.restore(reader)
            self._slot_ms = max(self._slot_ms, newest_ms)
            self._journal.extend(journal)
            self._actions.extend(actions)
            self._shed.restore(reader)
            self._snapshot_ms = self._slot_ms
