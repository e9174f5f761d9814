"""The test bench: meters on real pseudo-terminals, moved by a clock handed in, one thread for all of them.

Each port has a stable name (a symlink in the bench's directory), so that a cable pulled and put back gets the same
name again. The bench never waits for a reader: what does not fit into the line is dropped and counted. It keeps the
hidden truth of every vat for scoring. It must not judge anything.
"""

from __future__ import annotations

import contextlib
import csv
import heapq
import os
import select
import threading
import time
import tty
from collections.abc import Callable
from dataclasses import astuple, dataclass, field, fields
from pathlib import Path
from types import TracebackType

from vatwatch.errors import VatwatchError
from vatwatch.records import JournalEntry
from vatwatch.rehearsal.instruments import Instrument
from vatwatch.rehearsal.liquor import SimulatedVat, VatTruth

SHORTEST_WAIT_S = 0.0005
LONGEST_WAIT_S = 0.05


@dataclass(slots=True)
class LineCount:
    """What went over one line: frames sent whole, frames dropped because nobody read, questions' bytes heard."""

    sent: int = 0
    dropped: int = 0
    unplugged: int = 0
    heard_bytes: int = 0


@dataclass(slots=True)
class _Line:
    name: str
    instrument: Instrument
    link: Path
    master: int = -1
    slave: int = -1
    rest: bytes = b""
    count: LineCount = field(default_factory=LineCount)

    @property
    def plugged(self) -> bool:
        return self.master >= 0


class Bench:
    """Vats, meters, script and truth, all moved by `clock_ms`. Use as a context manager, or `start()` and `stop()`.

    `clock_ms` gives milliseconds and may run at any speed. Everything that is due between two looks at the clock
    happens in order of its due time, so the hidden truth does not depend on how fast the clock runs.
    """

    def __init__(self, directory: Path, clock_ms: Callable[[], int], truth_interval_ms: int = 60_000) -> None:
        if truth_interval_ms <= 0:
            raise VatwatchError(f"truth_interval_ms is {truth_interval_ms}; expected more than 0")
        self.directory = Path(directory)
        self._clock_ms = clock_ms
        self._truth_interval_ms = truth_interval_ms
        self._vats: dict[str, SimulatedVat] = {}
        self._lines: dict[str, _Line] = {}
        self._due: list[tuple[int, int, Callable[[int], None]]] = []
        self._order = 0
        self._truths: list[tuple[str, VatTruth]] = []
        self._lock = threading.RLock()
        self._thread: threading.Thread | None = None
        self._wake: tuple[int, int] | None = None
        self._stopping = False
        self._failure: Exception | None = None

    # --- setting up ---

    def add_vat(self, name: str, vat: SimulatedVat) -> None:
        """Puts a vat on the bench; its truth is kept from the start."""
        with self._lock:
            if name in self._vats:
                raise VatwatchError(f'there is already a vat "{name}" on the bench')
            self._vats[name] = vat

    def add_line(self, name: str, instrument: Instrument) -> Path:
        """Gives a meter a port, to be opened at the path that is returned (once the bench has started)."""
        with self._lock:
            if name in self._lines or "/" in name or not name:
                raise VatwatchError(f'"{name}" cannot name a line: expected a new name without "/"')
            if self._thread is not None:
                raise VatwatchError("add lines before the bench is started")
            line = _Line(name, instrument, self.directory / name)
            self._lines[name] = line
            return line.link

    def at(self, time_ms: int, action: Callable[[], object]) -> None:
        """Runs an action when the clock reaches `time_ms`. What it raises is raised again by `stop()`."""

        def run(_now_ms: int) -> None:
            action()

        with self._lock:
            self._push(time_ms, run)

    def port(self, name: str) -> str:
        """Path of a line's port."""
        return str(self._line(name).link)

    def counts(self) -> dict[str, LineCount]:
        """What went over each line so far."""
        with self._lock:
            return {name: line.count for name, line in self._lines.items()}

    def _line(self, name: str) -> _Line:
        line = self._lines.get(name)
        if line is None:
            raise VatwatchError(f'no line "{name}" on the bench; there are: {", ".join(self._lines) or "none"}')
        return line

    # --- running ---

    def start(self) -> None:
        """Opens every port and starts the thread. A bench runs once."""
        with self._lock:
            if self._thread is not None:
                raise VatwatchError("this bench has been started before; make a new one")
            self.directory.mkdir(parents=True, exist_ok=True)
            now_ms = self._clock_ms()
            for line in self._lines.values():
                self._open(line)
                if line.instrument.interval_ms is not None:
                    self._push(now_ms + line.instrument.interval_ms, self._speaker(line))
            # on whole intervals, so that two runs keep the truth of the same moments
            self._push(-(-now_ms // self._truth_interval_ms) * self._truth_interval_ms, self._keep_truth)
            self._wake = os.pipe()
            os.set_blocking(self._wake[0], False)
            self._thread = threading.Thread(target=self._run, name="rehearsal bench", daemon=True)
            self._thread.start()

    def stop(self) -> None:
        """Stops the thread, closes every port and takes the symlinks away. Raises what a scripted action raised."""
        thread = self._thread
        if thread is None or self._stopping:
            return
        self._stopping = True
        self._nudge()
        thread.join()
        with self._lock:
            for line in self._lines.values():
                self._close(line)
            if self._wake is not None:
                os.close(self._wake[0])
                os.close(self._wake[1])
                self._wake = None
        if self._failure is not None:
            raise VatwatchError(f"the rehearsal's script failed: {self._failure}") from self._failure

    def __enter__(self) -> Bench:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def apply(self, entry: JournalEntry) -> None:
        """Lets a journal entry act on the vat it names. Safe from any thread."""
        with self._lock:
            vat = self._vats.get(entry.vat)
            if vat is None:
                raise VatwatchError(f'no vat "{entry.vat}" on the bench; there are: {", ".join(self._vats)}')
            vat.apply(entry)

    def unplug(self, name: str) -> None:
        """Pulls a cable: the port is gone, and whoever reads it gets an error."""
        with self._lock:
            self._close(self._line(name))

    def replug(self, name: str) -> None:
        """Puts the cable back: a new pseudo-terminal under the old name."""
        with self._lock:
            line = self._line(name)
            if not line.plugged:
                self._open(line)

    # --- truth ---

    def truths(self, vat: str) -> list[VatTruth]:
        """The hidden truth of one vat so far, oldest first."""
        with self._lock:
            return [truth for name, truth in self._truths if name == vat]

    def write_truth(self, path: Path) -> int:
        """Writes the hidden truth as CSV with a header row; gives the number of rows."""
        with self._lock:
            rows = list(self._truths)
        with Path(path).open("w", newline="", encoding="utf-8") as file:
            writer = csv.writer(file)
            writer.writerow(["vat", *(f.name for f in fields(VatTruth))])
            writer.writerows([name, *astuple(truth)] for name, truth in rows)
        return len(rows)

    def _keep_truth(self, due_ms: int) -> None:
        for name, vat in self._vats.items():
            vat.advance(due_ms)
            self._truths.append((name, vat.truth()))
        self._push(due_ms + self._truth_interval_ms, self._keep_truth)

    # --- the thread ---

    def _push(self, time_ms: int, action: Callable[[int], None]) -> None:
        self._order += 1
        heapq.heappush(self._due, (time_ms, self._order, action))
        if self._thread is not None and threading.current_thread() is not self._thread:
            self._nudge()

    def _nudge(self) -> None:
        if self._wake is not None:
            with contextlib.suppress(BlockingIOError):
                os.write(self._wake[1], b"!")

    def _speaker(self, line: _Line) -> Callable[[int], None]:
        def speak(due_ms: int) -> None:
            interval_ms = line.instrument.interval_ms or 1000
            self._send(line, line.instrument.speak(due_ms))
            self._push(due_ms + interval_ms, speak)

        return speak

    def _run(self) -> None:
        last_ms, last_s, rate = self._clock_ms(), time.monotonic(), 1.0
        while not self._stopping:
            with self._lock:
                now_ms = self._clock_ms()
                self._catch_up(now_ms)
                watched = {line.master: line for line in self._lines.values() if line.plugged}
                next_ms = self._due[0][0] if self._due else now_ms + 1000
                wake = self._wake
            now_s = time.monotonic()
            if now_s - last_s >= 0.02:
                rate = max((now_ms - last_ms) / ((now_s - last_s) * 1000.0), 1e-3)
                last_ms, last_s = now_ms, now_s
            wait_s = min(max((next_ms - now_ms) / (1000.0 * rate), SHORTEST_WAIT_S), LONGEST_WAIT_S)
            if wake is None:
                return
            # a line unplugged by another thread meanwhile leaves a stale descriptor here: poll says so at once
            poll = select.poll()
            for descriptor in (*watched, wake[0]):
                poll.register(descriptor, select.POLLIN)
            ready = [descriptor for descriptor, _ in poll.poll(wait_s * 1000.0)]
            with self._lock:
                self._listen([watched[descriptor] for descriptor in ready if descriptor in watched])
            if wake[0] in ready:
                with contextlib.suppress(BlockingIOError):
                    os.read(wake[0], 4096)

    def _catch_up(self, now_ms: int) -> None:
        while self._due and self._due[0][0] <= now_ms and not self._stopping:
            due_ms, _, action = heapq.heappop(self._due)
            try:
                action(due_ms)
            except Exception as error:  # noqa: BLE001 - a script may raise anything; stop() hands it on
                self._failure = self._failure or error

    def _listen(self, lines: list[_Line]) -> None:
        for line in lines:
            if not line.plugged:
                continue
            try:
                data = os.read(line.master, 4096)
            except (BlockingIOError, OSError):
                continue
            line.count.heard_bytes += len(data)
            now_ms = self._clock_ms()
            # What is due by now happens first: an answer carries the vat on to now, and it cannot go back for the script.
            self._catch_up(now_ms)
            answer = line.instrument.hear(data, now_ms)
            if answer:
                self._send(line, answer)

    def _send(self, line: _Line, frame: bytes) -> None:
        if not frame:
            return
        if not line.plugged:
            line.count.unplugged += 1
            return
        if line.rest:
            line.rest = line.rest[self._write(line, line.rest) :]
            if line.rest:
                line.count.dropped += 1
                return
        written = self._write(line, frame)
        if written == 0:
            line.count.dropped += 1
            return
        line.rest = frame[written:]
        line.count.sent += 1

    @staticmethod
    def _write(line: _Line, data: bytes) -> int:
        try:
            return os.write(line.master, data)
        except (BlockingIOError, OSError):
            return 0

    # --- pseudo-terminals ---

    def _open(self, line: _Line) -> None:
        master, slave = os.openpty()
        try:
            tty.setraw(slave)
            os.set_blocking(master, False)
            path = os.ttyname(slave)
            beside = line.link.with_name(f".{line.name}.new")
            beside.unlink(missing_ok=True)
            beside.symlink_to(path)
            beside.replace(line.link)
        except OSError:
            os.close(master)
            os.close(slave)
            raise
        line.master, line.slave, line.rest = master, slave, b""
        line.instrument.forget()

    def _close(self, line: _Line) -> None:
        if not line.plugged:
            return
        # the name goes first, so that nobody opens another's terminal that takes over the freed number
        line.link.unlink(missing_ok=True)
        master, slave = line.master, line.slave
        line.master = line.slave = -1
        os.close(slave)
        os.close(master)
