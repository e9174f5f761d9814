"""How one question is put to a device and its answer awaited, protocol by protocol.

Works on any link that reads and writes bytes, so that every protocol can be tried over a bad one. It opens nothing,
keeps nothing between questions, and retries only where a protocol says so: asking again is the reader's part.
"""

from __future__ import annotations

import time
from typing import assert_never

from vatwatch.probes.lines import LineCodec, LineFormat, LineReading, Refusal
from vatwatch.probes.link import LOOK_UP_S, Heard, Link, Pace
from vatwatch.probes.modbus import ModbusQuestion
from vatwatch.probes.sdi12 import Sdi12Question
from vatwatch.probes.settings import Question


def exchange(link: Link, question: Question, pace: Pace) -> Heard | None:
    """Ask once and wait for the answer. None when `pace` ended the wait. Raises PortError when the port is lost."""
    match question:
        case LineFormat():
            return _ask_for_line(link, question, pace)
        # Imported here: a shed without such a sensor should not carry its library in memory.
        case Sdi12Question():
            from vatwatch.probes.sdi12_recorder import measure

            return measure(link, question, pace)
        case ModbusQuestion():
            from vatwatch.probes.modbus_client import ask_for_number

            return ask_for_number(link, question, pace)
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
