"""What other threads handed in and nobody has judged or written yet: any puts in and never waits, the recorder takes."""

from __future__ import annotations

import logging
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable
from concurrent.futures import Future
from dataclasses import dataclass

from vatwatch.records import AlarmAction, Delivery, JournalEntry, PortEvent, Rejected, Sample
from vatwatch.retiming import moved_event, moved_sample
from vatwatch.vat.settings import VatSettings

log = logging.getLogger(__name__)

MOST_SAMPLES = 200_000
"""More than this means the pipeline is stuck, and the oldest go, counted."""


RACE_S = 10.0
"""For so long after the clock was put right a reader may still hand in what it stamped before."""
SettingsChange = Callable[[], tuple[dict[str, VatSettings], int]]
Asked = JournalEntry | AlarmAction | tuple[Delivery, Rejected | None] | SettingsChange


@dataclass(slots=True)
class Request:
    """Something another thread wants written, and where it waits for the outcome."""

    what: Asked
    outcome: Future[None]


class Arrivals:
    """Samples and port events in the order in which they came."""

    def __init__(self, clock_ms: Callable[[], int]) -> None:
        self._clock_ms = clock_ms
        self._lock = threading.Lock()
        self._samples: deque[Sample] = deque()
        self._events: deque[PortEvent] = deque()
        self._moved_by_ms, self._moved_s = 0, 0.0
        self.lost_samples = 0

    def put(self, records: Iterable[Sample | PortEvent]) -> None:
        """Add what a reader read."""
        with self._lock:
            for record in records:
                if isinstance(record, Sample):
                    # Stamped just before the clock was put right, handed in just after.
                    old = self._moved_by_ms and self._stamped_before(record.time_ms)
                    self._samples.append(moved_sample(record, self._moved_by_ms) if old else record)
                else:
                    self._events.append(record)
                    log.info("port %s: %s", record.port, record.detail)
            while len(self._samples) > MOST_SAMPLES:
                self._samples.popleft()
                self.lost_samples += 1

    def samples_before(self, time_ms: int) -> list[Sample]:
        """Take out every sample stamped before `time_ms`."""
        with self._lock:
            waiting, self._samples = self._samples, deque()
            self._samples.extend(sample for sample in waiting if sample.time_ms >= time_ms)
        return [sample for sample in waiting if sample.time_ms < time_ms]

    def first_from(self, time_ms: int) -> int | None:
        """The earliest stamp at `time_ms` or later."""
        with self._lock:
            return min((sample.time_ms for sample in self._samples if sample.time_ms >= time_ms), default=None)

    def newest(self) -> int | None:
        """The latest stamp there is."""
        with self._lock:
            return max((sample.time_ms for sample in self._samples), default=None)

    def events(self) -> tuple[PortEvent, ...]:
        """Take out every port event."""
        with self._lock:
            events, self._events = tuple(self._events), deque()
        return events

    def put_right(self, by_ms: int, correct: Callable[[int], None]) -> None:
        """Correct the clock and all that bears its stamps, in one go."""
        with self._lock:
            correct(by_ms)
            self._moved_by_ms, self._moved_s = by_ms, time.monotonic()
            self._samples = deque(moved_sample(sample, by_ms) for sample in self._samples)
            self._events = deque(moved_event(event, by_ms) for event in self._events)

    def put_back(self, samples: Iterable[Sample]) -> None:
        """These belong to slots to come; their stamps are right."""
        with self._lock:
            self._samples.extendleft(reversed(list(samples)))

    def _stamped_before(self, time_ms: int) -> bool:
        if time.monotonic() - self._moved_s > RACE_S or abs(self._moved_by_ms) < RACE_S * 1000:
            return False  # a small step and an old reading look alike; one reading is then a little off
        now_ms = self._clock_ms()
        return abs(time_ms + self._moved_by_ms - now_ms) < abs(time_ms - now_ms)
