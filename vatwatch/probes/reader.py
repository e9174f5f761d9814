"""One thread per serial port that brings readings in for a whole season, whatever happens to the cable.

It hands over samples as delivered and says what befell the port. It judges no value, writes no store, and knows no
protocol beyond putting questions or listening.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from math import isfinite
from typing import Final

from vatwatch.errors import PortError
from vatwatch.probes.dialogues import exchange, quieten
from vatwatch.probes.garble import GarbleTally
from vatwatch.probes.lines import PARTIAL_FIRST_LINE, LineCodec, LineReading
from vatwatch.probes.link import LOOK_UP_S, Heard, Link, Pace
from vatwatch.probes.serial_port import SerialLink, fingerprint
from vatwatch.probes.settings import PortSettings, ProbeWiring
from vatwatch.records import PortEvent, Sample
from vatwatch.terms import Flag

_log = logging.getLogger(__name__)

_FIRST_RETRY_S: Final = 0.5
_LAST_RETRY_S: Final = 30.0
_LEAST_PAUSE_S: Final = 0.02
_LOOK_FOR_DEVICE_S: Final = 0.5
_GARBLED_EVERY_S: Final = 60.0
_GARBLED_LEAST_S: Final = 1.0


class PortReader:
    """Reads one port until stopped, reopening it as often as it is lost.

    `clock_ms` stamps each reading when the last byte of its answer is in. `deliver` takes samples and events, in
    order, on this reader's thread, and must return soon. `rate` (above 0) is how much faster than real time
    `clock_ms` runs: in rehearsals pauses shrink by it.
    """

    def __init__(
        self,
        settings: PortSettings,
        clock_ms: Callable[[], int],
        deliver: Callable[[Sequence[Sample | PortEvent]], None],
        rate: float = 1.0,
    ) -> None:
        if not (isfinite(rate) and rate > 0):
            raise ValueError(f"rate is {rate}; expected a number above 0")
        self._settings = settings
        self._clock_ms = clock_ms
        self._deliver = deliver
        self._rate = rate
        self._pace = Pace(clock_ms, self._keep_going, rate)
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"port {settings.port}", daemon=True)
        self._last_progress = time.monotonic()
        self._retry_s = _FIRST_RETRY_S
        self._told_reasons: set[str] = set()
        self._tally = GarbleTally(settings.wire, settings.is_text)
        self._garbled_not_before = 0.0

    @property
    def settings(self) -> PortSettings:
        return self._settings

    @property
    def last_progress(self) -> float:
        """`time.monotonic()` when the thread last came round. Healthy: never older than a few seconds."""
        return self._last_progress

    @property
    def is_alive(self) -> bool:
        return self._thread.is_alive()

    def start(self) -> None:
        """Start the thread. A reader starts once."""
        self._thread.start()

    def stop(self, timeout_s: float) -> bool:
        """Ask the thread to end and wait up to `timeout_s` seconds; whether it has ended and let go of the port."""
        self._stopping.set()
        if self._thread.ident is not None:
            self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _keep_going(self) -> bool:
        self._last_progress = time.monotonic()
        return not self._stopping.is_set()

    def _run(self) -> None:
        while self._keep_going():
            tried = fingerprint(self._settings.device)
            try:
                self._open_and_read()
            except Exception as error:  # noqa: BLE001 - a port unread is worse than any fault: say it, begin again
                _log.error("port %s: the reader failed and begins again", self._settings.port, exc_info=True)
                self._tell_fault(error)
            self._wait_before_retry(tried)

    def _open_and_read(self) -> None:
        try:
            link = SerialLink(self._settings)
        except PortError as error:
            reason = str(error)
            if reason not in self._told_reasons:
                self._told_reasons.add(reason)
                self._tell("cannot-open", reason)
            return
        with link:
            self._told_reasons.clear()
            self._tell("opened", f"{self._settings.device} opened at {self._settings.wire}")
            try:
                if self._settings.asks:
                    self._ask(link)
                else:
                    self._listen(link)
            except PortError as error:
                self._tell("lost", str(error))

    def _listen(self, link: Link) -> None:
        codec = LineCodec(*self._settings.unasked_lines)
        codec.reset(mid_line=True)
        while self._keep_going():
            data = link.read(LOOK_UP_S)
            if data:
                time_ms = self._clock_ms()
                samples: list[Sample] = []
                for answer in codec.feed(data):
                    if isinstance(answer, LineReading):
                        samples += self._samples(time_ms, answer.values)
                    elif answer.reason != PARTIAL_FIRST_LINE:
                        self._tally.add(answer)
                self._hand_over(samples)
            self._tell_garbled_if_due()

    def _ask(self, link: Link) -> None:
        questions = self._settings.questions
        period_s = self._settings.ask_every_s / self._rate
        next_round = time.monotonic()
        while self._keep_going():
            for question in questions:
                heard = exchange(link, question, self._pace)
                if heard is None:
                    return
                self._take(question.field_names, heard)
                if heard.silence and len(questions) > 1:
                    quieten(link, question, self._pace)
            next_round = max(next_round + period_s, time.monotonic())
            while self._keep_going() and (left := next_round - time.monotonic()) > 0:
                # Nothing is due now: what comes is thrown away, but a pulled cable is noticed at once.
                link.read(min(left, LOOK_UP_S))

    def _take(self, field_names: Iterable[str], heard: Heard) -> None:
        samples = self._samples(heard.time_ms, heard.values)
        present = dict(heard.values)
        for wiring in self._settings.probes:
            if wiring.field in field_names and wiring.field not in present:
                samples.append(_missing(heard.time_ms, wiring, heard.why_missing(wiring.field)))
        for refusal in heard.refusals:
            self._tally.add(refusal)
        self._hand_over(samples)
        self._tell_garbled_if_due()

    def _samples(self, time_ms: int, values: tuple[tuple[str, float], ...]) -> list[Sample]:
        samples = []
        for field, number in values:
            for wiring in self._settings.probes:
                if wiring.field == field:
                    value = number * wiring.scale + wiring.offset
                    if isfinite(value):
                        samples.append(Sample(time_ms, wiring.vat, wiring.probe, wiring.signal, value))
                    else:
                        samples.append(_missing(time_ms, wiring, f"{number:g} is beyond what can be scaled"))
        return samples

    def _hand_over(self, samples: Sequence[Sample]) -> None:
        if samples:
            self._deliver(samples)
        # Only a port that has worked, and whose readings were taken, is worth hurrying back to.
        if any(sample.value is not None for sample in samples):
            self._retry_s = _FIRST_RETRY_S

    def _tell(self, event: str, detail: str) -> None:
        self._deliver([PortEvent(self._clock_ms(), self._settings.port, event, detail)])

    def _tell_garbled_if_due(self) -> None:
        now = time.monotonic()
        if self._tally.count and now >= self._garbled_not_before:
            self._garbled_not_before = now + max(_GARBLED_EVERY_S / self._rate, _GARBLED_LEAST_S)
            self._tell("garbled", self._tally.take_sentence())

    def _tell_fault(self, error: Exception) -> None:
        detail = f"reading stopped on a fault of this program and begins again ({type(error).__name__}: {error})"
        try:
            self._tell("fault", detail)
        except Exception:  # noqa: BLE001 - the receiver itself may be what fails; the log has it, and the thread lives
            _log.error("port %s: the fault could not be handed over", self._settings.port, exc_info=True)

    def _wait_before_retry(self, tried: tuple[int, ...] | None) -> None:
        """Wait longer each time, but not a moment longer than it takes a device to come back or be allowed."""
        until = time.monotonic() + max(self._retry_s / self._rate, _LEAST_PAUSE_S)
        self._retry_s = min(self._retry_s * 2, _LAST_RETRY_S)
        while self._keep_going() and (left := until - time.monotonic()) > 0:
            self._stopping.wait(min(left, _LOOK_FOR_DEVICE_S))
            found = fingerprint(self._settings.device)
            if found is None:
                tried = None
            elif found != tried:
                return


def _missing(time_ms: int, wiring: ProbeWiring, reason: str) -> Sample:
    return Sample(time_ms, wiring.vat, wiring.probe, wiring.signal, None, Flag.MISSING, reason)
