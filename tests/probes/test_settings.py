"""Port settings that do not fit together are refused with what was given and what is expected."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from vatwatch.errors import ConfigError
from vatwatch.probes.garble import GarbleTally, printable
from vatwatch.probes.lines import LineFormat, Refusal
from vatwatch.probes.settings import PortSettings, ProbeWiring
from vatwatch.terms import Signal

ASKED = LineFormat(ask=b"R\r", fields=("ph",))
UNASKED = LineFormat(fields=("ph",))
GLASS = ProbeWiring("glass", "madder-lane", "ph", Signal.PH)
PORT = PortSettings(port="shed", device="/dev/x", questions=(ASKED,), silent_after_s=60, probes=(GLASS,))


def test_the_usual_framing_is_the_default_and_is_named_in_short() -> None:
    assert PORT.wire == "9600 8N1"
    assert replace(PORT, baud=1200, bytesize=7, parity="E", stopbits=1.5).wire == "1200 7E1.5"
    assert PORT.asks
    assert not replace(PORT, questions=(UNASKED, UNASKED)).asks


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"questions": ()}, "no line format"),
        ({"questions": (ASKED, UNASKED)}, "expected one or the other"),
        ({"questions": (ASKED, ASKED)}, "field 'ph' is given by two questions"),
        ({"questions": (UNASKED, replace(UNASKED, terminator=b"\n"))}, "share one terminator"),
        ({"probes": (replace(GLASS, field="orp"),)}, "field is 'orp'.*expected one of ph"),
        ({"device": ""}, "device is empty"),
        ({"baud": 0}, "baud is 0"),
        ({"bytesize": 9}, "bytesize is 9"),
        ({"parity": "even"}, "parity is 'even'"),
        ({"stopbits": 3}, "stopbits is 3"),
        ({"ask_every_s": 0.0}, "ask_every_s is 0"),
        ({"silent_after_s": math.inf}, "silent_after_s is inf"),
    ],
)
def test_a_setting_that_cannot_work_is_refused(change: dict[str, object], message: str) -> None:
    with pytest.raises(ConfigError, match=message):
        replace(PORT, **change)  # type: ignore[arg-type]


@pytest.mark.parametrize(("name", "value"), [("scale", 0.0), ("scale", math.nan), ("offset", math.inf)])
def test_a_scale_that_gives_no_number_is_refused(name: str, value: float) -> None:
    with pytest.raises(ConfigError, match=f"glass: {name} is"):
        replace(GLASS, **{name: value})  # type: ignore[arg-type]


def test_refused_lines_become_one_sentence_and_the_count_begins_anew() -> None:
    tally = GarbleTally("9600 8N1")
    assert tally.take_sentence() == ""
    tally.add(Refusal("line does not match the pattern", b"hello\x1b[2J"))
    assert tally.take_sentence() == '1 line was refused: "hello\\x1b[2J" (line does not match the pattern)'
    for _ in range(3):
        tally.add(Refusal("bytes that are not ASCII", b"\xff\x00\xf8" * 20))
    sentence = tally.take_sentence()
    assert sentence.startswith('3 lines were refused, the last: "\\xff\\x00')
    assert "wrong baud rate: the port is set to 9600 8N1" in sentence
    assert tally.count == 0


def test_an_excerpt_is_short_and_says_where_it_was_cut() -> None:
    assert printable(b"a" * 40) == f'"{"a" * 40}"'
    assert printable(b"a" * 41) == f'"{"a" * 40}"…'
