"""Modbus RTU: the standard's own frames, numbers in four word orders, damage, and a server that others wrote.

Sources: Modbus Organization, "MODBUS Application Protocol Specification V1.1b3" (2012), section 6.3 (the request
`11 03 00 6B 00 03` is its example with unit 17) and "MODBUS over Serial Line V1.02" (2006), section 6.2.2 (CRC of
`02 07` is `41 12`). The other checksums were reckoned by pymodbus and are checked against it here.
"""

from __future__ import annotations

import math
import os
import random
import struct
import subprocess
import sys
from collections.abc import Iterator

import minimalmodbus
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer.rtu import FramerRTU

from tests.probes import modbus_peer
from tests.probes.instruments import Instrument, ModbusUnits
from tests.probes.links import BenchLink
from tests.probes.pty_bench import Device, Inbox, StartReader, opened, until
from vatwatch.errors import ConfigError, ProbeError
from vatwatch.probes.dialogues import exchange
from vatwatch.probes.link import Heard, Pace
from vatwatch.probes.modbus import ModbusQuestion, NumberType, WordOrder, number_in, register_of_sheet_number
from vatwatch.probes.modbus_client import NoAnswer, UnitRefuses, read_registers
from vatwatch.probes.serial_port import SerialLink
from vatwatch.probes.settings import PortSettings, ProbeWiring, plausible_numbers
from vatwatch.terms import Signal

PACE = Pace(lambda: 1_000, lambda: True)
PH = ModbusQuestion(field="ph", unit=1, address=0, type=NumberType.FLOAT32, answer_within_s=0.1)
WORDS = (0x42F6, 0xE979)  # 123.456


class Scripted(BenchLink):
    """A line on which one answer waits for whatever is asked."""

    def __init__(self, answer: bytes, piece: int = 1000) -> None:
        super().__init__(Instrument())
        self.asked = b""
        self._answer = answer
        self._piece = piece

    def write(self, data: bytes) -> None:
        self.asked = data
        self._under_way = [
            (0.0, self._answer[at : at + self._piece]) for at in range(0, len(self._answer), self._piece)
        ]


def ask(answer: bytes, question: ModbusQuestion = PH, piece: int = 1000) -> Heard:
    heard = exchange(Scripted(answer, piece), question, PACE)
    assert heard is not None
    return heard


def with_crc(body: bytes) -> bytes:
    return body + FramerRTU.compute_CRC(body).to_bytes(2, "big")


@pytest.mark.parametrize(
    "frame",
    ["02 07 41 12", "11 03 00 6B 00 03 76 87", "01 04 00 00 00 02 71 CB", "01 83 02 C0 F1",
     "01 03 04 42 F6 E9 79 80 0B"],
)  # fmt: skip
def test_the_frames_of_these_tests_have_the_checksums_that_others_reckon(frame: str) -> None:
    raw = bytes.fromhex(frame)
    assert with_crc(raw[:-2]) == raw


def test_requests_are_those_of_the_standard() -> None:
    link = Scripted(b"")
    with pytest.raises(NoAnswer):
        read_registers(link, PACE, 0x11, 3, 0x6B, 3, 0.02)
    assert link.asked == bytes.fromhex("11 03 00 6B 00 03 76 87")
    with pytest.raises(NoAnswer):
        read_registers(link, PACE, 1, 4, 0, 2, 0.02)
    assert link.asked == bytes.fromhex("01 04 00 00 00 02 71 CB")


@pytest.mark.parametrize("piece", [1, 2, 5, 1000])
def test_an_answer_is_the_same_number_in_any_pieces(piece: int) -> None:
    heard = ask(bytes.fromhex("01 03 04 42 F6 E9 79 80 0B"), piece=piece)
    assert dict(heard.values)["ph"] == pytest.approx(123.456, rel=1e-7)
    assert heard.time_ms == 1_000


@pytest.mark.parametrize("piece", [1, 1000])
def test_an_exception_is_one_line_that_says_what_to_do(piece: int) -> None:
    heard = ask(bytes.fromhex("01 83 02 C0 F1"), piece=piece)
    assert heard.values == ()
    assert heard.refusals == ()
    assert heard.silence.startswith("unit 1 refuses function 3 at address 0: illegal data address; compare")
    assert "try the other function" in ask(with_crc(b"\x01\x83\x01")).silence
    assert "busy" in ask(with_crc(b"\x01\x83\x06")).silence


@pytest.mark.parametrize(
    ("answer", "reason"),
    [
        (b"", "unit 1 does not answer (function 3, address 0)"),
        (bytes.fromhex("01 03 04 42 F6 E9"), "answer of unit 1 broke off after 6 of 9 bytes"),
        (bytes.fromhex("01 03 04 42 F6 E9 79 80 0C"), "answer of unit 1 is damaged"),
        (bytes.fromhex("02 03 04 42 F6 E9 79"), "does not begin with unit 1 and function 3; noise, two units"),
        (with_crc(bytes.fromhex("01 04 04 42 F6 E9 79")), "does not begin with unit 1 and function 3"),
        (with_crc(bytes.fromhex("01 03 02 42 F6 E9 79")), "answer of unit 1 is damaged"),
        (b"\xf8\x00\xfe\x80\xf0\xfe\x00\x80\x00", "or a wrong baud rate or parity"),
    ],
)
def test_what_is_no_answer_is_one_line(answer: bytes, reason: str) -> None:
    heard = ask(answer)
    assert heard.values == ()
    assert reason in heard.silence
    assert [r.raw for r in heard.refusals] == ([answer] if answer else [])


@given(st.integers(0, 71), st.floats(width=32, allow_nan=False, allow_infinity=False))
def test_any_single_bit_of_damage_is_seen(bit: int, number: float) -> None:
    frame = bytearray(with_crc(b"\x01\x03\x04" + struct.pack(">f", number)))
    frame[bit // 8] ^= 1 << bit % 8
    link = Scripted(bytes(frame))
    with pytest.raises(ProbeError):
        read_registers(link, PACE, 1, 3, 0, 2, 0.01)


@pytest.mark.parametrize(
    ("number", "place"),
    [(40001, (3, 0)), (30001, (4, 0)), (40108, (3, 107)), (49999, (3, 9998)), (400001, (3, 0)), (465536, (3, 65535)),
     (365536, (4, 65535))],
)  # fmt: skip
def test_data_sheet_numbers_name_function_and_address(number: int, place: tuple[int, int]) -> None:
    """40108 is address 107 = 0x6B: the standard's own example reads "registers 108 to 110"."""
    assert register_of_sheet_number(number) == place


@pytest.mark.parametrize("number", [0, 1, 10001, 30000, 40000, 50000, 465537, -40001])
def test_other_register_numbers_are_refused(number: int) -> None:
    with pytest.raises(ConfigError, match="expected 40001 to 49999"):
        register_of_sheet_number(number)


@given(st.floats(width=32, allow_nan=False), st.sampled_from(WordOrder))
def test_floats_come_back_from_every_order(number: float, order: WordOrder) -> None:
    wire = struct.pack(">f", number)
    sent = bytes(wire["ABCD".index(letter)] for letter in order)
    assert number_in(struct.unpack(">HH", sent), NumberType.FLOAT32, order) == number


@given(st.integers(-(2**31), 2**31 - 1), st.sampled_from(WordOrder))
def test_integers_come_back_from_every_order(number: int, order: WordOrder) -> None:
    wire = struct.pack(">i", number)
    sent = bytes(wire["ABCD".index(letter)] for letter in order)
    words = struct.unpack(">HH", sent)
    assert number_in(words, NumberType.INT32, order) == number
    assert number_in(words, NumberType.UINT32, order) == number % 2**32


@pytest.mark.parametrize("order", ["CDAB", "BADC", "DCBA"])
def test_a_wrong_word_order_is_not_handed_on_and_the_fitting_one_is_named(order: str) -> None:
    wire = struct.pack(">f", 10.84)
    words = bytes(wire["ABCD".index(letter)] for letter in order)
    plausible = plausible_numbers((ProbeWiring("glass", "tub", "ph", Signal.PH),), "ph")
    question = ModbusQuestion(field="ph", unit=1, address=0, type=NumberType.FLOAT32, plausible=plausible)
    heard = ask(with_crc(b"\x01\x03\x04" + words), question)
    assert heard.values == ()
    assert heard.silence == ""
    reason = heard.why_missing("ph")
    assert f"set word_order to {order} (10.84), which would fit" in reason
    assert reason.startswith("ph: ")


def test_an_odd_number_that_no_other_order_mends_is_handed_on_for_the_judgement_to_flag() -> None:
    question = ModbusQuestion(field="t", unit=1, address=0, type=NumberType.INT16, plausible=(-200, 850))
    assert ask(with_crc(b"\x01\x03\x02\x7f\xff"), question).values == (("t", 32767.0),)
    broken = ask(with_crc(b"\x01\x03\x04\x7f\xc0\x00\x00"))
    assert broken.values == ()
    assert broken.why_missing("ph") == "ph: the device gives no value (nan)"


def test_what_is_plausible_follows_the_probe_s_own_scale() -> None:
    fahrenheit = ProbeWiring("t", "tub", "raw", Signal.TEMPERATURE_C, scale=5 / 9, offset=-160 / 9)
    low, high = plausible_numbers((fahrenheit,), "raw") or (0, 0)
    assert low == pytest.approx(-328)
    assert high == pytest.approx(1562)
    assert plausible_numbers((fahrenheit,), "other") is None


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"unit": 0}, "unit is 0; expected 1 to 247"),
        ({"unit": 248}, "unit is 248"),
        ({"function": 6}, "expected 3 .holding registers. or 4"),
        ({"address": 65535}, "register address is 65535; expected 0 to 65534"),
        ({"type": NumberType.INT16, "order": WordOrder.CDAB}, "is a single word"),
        ({"scale": 0.0}, "scale is 0"),
        ({"scale": math.nan}, "scale is nan"),
        ({"field": ""}, "field is empty"),
        ({"answer_within_s": 0}, "answer_within_s is 0"),
    ],
)
def test_a_question_that_cannot_be_put_is_refused(change: dict[str, object], message: str) -> None:
    with pytest.raises(ConfigError, match=message):
        ModbusQuestion(**{"field": "x", "unit": 1, "address": 0, "type": NumberType.FLOAT32, **change})  # type: ignore[arg-type]


def fuzz(total: int, seed: int) -> tuple[int, int]:
    """Bytes fed as answers: pure noise, and true frames with a few bytes changed; values taken, answers refused."""
    rng = random.Random(seed)
    sent = taken = refused = 0
    # Long enough that a machine under load does not mistake its own delay for the line's silence.
    question = ModbusQuestion(field="x", unit=1, address=0, type=NumberType.UINT16, answer_within_s=5e-5)
    while sent < total:
        true = with_crc(b"\x01\x03\x02" + rng.randbytes(2)) if rng.random() < 0.9 else with_crc(b"\x01\x83\x02")
        frame = bytearray(true)
        for _ in range(rng.randrange(4)):
            frame[rng.randrange(len(frame))] = rng.randrange(256)
        answer = bytes(frame) + rng.randbytes(rng.randrange(9)) if rng.random() < 0.7 else rng.randbytes(40)
        sent += len(answer)
        heard = exchange(Scripted(answer), question, PACE)
        assert heard is not None
        if heard.values:
            taken += 1
            assert heard.values == (("x", float(int.from_bytes(answer[3:5], "big"))),)
            assert FramerRTU.compute_CRC(answer[:5]).to_bytes(2, "big") == answer[5:7]
        else:
            refused += 1
            assert heard.silence
    return taken, refused


@pytest.fixture
def no_pause(monkeypatch: pytest.MonkeyPatch) -> None:
    """The silence between frames, 1.75 ms on a real line, is left out: this line has no one to be silent for."""
    monkeypatch.setattr(minimalmodbus, "_calculate_minimum_silent_period", lambda _baud: 0.0)


def test_a_million_seeded_bytes_raise_nothing_and_give_only_checked_values(no_pause: None) -> None:
    taken, refused = fuzz(1_000_000, seed=21)
    assert taken > 1_000
    assert refused > 10_000


@pytest.mark.long
def test_ten_million_seeded_bytes_raise_nothing_and_give_only_checked_values(no_pause: None) -> None:
    """The long form, a few minutes: `python -m pytest -m long tests/probes/test_modbus.py`."""
    taken, refused = fuzz(10_000_000, seed=22)
    assert taken > 10_000
    assert refused > 100_000


@pytest.fixture(scope="module")
def peer(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SerialLink]:
    """A link to pymodbus's server in a process of its own."""
    device = tmp_path_factory.mktemp("peer") / "bus"
    process = subprocess.Popen([sys.executable, "-m", "tests.probes.modbus_peer", str(device)], stdout=subprocess.PIPE)
    try:
        assert process.stdout is not None
        with process.stdout as said:
            assert said.readline() == b"ready\n"
        settings = PortSettings(port="bus", device=str(device), questions=(PH,), silent_after_s=60, probes=())
        with SerialLink(settings) as link:
            yield link
    finally:
        device.unlink(missing_ok=True)
        process.kill()
        process.wait(10)


def from_peer(peer: SerialLink, **how: object) -> Heard:
    question = ModbusQuestion(**{"field": "x", "unit": 1, "answer_within_s": 2.0, **how})  # type: ignore[arg-type]
    heard = exchange(peer, question, PACE)
    assert heard is not None
    return heard


@pytest.mark.parametrize("order", WordOrder)
@pytest.mark.parametrize("function", [3, 4])
def test_the_peer_s_floats_in_every_order(peer: SerialLink, order: WordOrder, function: int) -> None:
    start = modbus_peer.ORDER_ADDRESS[order]
    for offset, expected in ((0, 10.84), (2, -652.5), (4, 30.25)):
        heard = from_peer(peer, address=start + offset, function=function, type=NumberType.FLOAT32, order=order)
        assert dict(heard.values)["x"] == pytest.approx(expected, rel=1e-7), heard


@pytest.mark.parametrize(
    ("offset", "kind", "scale", "expected"),
    [
        (0, NumberType.INT16, 0.01, 10.84),
        (1, NumberType.INT16, 0.1, -652.5),
        (1, NumberType.UINT16, 1.0, 59011.0),
        (2, NumberType.INT16, 1.0, -1.0),
        (2, NumberType.UINT16, 1.0, 65535.0),
        (3, NumberType.INT32, 0.01, -652.5),
        (5, NumberType.UINT32, 1.0, 3_000_000_000.0),
    ],
)
def test_the_peer_s_integers(peer: SerialLink, offset: int, kind: NumberType, scale: float, expected: float) -> None:
    heard = from_peer(peer, address=modbus_peer.INTEGERS_ADDRESS + offset, type=kind, scale=scale)
    assert dict(heard.values)["x"] == pytest.approx(expected), heard


def test_the_peer_has_several_units_and_refuses_what_it_has_not(peer: SerialLink) -> None:
    assert dict(from_peer(peer, unit=2, address=0, scale=0.01).values)["x"] == pytest.approx(30.25)
    assert "illegal data address" in from_peer(peer, unit=2, address=100).silence
    with pytest.raises(UnitRefuses):
        read_registers(peer, PACE, 1, 3, 1000, 2, 2.0)
    assert dict(from_peer(peer, unit=2, address=0).values)["x"] == 3025.0


def test_the_reader_stores_a_wrong_word_order_as_missing_with_the_order_to_set(
    device: Device, inbox: Inbox, start_reader: StartReader
) -> None:
    """Unit 1 of the bench sends ABCD; the settings say DCBA."""
    probe = ProbeWiring("glass", "tub", "ph", Signal.PH)
    question = ModbusQuestion(
        field="ph", unit=1, address=0, type=NumberType.FLOAT32, order=WordOrder.DCBA,
        plausible=plausible_numbers((probe,), "ph"), answer_within_s=5.0,
    )  # fmt: skip
    units = ModbusUnits()
    start_reader(question, probes=(probe,), rate=1.0)
    opened(inbox)
    heard = b""
    while len(heard) < 8:
        heard += os.read(device.master, 64)
    units.hear(heard, 0.0)
    for frame in units.due(0.0):
        device.say(frame)
    until(lambda: len(inbox.samples) == 1, "the missing sample")
    assert inbox.samples[0].value is None
    assert "set word_order to ABCD (10.8), which would fit" in inbox.samples[0].reason
    until(lambda: len(inbox.events("garbled")) == 1, "it is told once more, with the bytes")
    assert "1 answer was refused" in inbox.events("garbled")[0].detail
    assert "baud" not in inbox.events("garbled")[0].detail
