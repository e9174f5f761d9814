"""The line codec: what it reads, what it refuses, and that neither cuts nor rubbish can change that."""

from __future__ import annotations

import math
import random
import time
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vatwatch.errors import ConfigError
from vatwatch.probes.lines import PARTIAL_FIRST_LINE, LineCodec, LineFormat, LineReading, Refusal

PATTERN = r"pH (?P<ph>\d+\.\d+) ORP (?P<orp_mv>[+-]?\d+\.?\d*) T (?P<temperature_c>-?\d+\.\d+)"
LABELLED = LineFormat(pattern=PATTERN)
COMMAS = LineFormat(delimiter=",", fields=("ph", "orp_mv", "-", "temperature_c"))
FORMATS = (
    LABELLED,
    COMMAS,
    LineFormat(terminator=b"\n", delimiter=" ", fields=("ph", "orp_mv"), max_line=12),
    LineFormat(terminator=b"\r\r", fields=("ph",), max_line=1),
    LineFormat(terminator=b"aab", pattern=r".*?(?P<x>\d+).*", max_line=20),
)
FUZZ = bytes(range(256)) + b"0123456789.,+- \r\n\r\n\r\nnainfE" * 12


def read(line_format: LineFormat, data: bytes) -> list[LineReading | Refusal]:
    return LineCodec(line_format).feed(data)


def test_a_labelled_line_and_an_ordered_line_give_their_numbers() -> None:
    assert read(LABELLED, b"pH 10.84 ORP -652 T 31.5\r\n") == [
        LineReading((("ph", 10.84), ("orp_mv", -652.0), ("temperature_c", 31.5)))
    ]
    assert read(COMMAS, b"10.84, -652,ok,31.5\r\n") == [
        LineReading((("ph", 10.84), ("orp_mv", -652.0), ("temperature_c", 31.5)))
    ]


@pytest.mark.parametrize(
    ("line_format", "line", "reason"),
    [
        (LABELLED, b"pH 10.84 ORP -652 T", "does not match"),
        (LABELLED, b"pH 10.84 ORP -652 T 31.5 ", "does not match"),
        (COMMAS, b"10.84,-652,ok", "3 fields, expected 4"),
        (COMMAS, b"10.8410.85,-652,ok,31.5", "run together"),
        (COMMAS, b"10.84-652,1,ok,31.5", "run together"),
        (COMMAS, b"10.84,-652,ok,31.5C", "not a number"),
        (COMMAS, b"0x1F,-652,ok,31.5", "not a number"),
        (COMMAS, b"1_0,-652,ok,31.5", "not a number"),
        (COMMAS, "10.84,-652,°C,31.5".encode(), "not ASCII"),
        (COMMAS, b"10.84,-652,ok,3\x001.5", "not a number"),
        (COMMAS, b"1" * 16 + b",-652,ok,31.5", "not a number"),
        (LineFormat(pattern=r"(?P<ph>\d+\.\d+).*"), b"10.8410.85", "run together"),
        (LineFormat(pattern=r"(?P<ph>\d+).*"), b"10.84", "run together, or the pattern cuts"),
        (LineFormat(pattern=r".*?(?P<orp>\d+)"), b"ORP -650", "cuts one short"),
        (LineFormat(pattern=r".*(?P<orp>\d+)"), b"ORP 650", "cuts one short"),
        (LineFormat(pattern=r"(?P<x>[\d.]+).*"), b"1.5e3", "cuts one short"),
        (LineFormat(pattern=r"a(?P<x>\d+)?"), b"a", "names no number"),
    ],
)
def test_a_line_not_wholly_understood_gives_no_reading(line_format: LineFormat, line: bytes, reason: str) -> None:
    (only,) = read(line_format, line + b"\r\n")
    assert isinstance(only, Refusal)
    assert reason in only.reason
    assert only.raw == line


@pytest.mark.parametrize("word", [b"nan", b"-NaN", b"inf", b"-Infinity", b"1e999", b"", b"1.#QNAN"])
def test_a_number_that_is_none_is_withheld_and_the_line_s_other_numbers_stay(word: bytes) -> None:
    reading, refusal = read(COMMAS, word + b",-652,ok,31.5\r\n")
    assert reading == LineReading((("orp_mv", -652.0), ("temperature_c", 31.5)))
    assert isinstance(refusal, Refusal)
    assert refusal.reason.startswith("ph: ")


def test_signed_numbers_may_touch_when_the_pattern_says_so() -> None:
    line_format = LineFormat(pattern=r"(?P<ph>[+-][\d.]+)(?P<orp_mv>[+-][\d.]+)")
    assert read(line_format, b"+10.84-652\r\n") == [LineReading((("ph", 10.84), ("orp_mv", -652.0)))]


def test_a_hyphen_after_a_word_is_not_a_sign() -> None:
    assert read(LineFormat(pattern=r"A-(?P<ph>\d+\.\d)"), b"A-9.8\r\n") == [LineReading((("ph", 9.8),))]


def test_the_first_line_after_opening_is_dropped_and_after_asking_it_is_not() -> None:
    codec = LineCodec(LineFormat(fields=("ph",)))
    codec.reset(mid_line=True)
    assert codec.feed(b"0.84\r\n10.85\r\n") == [
        Refusal(PARTIAL_FIRST_LINE, b"0.84"),
        LineReading((("ph", 10.85),)),
    ]
    codec.feed(b"9.")
    codec.reset(mid_line=False)
    assert codec.feed(b"10.86\r\n") == [LineReading((("ph", 10.86),))]


def test_a_line_of_the_greatest_length_is_read_and_one_byte_more_is_not() -> None:
    codec = LineCodec(LineFormat(fields=("ph",), max_line=5))
    assert codec.feed(b"10.84\r\n") == [LineReading((("ph", 10.84),))]
    (refusal,) = codec.feed(b"10.841\r\n")
    assert isinstance(refusal, Refusal)
    assert "within 5 bytes" in refusal.reason
    assert codec.feed(b"10.85\r\n") == [LineReading((("ph", 10.85),))]


def test_left_over_line_ends_and_blank_lines_do_no_harm() -> None:
    assert read(LineFormat(terminator=b"\n", fields=("ph",)), b"\r\n9.8\r\n\r\n9.9\r\n") == [
        LineReading((("ph", 9.8),)),
        LineReading((("ph", 9.9),)),
    ]


def test_of_several_lines_that_come_unasked_each_is_read_by_the_format_that_fits() -> None:
    codec = LineCodec(
        LineFormat(pattern=r"PH:(?P<ph>[\d.]+)"), LineFormat(pattern=r"ORP:(?P<orp_mv>-?[\d.]+)", max_line=9)
    )
    answers = codec.feed(b"PH:9.8\r\nORP:-640\r\nORP:-640.55\r\nT:1\r\n")
    assert answers[:2] == [LineReading((("ph", 9.8),)), LineReading((("orp_mv", -640.0),))]
    assert [type(answer) for answer in answers[2:]] == [Refusal, Refusal]
    with pytest.raises(ConfigError, match="one terminator"):
        LineCodec(COMMAS, LineFormat(terminator=b"\n", fields=("x",)))


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({}, "no field is named"),
        ({"fields": ("-",)}, "no field is named"),
        ({"fields": ("a", "b")}, "delimiter"),
        ({"delimiter": ",", "fields": ("a", "a")}, "twice"),
        ({"delimiter": ".", "fields": ("a", "b")}, "part of a number"),
        ({"delimiter": "", "fields": ("a", "b")}, "part of a number"),
        ({"pattern": "(?P<a>.", "fields": ()}, "not a regular expression"),
        ({"pattern": r"(\d+)"}, "names no number"),
        ({"pattern": r"(?P<a>\d+)", "delimiter": ","}, "not both"),
        ({"pattern": r"(?P<a>(\d+)+)x"}, "repeats a group"),
        ({"pattern": r"(?P<a>\d)(x|x){2,}"}, "repeats a group"),
        ({"pattern": r"(?x)(?P<a>\d+)"}, "verbose"),
        ({"pattern": r".*.*.*.*(?P<a>\d+)"}, "wildcards"),
        ({"fields": ("a",), "terminator": b""}, "terminator"),
        ({"fields": ("a",), "ask": b""}, "ask is empty"),
        ({"fields": ("a",), "max_line": 0}, "max_line"),
        ({"fields": ("a",), "answer_within_s": math.nan}, "answer_within_s"),
    ],
)
def test_a_format_that_cannot_be_used_is_refused_with_its_reason(settings: dict[str, object], message: str) -> None:
    with pytest.raises(ConfigError, match=message):
        LineFormat(**settings)  # type: ignore[arg-type]


def test_brackets_and_escapes_in_a_pattern_are_not_taken_for_repeats() -> None:
    assert LineFormat(pattern=r"[)+]*\)+(?P<a>\d+)?[.*]+\.*").field_names == ("a",)


def test_the_worst_allowed_pattern_on_the_worst_line_stays_quick() -> None:
    codec = LineCodec(LineFormat(pattern=r".*.*.*x(?P<a>\d)"))
    started = time.process_time()
    codec.feed(b"x" * 256 + b"\r\n")
    assert time.process_time() - started < 2


@given(
    line_format=st.sampled_from(FORMATS),
    mid_line=st.booleans(),
    data=st.one_of(st.binary(max_size=600), st.text("0123456789.,-+ \r\nab", max_size=600).map(str.encode)),
    cuts=st.lists(st.integers(0, 600), max_size=20),
)
def test_any_bytes_in_any_pieces_give_the_same_answers_and_never_raise(
    line_format: LineFormat, mid_line: bool, data: bytes, cuts: list[int]
) -> None:
    whole, pieces, bytewise = (LineCodec(line_format) for _ in range(3))
    for codec in (whole, pieces, bytewise):
        codec.reset(mid_line)
    expected = whole.feed(data)
    edges = [0, *sorted(cuts), len(data)]
    assert [a for i, j in pairwise(edges) for a in pieces.feed(data[i:j])] == expected
    assert [a for i in range(len(data)) for a in bytewise.feed(data[i : i + 1])] == expected
    for answer in expected:
        if isinstance(answer, LineReading):
            assert all(math.isfinite(value) for _, value in answer.values)
            assert answer.values
        else:
            assert answer.reason
            assert len(answer.raw) <= line_format.max_line


@given(
    ph=st.decimals(0, 14, places=3),
    orp=st.decimals(-1999, 1999, places=1),
    temperature=st.decimals(-20, 120, places=2),
)
def test_what_a_device_prints_is_read_back(ph: object, orp: object, temperature: object) -> None:
    (reading,) = read(COMMAS, f"{ph},{orp},x,{temperature}\r\n".encode())
    expected = (
        ("ph", float(str(ph))),
        ("orp_mv", float(str(orp))),
        ("temperature_c", float(str(temperature))),
    )
    assert reading == LineReading(expected)


def fuzz(total: int, seed: int) -> tuple[int, int]:
    """Feed seeded rubbish with good lines in it, in random pieces, whole and in pieces; readings and refusals."""
    source = random.Random(seed)
    readings = refusals = sent = 0
    while sent < total:
        parts = [bytes(source.choices(FUZZ, k=source.randrange(1, 400)))]
        parts += [b"\r\n10.84,-652,ok,31.5\r\n"] * (source.random() < 0.5)
        parts += [bytes(source.choices(FUZZ, k=source.randrange(1, 3000)))]
        data = b"".join(parts)
        sent += len(data)
        line_format = source.choice(FORMATS)
        whole, pieces = LineCodec(line_format), LineCodec(line_format)
        expected = whole.feed(data)
        got: list[LineReading | Refusal] = []
        at = 0
        while at < len(data):
            step = source.randrange(1, 64)
            got += pieces.feed(data[at : at + step])
            at += step
        assert got == expected, f"seed {seed}: cuts changed the answers after {sent} bytes"
        good = [answer for answer in expected if isinstance(answer, LineReading)]
        assert all(math.isfinite(value) for answer in good for _, value in answer.values)
        readings += len(good)
        refusals += len(expected) - len(good)
    return readings, refusals


def test_a_million_seeded_bytes_of_rubbish_give_only_readings_and_refusals() -> None:
    readings, refusals = fuzz(1_000_000, seed=2)
    assert readings > 50
    assert refusals > 5_000


@pytest.mark.long
def test_ten_million_seeded_bytes_of_rubbish() -> None:
    """The long form, about ten seconds: `python -m pytest -m long tests/probes/test_lines.py`."""
    readings, refusals = fuzz(10_000_000, seed=4)
    assert readings > 500
    assert refusals > 50_000
