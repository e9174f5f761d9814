"""What `vatwatch ports` makes of lines and registers: formats that read what was heard, guesses a person can mend."""

from __future__ import annotations

import os
import random
import struct
import threading
import tty
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vatwatch.commissioning import NO_VAT, Room, look_at_ports, tables
from vatwatch.config import check_config
from vatwatch.errors import VatwatchError
from vatwatch.probes.inference import Guess, line_format, lines_in, modbus_questions, name_values
from vatwatch.probes.lines import LineCodec, LineReading
from vatwatch.probes.modbus import WordOrder
from vatwatch.probes.survey import Found
from vatwatch.terms import Quantity, Signal


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("pH=10.84;ORP=-652.0;T=30.2", {"ph": 10.84, "orp_mv": -652.0, "temperature_c": 30.2}),
        ("10.84,-652.0,30.2", {"ph": 10.84, "orp_mv": -652.0, "temperature_c": 30.2}),
        ("10.84  -652 30.2", {"ph": 10.84, "orp_mv": -652.0, "temperature_c": 30.2}),
        ("-652", {"orp_mv": -652.0}),
        ("temp 12.5 C, pH 10.84", {"temperature_c": 12.5, "ph": 10.84}),
        ("12.5 degC 10.84 pH -652 mV", {"temperature_c": 12.5, "ph": 10.84, "orp_mv": -652.0}),
        ("Ch1 10.84 Ch2 -652", {"ph": 10.84, "orp_mv": -652.0}),
        ("(10.84) [x.y] 5000", {"ph": 10.84}),
    ],
)
def test_a_line_becomes_a_format_that_reads_it(line: str, expected: dict[str, float]) -> None:
    built = line_format([line, line], "\r\n", None)
    assert built is not None
    fmt, guesses = built
    (read,) = LineCodec(fmt).feed(line.encode() + b"\r\n")
    assert isinstance(read, LineReading)
    assert dict(read.values) == expected
    assert {guess.field: guess.example for guess in guesses} == expected


@pytest.mark.parametrize("lines", [[], ["hello"], ["99999"], ["1.2.3"], ["10.84 ok", "all other", "lines", "differ"]])
def test_lines_that_say_nothing_of_a_vat_give_no_format(lines: list[str]) -> None:
    assert line_format(lines, "\n", None) is None


@given(st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=60))
def test_any_line_gives_a_format_that_reads_it_or_none(line: str) -> None:
    built = line_format([line], "\n", None)
    if built is not None:
        (read,) = LineCodec(built[0]).feed(line.encode() + b"\n")
        assert isinstance(read, LineReading)


def test_the_first_and_the_last_line_may_be_cut_and_rubbish_is_no_text() -> None:
    assert lines_in(b"0.84\r\n10.85\r\n\r\n10.8") == ("\r\n", ["10.85"])
    assert lines_in(b"10.85\r", mid_line=False) == ("\r", ["10.85"])
    assert lines_in(b"\xf8\x00\xfe\r\n\x80\r\n") == ("", [])
    assert lines_in(b"10.85") == ("", [])


def test_each_signal_is_guessed_once() -> None:
    fields, guesses = name_values([30.0, 12345.0, 10.5])
    assert fields == ("temperature_c", "-", "ph")
    assert [guess.signal for guess in guesses] == [Signal.TEMPERATURE_C, Signal.PH]


@pytest.mark.parametrize("order", WordOrder)
def test_floats_in_registers_are_found_in_every_order(order: WordOrder) -> None:
    raw = b""
    for number in (10.84, -652.5, 30.25):
        wire = struct.pack(">f", number)
        raw += bytes(wire["ABCD".index(letter)] for letter in order)
    questions, guesses = modbus_questions(3, 4, struct.unpack(">6H", raw))
    assert [(q.address, q.order, q.function, q.unit) for q in questions] == [(a, order, 4, 3) for a in (0, 2, 4)]
    assert [guess.example for guess in guesses] == pytest.approx([10.84, -652.5, 30.25], rel=1e-6)


def test_integers_in_registers_are_found_with_a_scale() -> None:
    questions, guesses = modbus_questions(1, 3, struct.unpack(">3H", struct.pack(">3h", 1084, -6525, 302)))
    assert [(q.type.value, q.scale) for q in questions] == [("int16", 0.01), ("int16", 0.1), ("int16", 0.1)]
    assert [guess.example for guess in guesses] == pytest.approx([10.84, -652.5, 30.2])
    assert modbus_questions(1, 3, (0, 0, 0, 0)) == ((), ())


THREE = (
    Guess("ph", Signal.PH, 10.8),
    Guess("orp_mv", Signal.ORP_MV, -650.0),
    Guess("temperature_c", Signal.TEMPERATURE_C, 30.0),
)


def found() -> Found:
    built = line_format(["it's 10.80 -650.0 30.0\t!"], "\r", b"R\r")
    assert built is not None
    return Found("/dev/x", "ASCII lines", (9600, 7, "O"), (built[0],), built[1])


def test_tables_come_back_from_the_settings_as_they_were_meant() -> None:
    import tomllib

    text = "\n".join(tables(found(), "port-1", Room(["tub"], None)))
    config = check_config(tomllib.loads('[vat.tub]\nchemistry = "hydrosulfite"\n' + text), "shed.toml")
    port = config.port["port-1"]
    assert (port.baud, port.bytesize, port.parity) == (9600, 7, "O")
    assert port.line[0].ask == "R\r"
    assert port.line[0].terminator == "\r"
    assert {probe.signal for probe in config.probe.values()} == {guess.signal for guess in THREE}
    assert text.count("DECIDE") == 7


def test_a_vat_gets_one_probe_of_each_and_what_has_no_vat_is_commented_out() -> None:
    room = Room(["tub"], None)
    assert "\n# [probe" not in "\n".join(tables(found(), "port-1", room))
    second = "\n".join(tables(found(), "port-2", room))
    assert "No vat has room" in second
    assert "\n[probe" not in second
    assert second.count("\n# [probe") == 3
    assert room.vat_for({Quantity.TEMPERATURE}) == "tub", "thermometers may be several"


def test_without_a_settings_file_vats_are_made_up() -> None:
    room = Room([], None)
    assert [room.vat_for({Quantity.PH}) for _ in range(2)] == [NO_VAT, f"{NO_VAT}-2"]


def test_rubbish_at_every_speed_says_so(tmp_path: Path) -> None:
    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    stop = threading.Event()
    rng = random.Random(5)

    def babble() -> None:
        while not stop.wait(0.01):
            try:
                os.write(master, bytes(rng.randrange(128, 256) for _ in range(20)))
            except BlockingIOError:
                continue

    thread = threading.Thread(target=babble)
    thread.start()
    told: list[str] = []
    try:
        with pytest.raises(VatwatchError, match="nothing was recognised"):
            list(look_at_ports([os.ttyname(slave)], [], tmp_path / "none.toml", 0.5, False, told.append))
    finally:
        stop.set()
        thread.join()
        os.close(master)
        os.close(slave)
    assert sum("bytes that are not lines of text" in line for line in told) == 8
    assert "at none of the usual speeds" in told[-1]
