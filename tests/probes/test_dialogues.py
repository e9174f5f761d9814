"""One suite of dialogues, every protocol over four links: what is handed on is true, whole and of one measurement."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import pytest

from tests.probes.instruments import TRUTHS, AskedMeter, Instrument, ModbusUnits, Sdi12Sensor, truth
from tests.probes.links import BenchLink, ByteByByte, LinkOf, Lossy, LossyBytes, Slow
from vatwatch.probes.dialogues import exchange, quieten
from vatwatch.probes.lines import LineFormat
from vatwatch.probes.link import Heard, Pace
from vatwatch.probes.modbus import ModbusQuestion, NumberType
from vatwatch.probes.sdi12 import Sdi12Question
from vatwatch.probes.settings import Question

FIELDS = ("ph", "orp", "t")
WITHIN_S = 0.15
PACE = Pace(lambda: 1_000, lambda: True, rate=2.0)


@dataclass(frozen=True)
class Talk:
    """A protocol: the instrument, and the questions that together bring all three values."""

    instrument: Callable[[], Instrument]
    questions: tuple[Question, ...]
    has_checksum: bool = True


def sdi12(command: str, crc: bool) -> tuple[Question, ...]:
    return (Sdi12Question(address="0", command=command, crc=crc, fields=FIELDS, answer_within_s=WITHIN_S),)


def modbus(unit: int, function: int, kind: NumberType, scales: tuple[float, ...]) -> tuple[Question, ...]:
    return tuple(
        ModbusQuestion(
            field=field,
            unit=unit,
            function=function,
            address=number * kind.registers,
            type=kind,
            scale=scale,
            answer_within_s=WITHIN_S,
        )
        for number, (field, scale) in enumerate(zip(FIELDS, scales, strict=True))
    )


TALKS = {
    "ascii lines": Talk(
        AskedMeter, (LineFormat(ask=b"R\r", delimiter=",", fields=FIELDS, answer_within_s=WITHIN_S),), False
    ),
    "sdi12 M": Talk(Sdi12Sensor, sdi12("M", False), False),
    "sdi12 M with crc, service request, three pages": Talk(
        lambda: Sdi12Sensor(ready_in_s=1, per_page=1), sdi12("M3", True)
    ),
    "sdi12 C": Talk(lambda: Sdi12Sensor("0", ready_in_s=1, per_page=2), sdi12("C", False), False),
    "sdi12 C with crc": Talk(Sdi12Sensor, sdi12("C1", True)),
    "sdi12 R": Talk(Sdi12Sensor, sdi12("R", False), False),
    "sdi12 R with crc": Talk(Sdi12Sensor, sdi12("R9", True)),
    "modbus float32 by function 3": Talk(ModbusUnits, modbus(1, 3, NumberType.FLOAT32, (1.0, 1.0, 1.0))),
    "modbus int16 by function 4": Talk(ModbusUnits, modbus(2, 4, NumberType.INT16, (0.01, 0.1, 0.1))),
}
# The share of rounds that must bring all values. A round on the lossy line is up to six messages each way.
LINKS: dict[str, tuple[LinkOf, int, int]] = {
    "plain": (BenchLink, 5, 5),
    "one byte at a time": (ByteByByte, 5, 5),
    "20 % loss": (Lossy, 12, 2),
    "delayed": (Slow, 8, 4),
}
each_talk = pytest.mark.parametrize("talk", TALKS.values(), ids=TALKS.keys())


def rounds(talk: Talk, link: BenchLink, count: int) -> list[dict[str, Heard]]:
    """The reader's own rounds: every question in turn; after a silence late answers may pass."""
    heard = []
    for _ in range(count):
        answers: dict[str, Heard] = {}
        for question in talk.questions:
            answer = exchange(link, question, PACE)
            assert answer is not None
            answers |= dict.fromkeys(question.field_names, answer)
            if answer.silence and len(talk.questions) > 1:
                quieten(link, question, PACE)
        heard.append(answers)
    return heard


def check_values(talk: Talk, heard: list[dict[str, Heard]]) -> int:
    """Every value is one that the instrument had; those of one answer are of one measurement. Counts whole rounds."""
    whole = 0
    for answers in heard:
        values = {}
        for field, answer in answers.items():
            present = dict(answer.values)
            if field in present:
                values[field] = present[field]
                position = FIELDS.index(field)
                assert any(math.isclose(values[field], t[position], rel_tol=1e-6) for t in TRUTHS), (field, answer)
            else:
                assert answer.why_missing(field)
                assert "\n" not in answer.why_missing(field)
        if len(values) == len(FIELDS):
            whole += 1
            if len(talk.questions) == 1:
                assert tuple(values[field] for field in FIELDS) in TRUTHS, "values of two measurements are mixed"
    return whole


@each_talk
@pytest.mark.parametrize("line", LINKS.values(), ids=LINKS.keys())
def test_every_protocol_over_every_link(talk: Talk, line: tuple[LinkOf, int, int]) -> None:
    link_of, count, at_least = line
    link = link_of(talk.instrument())
    assert check_values(talk, rounds(talk, link, count)) >= at_least


@pytest.mark.parametrize("talk", [t for t in TALKS.values() if t.has_checksum])
def test_with_a_checksum_no_loss_of_bytes_makes_a_wrong_value(talk: Talk) -> None:
    """A fifth of all bytes lost: hardly a frame arrives whole, and what is handed on is true all the same.

    Protocols without a checksum are left out: when a digit is lost from a line, what is left may be a number too.
    """
    quick = replace(talk, questions=tuple(replace(q, answer_within_s=0.02) for q in talk.questions))
    check_values(quick, rounds(quick, LossyBytes(talk.instrument()), 6))


@each_talk
def test_without_any_answer_there_is_one_reason_and_no_value(talk: Talk) -> None:
    class Dead(BenchLink):
        def write(self, data: bytes) -> None:
            """Nobody is there."""

    (answers,) = rounds(talk, Dead(talk.instrument()), 1)
    for field, answer in answers.items():
        assert answer.values == ()
        assert "answer" in answer.why_missing(field)


@each_talk
def test_a_stop_ends_the_wait_for_an_answer(talk: Talk) -> None:
    class Dead(BenchLink):
        def write(self, data: bytes) -> None:
            """Nobody is there."""

    assert exchange(Dead(talk.instrument()), talk.questions[0], Pace(lambda: 0, lambda: False)) is None


@pytest.mark.parametrize("talk", [t for t in TALKS.values() if not isinstance(t.questions[0], LineFormat)])
def test_an_adapter_that_hears_itself_does_no_harm(talk: Talk) -> None:
    """ASCII lines are left out: what their echo looks like is the format's own matter (see test_reader)."""

    class Echoing(BenchLink):
        def write(self, data: bytes) -> None:
            self._under_way.append((0.0, data))
            super().write(data)

    assert check_values(talk, rounds(talk, Echoing(talk.instrument()), 2)) == 2


def test_the_first_command_follows_a_break_and_a_broken_off_measurement_is_begun_again() -> None:
    sensor = Sdi12Sensor()
    sensor.breaks_off = 2
    link = BenchLink(sensor)
    heard = exchange(link, sdi12("M", True)[0], PACE)
    assert heard == Heard(1_000, tuple(zip(FIELDS, truth(2), strict=True)))
    assert link.breaks == 1, "further commands follow within 87 ms"


def test_a_sensor_that_always_breaks_off_or_has_too_few_values_is_named() -> None:
    sensor = Sdi12Sensor()
    sensor.breaks_off = 99
    heard = exchange(BenchLink(sensor), sdi12("M", True)[0], PACE)
    assert heard is not None
    assert heard.silence == "sensor 0 has no data: the measurement was broken off"
    wide = Sdi12Question(address="0", fields=("a", "b", "c", "d"), answer_within_s=WITHIN_S)
    heard = exchange(BenchLink(Sdi12Sensor()), wide, PACE)
    assert heard is not None
    assert heard.silence == "sensor 0 gives 3 values to 0MC!, fields names 4"


@pytest.mark.parametrize("command", ["M", "C"])
def test_a_damaged_time_does_not_keep_the_port_waiting_for_a_quarter_of_an_hour(command: str) -> None:
    """No checksum guards the answer to M and C: a 9 in front of the seconds would hold every sensor on the line."""
    sensor = Sdi12Sensor(ready_in_s=901)
    heard = exchange(BenchLink(sensor), sdi12(command, True)[0], PACE)
    assert heard is not None
    assert "sensor 0 says its values take 901 s, more than ready_within_s (30 s)" in heard.silence


def test_a_silent_sensor_is_asked_four_times() -> None:
    class Counting(Instrument):
        asked = 0

        def hear(self, data: bytes, now: float) -> None:
            self.asked += data == b"0MC!"

    instrument = Counting()
    heard = exchange(BenchLink(instrument), sdi12("M", True)[0], PACE)
    assert heard is not None
    assert heard.silence == "no answer to 0MC! in 4 tries of 0.15 s"
    assert instrument.asked == 4
