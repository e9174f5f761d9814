"""Carries the store's streams to one outlet, in order, at least once, for as long as it takes.

One thread per outlet tails the store by its own cursor: read a batch, deliver it, record the cursor. It knows
no protocol, writes nothing but its own `Delivery`, and keeps an outlet's trouble from the rest of the program.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from secrets import SystemRandom

from vatwatch.errors import HeldBack, OutletError, OutletPermanent, OutletRetryable, RowRejected, StoreError
from vatwatch.outlets.ledger import Bookkeeper, Ledger
from vatwatch.outlets.outlet import LateComer, Outlet, Prepared
from vatwatch.outlets.wake import Wake
from vatwatch.records import Delivery, Numbered, Rejected
from vatwatch.terms import Stream

__all__ = ["Forwarder", "Outlet"]

log = logging.getLogger(__name__)

POLL_S = 1.0
"""A safety net: a lost notification costs one second, not a night."""
SLICE_S = 5.0
"""Longest single sleep, so that `last_progress` stays fresh through a long back-off."""
BACK_OFF_FIRST_S = 1.0
BACK_OFF_MOST_S = 300.0
RETRY_AFTER_MOST_S = 3600.0
"""A peer that asks for a longer silence than this is asked again all the same."""
PERMANENT_RETRY_S = 900.0
REJECTED_IN_A_ROW = 10
"""So many rows refused with none taken between them: the fault is not in the rows."""
RECORD_EVERY_S = 60.0
"""How often unchanged trouble, or the cursor of an outlet that bears repetition, is written: a card is not for that."""


@dataclass(slots=True)
class _Tail:
    """One stream's cursor and its mood."""

    stream: Stream
    delivery: Delivery
    due_s: float = 0.0
    failures_in_a_row: int = 0
    rejected_in_a_row: int = 0
    recorded_s: float = float("-inf")
    unrecorded: bool = False
    rejected: Rejected | None = None
    must_record: bool = False
    held: tuple[int, int] | None = None


class Forwarder:
    """Runs one outlet in a thread of its own.

    `open_ledger` is called in that thread; `clock_ms` gives the time written into the `Delivery`; `wake` and
    `jitter` (0…1) exist so that tests need not sleep.
    """

    def __init__(
        self,
        outlet: Outlet,
        open_ledger: Callable[[], Ledger],
        bookkeeper: Bookkeeper,
        clock_ms: Callable[[], int],
        wake: Wake | None = None,
        jitter: Callable[[], float] | None = None,
    ) -> None:
        self._outlet = outlet
        self._open_ledger = open_ledger
        self._bookkeeper = bookkeeper
        self._clock_ms = clock_ms
        self._wake = wake if wake is not None else Wake()
        self._jitter = jitter if jitter is not None else SystemRandom().random
        self._ledger: Ledger | None = None
        self._ledger_failures = 0
        self._tails: list[_Tail] = []
        self._thread: threading.Thread | None = None
        self._last_progress = self._wake.now_s()

    @property
    def name(self) -> str:
        """The outlet's name."""
        return self._outlet.name

    @property
    def alive(self) -> bool:
        """Whether the thread runs."""
        return self._thread is not None and self._thread.is_alive()

    @property
    def last_progress(self) -> float:
        """Monotonic seconds at which the thread last showed that it lives; sleeping out a back-off counts."""
        return self._last_progress

    @property
    def deliveries(self) -> tuple[Delivery, ...]:
        """Where each stream stands now, including what is not yet recorded."""
        return tuple(tail.delivery for tail in list(self._tails))

    @property
    def held(self) -> tuple[int, int] | None:
        """Until when (UTC ms) messages are held on purpose, and how many; None when none is."""
        return next((tail.held for tail in list(self._tails) if tail.held is not None), None)

    def start(self) -> None:
        """Start the thread. A forwarder is started once."""
        if self._thread is not None:
            raise RuntimeError("this forwarder was started before; make a new one")
        self._thread = threading.Thread(target=self.run, name=f"outlet-{self._outlet.name}", daemon=True)
        self._thread.start()

    def notify(self) -> None:
        """Something was committed: look at once. Safe from any thread, never blocks."""
        self._wake.notify()

    def stop(self, timeout_s: float) -> bool:
        """Ask the thread to end and wait for it. False when a delivery still hangs after `timeout_s`."""
        self._wake.stop()
        if self._thread is None:
            return True
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def run(self) -> None:
        """The thread's work; tests call it directly. Returns after `stop`."""
        try:
            while not self._wake.stopped:
                self._last_progress = self._wake.now_s()
                try:
                    moved = self._turn()
                    self._ledger_failures = 0
                except Exception as error:  # noqa: BLE001 - nothing may end this thread, least of all a damaged store
                    self._store_trouble(error)
                    continue
                if not moved:
                    self._wake.wait(self._idle_s())
        finally:
            self._farewell()

    def _turn(self) -> bool:
        """One look at every stream; True when there may be more to do at once."""
        if self._ledger is None:
            self._ledger = self._open_ledger()
        if not self._tails:
            self._tails = [self._tail(self._ledger, stream) for stream in self._outlet.streams]
            self._prepare()
        moved = False
        for tail in self._tails:
            if self._wake.stopped:
                break
            if tail.must_record:
                # Delivered but not recorded: going on would deliver more twice if the power failed now.
                self._record(tail)
            elif tail.unrecorded and self._wake.now_s() - tail.recorded_s >= RECORD_EVERY_S:
                self._record(tail)
            if self._wake.now_s() < tail.due_s:
                continue
            rows, through = self._next_rows(self._ledger, tail)
            if rows:
                moved = self._forward(tail, rows, through) or moved
        return moved

    def _tail(self, ledger: Ledger, stream: Stream) -> _Tail:
        """Where a stream was left, or where an outlet begins of which nothing was ever recorded."""
        name = self._outlet.name
        known = any((one.outlet, one.stream) == (name, stream) for one in ledger.deliveries())
        if known or not isinstance(self._outlet, LateComer):
            return _Tail(stream, ledger.delivery(name, stream))
        tail = _Tail(stream, Delivery(name, stream, position=self._outlet.first_position(ledger)))
        self._record(tail)  # else a kill before the first delivery would let it begin later once more
        return tail

    def _prepare(self) -> None:
        """Say at the start that the outlet cannot work, rather than when the first message waits for it."""
        if not isinstance(self._outlet, Prepared):
            return
        try:
            self._outlet.prepare()
        except OutletError as error:
            for tail in self._tails:
                self._rest(tail, f"cannot be used: {error}", PERMANENT_RETRY_S)

    def _next_rows(self, ledger: Ledger, tail: _Tail) -> tuple[Sequence[Numbered], int]:
        """The next batch, and the number the cursor reaches when all of it is delivered."""
        position, limit = tail.delivery.position, self._outlet.batch_limit
        if self._outlet.coalesce:
            position = max(position, ledger.newest(tail.stream) - limit)
        rows = ledger.rows_after(tail.stream, position, limit)
        if not rows or not self._outlet.coalesce:
            return rows, rows[-1].number if rows else position
        newest = {row.record.vat: row for row in rows}
        return sorted(newest.values(), key=lambda row: row.number), rows[-1].number

    def _forward(self, tail: _Tail, rows: Sequence[Numbered], through: int) -> bool:
        """Deliver, halving what is refused until a bad row stands alone; False when the outlet must rest."""
        waiting = [list(rows)]
        while waiting:
            if self._wake.stopped:
                return False
            self._last_progress = self._wake.now_s()
            part = waiting.pop()
            last = through if not waiting else part[-1].number
            try:
                reached = self._outlet.deliver(tail.stream, part)
            except RowRejected as error:
                if len(part) > 1:
                    half = len(part) // 2
                    waiting += [part[half:], part[:half]]
                    continue
                self._drop(tail, part[0], last, error)
                if tail.rejected_in_a_row >= REJECTED_IN_A_ROW:
                    self._rest(
                        tail,
                        f"{tail.rejected_in_a_row} rows were refused one after the other, "
                        f"so the fault is not in the rows: {error}",
                        PERMANENT_RETRY_S,
                    )
                    return False
                continue
            except HeldBack as error:
                # Looked at again with every poll: the wall clock may step, and nothing else knows how fast it runs.
                tail.due_s = self._wake.now_s() + POLL_S
                tail.held = (error.until_ms, error.count)
                return False
            except OutletRetryable as error:
                self._rest(tail, str(error), self._back_off_s(tail, error.retry_after_s))
                return False
            except OutletPermanent as error:
                self._rest(tail, f"stopped, asked again every 15 min: {error}", PERMANENT_RETRY_S)
                return False
            except Exception as error:
                log.exception("outlet %s failed in an unexpected way; it is tried again", self._outlet.name)
                self._rest(tail, f"unexpected {type(error).__name__}: {error}", self._back_off_s(tail, None))
                return False
            if reached is not None and reached < part[-1].number:
                rest = [row for row in part if row.number > reached]
                if len(rest) == len(part):
                    self._rest(
                        tail,
                        "the outlet took none of the rows and gave no reason",
                        self._back_off_s(tail, None),
                    )
                    return False
                waiting.append(rest)
                last, part = reached, part[: len(part) - len(rest)]
            tail.held = None
            self._succeeded(tail, last, len(part))
        return True

    def _succeeded(self, tail: _Tail, position: int, count: int) -> None:
        was_down = tail.failures_in_a_row > 0
        if was_down:
            log.info("outlet %s takes %s again", self._outlet.name, tail.stream)
        tail.failures_in_a_row = tail.rejected_in_a_row = 0
        tail.delivery = replace(
            tail.delivery,
            position=position,
            delivered=tail.delivery.delivered + count,
            last_ok_ms=self._clock_ms(),
        )
        tail.unrecorded = True
        # Where a repetition leaves no trace, a cursor that is a minute old is as good: spare the card.
        if not self._outlet.idempotent or was_down or self._wake.now_s() - tail.recorded_s >= RECORD_EVERY_S:
            tail.must_record = True
            self._record(tail)

    def _drop(self, tail: _Tail, row: Numbered, position: int, error: RowRejected) -> None:
        reason = f"row {row.number} of {tail.stream} was refused and left out: {error}"
        log.warning("outlet %s: %s", self._outlet.name, reason)
        tail.rejected_in_a_row += 1
        tail.delivery = replace(
            tail.delivery,
            position=position,
            dropped=tail.delivery.dropped + 1,
            last_error=reason,
            last_error_ms=self._clock_ms(),
        )
        tail.rejected = Rejected(self._outlet.name, tail.stream, row.number, self._clock_ms(), str(error))
        tail.unrecorded = tail.must_record = True
        self._record(tail)

    def _rest(self, tail: _Tail, reason: str, seconds: float) -> None:
        """Note the failure and leave the stream alone for a while."""
        news = tail.failures_in_a_row == 0 or reason != tail.delivery.last_error
        tail.failures_in_a_row += 1
        tail.due_s = self._wake.now_s() + seconds
        tail.delivery = replace(
            tail.delivery,
            failures=tail.delivery.failures + 1,
            last_error=reason,
            last_error_ms=self._clock_ms(),
        )
        tail.unrecorded = True
        if not news:
            return
        log.warning("outlet %s, %s: %s (next try in %.0f s)", self._outlet.name, tail.stream, reason, seconds)
        try:
            self._record(tail)
        except StoreError as error:
            # Only a counter is lost for now; it is recorded with the next success or the next minute.
            log.warning("outlet %s: could not record its trouble: %s", self._outlet.name, error)

    def _back_off_s(self, tail: _Tail, retry_after_s: float | None) -> float:
        """Seconds to rest: the peer's wish where it has one, else doubling, each with a random share."""
        if retry_after_s is not None:
            return min(max(retry_after_s, 0.1), RETRY_AFTER_MOST_S) * (1.0 + 0.1 * self._jitter())
        ceiling = min(BACK_OFF_MOST_S, BACK_OFF_FIRST_S * 2.0 ** min(tail.failures_in_a_row, 20))
        return max(BACK_OFF_FIRST_S, ceiling * (0.5 + 0.5 * self._jitter()))

    def _record(self, tail: _Tail) -> None:
        """Write the cursor; raises StoreError, in which case the next turn writes it before anything else."""
        self._bookkeeper.record_delivery(tail.delivery, tail.rejected)
        tail.rejected = None
        tail.unrecorded = tail.must_record = False
        tail.recorded_s = self._wake.now_s()

    def _store_trouble(self, error: Exception) -> None:
        """The store could not be read or written: let it be for a while, then open it afresh."""
        self._ledger_failures += 1
        if isinstance(error, StoreError):
            log.warning("outlet %s: the store gives no rows: %s", self._outlet.name, error)
        else:
            log.error("outlet %s: unexpected trouble with the store", self._outlet.name, exc_info=error)
        self._close_ledger()
        rest_s = min(60.0, 2.0 ** min(self._ledger_failures, 6)) * (0.5 + 0.5 * self._jitter())
        until_s = self._wake.now_s() + rest_s
        while not self._wake.stopped and (left_s := until_s - self._wake.now_s()) > 0:
            self._wake.wait(min(SLICE_S, left_s))
            self._last_progress = self._wake.now_s()

    def _idle_s(self) -> float:
        """How long to sleep: until the poll where some stream is ready, else until the first is due again."""
        first_due_s = min((tail.due_s for tail in self._tails), default=0.0) - self._wake.now_s()
        return min(SLICE_S, first_due_s) if first_due_s > 0 else POLL_S

    def _close_ledger(self) -> None:
        ledger, self._ledger = self._ledger, None
        if ledger is not None:
            try:
                ledger.close()
            except Exception:
                log.exception("outlet %s: closing its view of the store failed", self._outlet.name)

    def _farewell(self) -> None:
        for tail in self._tails:
            if tail.unrecorded:
                try:
                    self._record(tail)
                except Exception as error:  # noqa: BLE001 - the program is ending; the rows will be delivered again
                    log.warning("outlet %s: last position not recorded: %s", self._outlet.name, error)
        try:
            self._outlet.close()
        except Exception:
            log.exception("outlet %s: closing it failed", self._outlet.name)
        self._close_ledger()
