"""How one question is put to a device and its answer awaited, protocol by protocol.

Works on any link that reads and writes bytes, so that every protocol can be tried over a bad one. It opens nothing,
keeps nothing between questions and never retries: the reader does.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Protocol, assert_never

from vatwatch.probes.lines import LineCodec, LineFormat, LineReading, Refusal
from vatwatch.probes.settings import Question

# How long a wait may go without looking up: a stop is obeyed and the watchdog fed at least this often.
LOOK_UP_S: Final = 0.25
# A faster clock makes no device and no operating system answer sooner.
_LEAST_PATIENCE_S: Final = 0.5


class Link(Protocol):
    """Bytes to and from a device. Methods raise PortError when the port is lost."""

    def read(self, timeout_s: float) -> bytes: ...

    def write(self, data: bytes) -> None: ...

    def discard_input(self) -> None: ...


@dataclass(frozen=True, slots=True)
class Pace:
    """What a dialogue may know of time: stamps, whether to go on waiting, and how much faster the clock runs."""

    clock_ms: Callable[[], int]
    keep_going: Callable[[], bool]
    rate: float = 1.0

    def patience_s(self, answer_within_s: float) -> float:
        """Real seconds to wait for an answer that may take `answer_within_s` at the device's own pace."""
        return min(answer_within_s, max(_LEAST_PATIENCE_S, answer_within_s / self.rate))


@dataclass(frozen=True, slots=True)
class Heard:
    """What one question brought. `time_ms` is when the answer's last byte was in.

    Without any value `silence` says why: no answer, or one that is not a reading.
    """

    time_ms: int
    values: tuple[tuple[str, float], ...] = ()
    refusals: tuple[Refusal, ...] = ()
    silence: str = ""

    def why_missing(self, field: str) -> str:
        """The reason for which this answer holds no number called `field`."""
        for refusal in self.refusals:
            if refusal.reason.startswith(f"{field}: "):
                return refusal.reason
        return self.silence or f"the answer does not hold {field}"


def exchange(link: Link, question: Question, pace: Pace) -> Heard | None:
    """Ask once and wait for the answer. None when `pace` ended the wait. Raises PortError when the port is lost."""
    match question:
        case LineFormat():
            return _ask_for_line(link, question, pace)
        case _:
            assert_never(question)


def quieten(link: Link, question: Question, pace: Pace) -> None:
    """Let a late answer come and go, so that it is not taken for the answer to the next question."""
    until = time.monotonic() + pace.patience_s(question.answer_within_s)
    while pace.keep_going() and (left := until - time.monotonic()) > 0:
        link.read(min(left, LOOK_UP_S))


def _ask_for_line(link: Link, question: LineFormat, pace: Pace) -> Heard | None:
    codec = LineCodec(question)
    refusals: list[Refusal] = []
    unfinished = b""
    patience_s = pace.patience_s(question.answer_within_s)
    link.discard_input()
    link.write(question.ask or b"")
    deadline = time.monotonic() + patience_s
    while pace.keep_going():
        left = deadline - time.monotonic()
        if left <= 0:
            return _unanswered(pace.clock_ms(), refusals, unfinished, patience_s)
        data = link.read(min(left, LOOK_UP_S))
        if not data:
            continue
        time_ms = pace.clock_ms()
        answers = codec.feed(data)
        for position, answer in enumerate(answers):
            if isinstance(answer, LineReading):
                # What was refused before it may be the question's own echo; what follows is of the same line.
                same_line = answers[position + 1 :]
                withheld = tuple(other for other in same_line if isinstance(other, Refusal))
                return Heard(time_ms, answer.values, withheld)
            refusals.append(answer)
        unfinished = b"" if answers else (unfinished + data)[: question.max_line]
    return None


def _unanswered(time_ms: int, refusals: list[Refusal], unfinished: bytes, patience_s: float) -> Heard:
    if refusals:
        return Heard(time_ms, (), tuple(refusals), f"answer refused: {refusals[-1].reason}")
    if unfinished:
        reason = f"answer did not end within {patience_s:g} s"
        return Heard(time_ms, (), (Refusal(reason, unfinished),), reason)
    return Heard(time_ms, silence=f"no answer within {patience_s:g} s")
