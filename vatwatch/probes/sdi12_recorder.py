"""The recorder's part of an SDI-12 conversation: break, command, retry, service request, data, page by page.

It knows time and a link, but no port and no probe. What the texts mean is the codec's part (`sdi12`).
Source: SDI-12 Support Group, "SDI-12, A Serial-Digital Interface Standard for Microprocessor-Based Sensors", version
1.4, sections 4.3 and 7 (break, retries, time-outs).
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Final, TypeVar

from vatwatch.errors import ProbeError
from vatwatch.probes.lines import Refusal
from vatwatch.probes.link import LOOK_UP_S, Heard, Link, Pace, Stopped
from vatwatch.probes.sdi12 import (
    Aborted,
    AnswerFramer,
    Gathering,
    Promise,
    Sdi12Question,
    read_address,
    read_promise,
    read_values,
)

TRIES: Final = 4
"""One try and three more, the standard's least."""
_AWAKE_S: Final = 0.075
"""A sensor may sleep after 87 ms without a byte; the margin is the operating system's."""

T = TypeVar("T")


class Unanswered(ProbeError):
    """A command had no usable answer in any of its tries."""


def measure(link: Link, question: Sdi12Question, pace: Pace) -> Heard | None:
    """Have one sensor measure and fetch its values. None when `pace` ended the wait; PortError when the port is lost.

    A measurement broken off, or values that do not fit together, is begun again, as often as a command is retried.
    """
    talk = Conversation(link, pace, question.answer_within_s)
    reason = ""
    try:
        for _ in range(TRIES):
            try:
                values = question.named(_values(talk, question))
            except Unanswered:
                raise
            except ProbeError as error:
                reason = str(error)
                continue
            return Heard(talk.last_answer_ms, values, tuple(talk.refusals))
    except Unanswered as error:
        reason = str(error)
    except Stopped:
        return None
    return Heard(pace.clock_ms(), (), tuple(talk.refusals), reason)


def _values(talk: Conversation, question: Sdi12Question) -> tuple[float, ...]:
    address, crc = question.address, question.crc
    if question.command[0] == "R":
        return talk.ask(question.first_command, lambda answer: _enough(answer, question))
    concurrent = question.command[0] == "C"

    def promise_in(answer: bytes) -> Promise:
        return read_promise(answer, address, concurrent=concurrent)

    promise = talk.ask(question.first_command, promise_in)
    question.check_promise(promise)
    if promise.ready_in_s:
        talk.wait_for_data(promise.ready_in_s, None if concurrent else address)
    gathering = Gathering(promise, crc=crc)
    while (command := gathering.next_command) is not None:
        talk.ask(command, gathering.take)
    return gathering.values


def _enough(answer: bytes, question: Sdi12Question) -> tuple[float, ...]:
    values = read_values(answer, question.address, crc=question.crc)
    question.check_count(len(values))
    return values


class Conversation:
    """Commands and answers on one line. `refusals` are the answers that were none; stamps are `pace`'s."""

    def __init__(self, link: Link, pace: Pace, answer_within_s: float, tries: int = TRIES) -> None:
        self._link = link
        self._pace = pace
        self._patience_s = pace.patience_s(answer_within_s)
        self._tries = tries
        self._last_byte = -1.0
        self.refusals: list[Refusal] = []
        self.last_answer_ms = 0

    def ask(self, command: bytes, read: Callable[[bytes], T]) -> T:
        """Send a command until `read` takes an answer to it.

        Raises Unanswered when none of the tries brings one, Aborted at once, Stopped when `pace` ends the wait.
        """
        unanswered = 0
        reason = ""
        for _ in range(self._tries):
            self._wake()
            self._link.discard_input()
            self._link.write(command)
            answer = self._answer(AnswerFramer(command), self._patience_s)
            if answer is None:
                unanswered += 1
                continue
            try:
                taken = read(answer)
            except Aborted:
                raise
            except ProbeError as error:
                reason = str(error)
                self.refusals.append(Refusal(reason, answer))
                continue
            if unanswered:
                # The answer may be the late one to an earlier try; then the next is still to come, and must not be
                # taken for the answer to the next command.
                self._rest(self._patience_s)
            return taken
        shown = command.decode()
        if unanswered == self._tries:
            raise Unanswered(f"no answer to {shown} in {self._tries} tries of {self._patience_s:g} s")
        raise Unanswered(f"no good answer to {shown} in {self._tries} tries, the last: {reason}")

    def wait_for_data(self, ready_in_s: int, address: str | None) -> None:
        """Wait as long as the sensor asked for; a service request from `address` ends the wait."""
        until = time.monotonic() + self._pace.patience_s(ready_in_s) + (0.0 if address is None else self._patience_s)
        if address is None:
            self._rest(until - time.monotonic())
            return
        framer = AnswerFramer()
        while (left := until - time.monotonic()) > 0:
            answer = self._answer(framer, left)
            if answer is None:
                return
            try:
                read_address(answer, address)
            except ProbeError as error:
                # Noise, or the late answer to an earlier try: the data will say.
                self.refusals.append(Refusal(f"while waiting for the service request: {error}", answer))
                continue
            return

    def _wake(self) -> None:
        if time.monotonic() - self._last_byte > _AWAKE_S:
            self._link.send_break()

    def _answer(self, framer: AnswerFramer, within_s: float) -> bytes | None:
        """The next line that is not empty; None when there is none in time. Overlong rubbish is refused on the way."""
        deadline = time.monotonic() + within_s
        while (left := deadline - time.monotonic()) > 0:
            for line in framer.feed(self._read(left)):
                if isinstance(line, Refusal):
                    self.refusals.append(line)
                elif line:
                    self.last_answer_ms = self._pace.clock_ms()
                    return line
        return None

    def _rest(self, seconds: float) -> None:
        until = time.monotonic() + seconds
        while (left := until - time.monotonic()) > 0:
            self._read(left)

    def _read(self, left_s: float) -> bytes:
        if not self._pace.keep_going():
            raise Stopped
        data = self._link.read(min(left_s, LOOK_UP_S))
        if data:
            self._last_byte = time.monotonic()
        return data
