"""The SDI-12 codec against the standard's own examples, and against damage.

Source of the examples: SDI-12 Support Group, "SDI-12, A Serial-Digital Interface Standard for Microprocessor-Based
Sensors", version 1.4: tables of example command sequences with and without CRC. The check value 0xBB3D is that of
CRC-16/ARC (poly 0x8005 reflected, start 0) over "123456789" in the catalogue of parametrised CRC algorithms (G. Cook).
"""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vatwatch.errors import ProbeError
from vatwatch.probes import sdi12
from vatwatch.probes.lines import Refusal
from vatwatch.probes.sdi12 import AnswerFramer, Gathering, Identity, Promise

WITH_CRC = [
    (b"0+3.14OqZ", (3.14,)),
    (b"0+3.14+2.718+1.414Ipz", (3.14, 2.718, 1.414)),
    (b"0+1.11+2.22+3.33+4.44+5.55+6.66I]q", (1.11, 2.22, 3.33, 4.44, 5.55, 6.66)),
    (b"0+7.77+8.88+9.99IvW", (7.77, 8.88, 9.99)),
]


def test_commands_are_spelt_as_the_standard_spells_them() -> None:
    assert [
        sdi12.ASK_FOR_ADDRESS,
        sdi12.acknowledge("0"),
        sdi12.identify("z"),
        sdi12.start_measurement("0"),
        sdi12.start_measurement("0", 3),
        sdi12.start_measurement("0", crc=True),
        sdi12.start_measurement("0", 9, crc=True),
        sdi12.start_measurement("0", concurrent=True),
        sdi12.start_measurement("0", 1, crc=True, concurrent=True),
        sdi12.send_data("0", 0),
        sdi12.read_continuous("0"),
        sdi12.read_continuous("0", 9, crc=True),
    ] == b"?! 0! zI! 0M! 0M3! 0MC! 0MC9! 0C! 0CC1! 0D0! 0R0! 0RC9!".split()


@pytest.mark.parametrize("address", ["", "?", "00", "!", "é", "²"])
def test_what_is_no_address_is_refused(address: str) -> None:
    with pytest.raises(ProbeError, match="expected one of 0-9"):
        sdi12.acknowledge(address)


@pytest.mark.parametrize("number", [-1, 10])
def test_groups_and_pages_are_single_digits(number: int) -> None:
    with pytest.raises(ProbeError, match="expected 0 to 9"):
        sdi12.send_data("0", number)
    with pytest.raises(ProbeError, match="expected 0 to 9"):
        sdi12.start_measurement("0", number)


def test_the_crc_is_that_of_the_catalogue_and_of_the_standard() -> None:
    assert sdi12.crc_of(b"123456789") == 0xBB3D
    assert sdi12.crc_text(b"123456789") == b"Kl}"
    for answer, _ in WITH_CRC:
        assert sdi12.crc_text(answer[:-3]) == answer[-3:]


@pytest.mark.parametrize(("answer", "values"), WITH_CRC)
def test_answers_with_a_crc_give_their_values_and_any_damage_is_seen(answer: bytes, values: tuple[float, ...]) -> None:
    assert sdi12.read_values(answer, "0", crc=True) == values
    for position in range(len(answer)):
        for bit in range(8):
            damaged = bytearray(answer)
            damaged[position] ^= 1 << bit
            with pytest.raises(ProbeError):
                sdi12.read_values(bytes(damaged), "0", crc=True)


def test_the_address_alone_means_that_the_measurement_was_broken_off() -> None:
    with pytest.raises(sdi12.Aborted):
        sdi12.read_values(b"0AP@", "0", crc=True)
    with pytest.raises(sdi12.Aborted):
        sdi12.read_values(b"0", "0")


@pytest.mark.parametrize(
    ("answer", "values"),
    [
        (b"0+3.14", (3.14,)),
        (b"0-652.1+10.84-3", (-652.1, 10.84, -3.0)),
        (b"0+1234567-1234567.", (1234567.0, -1234567.0)),
        (b"0+.1234567", (0.1234567,)),
    ],
)
def test_signs_separate_values(answer: bytes, values: tuple[float, ...]) -> None:
    assert sdi12.read_values(answer, "0") == values


@pytest.mark.parametrize(
    ("answer", "message"),
    [
        (b"03.14", "signed number"),
        (b"0+3.14 ", "signed number"),
        (b"0+3.1.4", "signed number"),
        (b"0+", "signed number"),
        (b"0+12345678", "more than 7 digits"),
        (b"0+1 +2", "signed number"),
        (b"0+12345.678", "more than 7 digits"),
        (b"0+nan", "signed number"),
        (b"0+3.14OqZ", "signed number"),
        (b"1+3.14", "sensor 1 answered, expected sensor 0"),
        (b"0\xb1\xb3", "1200 7E1"),
        (b"", "empty"),
        (b"+3.14", "does not begin with an address"),
    ],
)
def test_what_is_not_values_is_refused(answer: bytes, message: str) -> None:
    with pytest.raises(ProbeError, match=message):
        sdi12.read_values(answer, "0")


def test_promises_service_requests_and_addresses_are_read() -> None:
    assert sdi12.read_promise(b"00053", "0") == Promise("0", 5, 3)
    assert sdi12.read_promise(b"Z99920", "Z", concurrent=True) == Promise("Z", 999, 20)
    assert sdi12.read_address(b"0", "0") == "0"
    assert sdi12.read_address(b"b") == "b"
    for answer in (b"0005", b"000533", b"0005x", b"0-053"):
        with pytest.raises(ProbeError, match="expected 4 digits"):
            sdi12.read_promise(answer, "0")
    with pytest.raises(ProbeError, match="alone"):
        sdi12.read_address(b"00")


def test_an_identity_is_taken_apart() -> None:
    assert sdi12.read_identity(b"014SHEDWORKORPROD201S/N 0042", "0") == Identity(
        "0", "1.4", "SHEDWORK", "ORPROD", "201", "S/N 0042"
    )
    assert sdi12.read_identity(b"013AB      X     1  ").maker == "AB"
    for answer in (b"014SHEDWORKORPROD20", b"0x4SHEDWORKORPROD201", b"014SHEDWORKORPROD201" + b"x" * 14):
        with pytest.raises(ProbeError, match="19 to 32"):
            sdi12.read_identity(answer)


def test_values_are_gathered_over_as_many_answers_as_it_takes() -> None:
    gathering = Gathering(Promise("0", 0, 9), crc=True)
    assert gathering.next_command == b"0D0!"
    gathering.take(WITH_CRC[2][0])
    assert gathering.next_command == b"0D1!"
    with pytest.raises(ProbeError, match="CRC"):
        gathering.take(b"0+7.77+8.88+9.98IvW")
    assert gathering.next_command == b"0D1!", "a damaged answer is asked for again"
    gathering.take(WITH_CRC[3][0])
    assert gathering.next_command is None
    assert gathering.values == (*WITH_CRC[2][1], *WITH_CRC[3][1])


def test_more_values_than_promised_or_too_many_answers_are_refused() -> None:
    with pytest.raises(ProbeError, match="promised 1 values and sent 2"):
        Gathering(Promise("0", 0, 1)).take(b"0+1+2")
    slow = Gathering(Promise("0", 0, 99))
    for _ in range(9):
        slow.take(b"0+1")
    with pytest.raises(ProbeError, match="in ten answers"):
        slow.take(b"0+1")


def test_echo_break_and_overlong_rubbish_are_taken_off_the_stream() -> None:
    framer = AnswerFramer(b"0D0!")
    assert framer.feed(b"\x000D0!0+3.14\r\n0+2\r\n") == [b"0+3.14", b"0+2"]
    (damaged,) = framer.feed(b"0+3\x004.1\r\n")
    assert isinstance(damaged, bytes)
    with pytest.raises(ProbeError, match="signed number"):
        sdi12.read_values(damaged, "0")
    refusal, answer = framer.feed(b"x" * 100 + b"\r\n0+1\r\n")
    assert isinstance(refusal, Refusal)
    assert answer == b"0+1"


def read_everything(answer: bytes) -> None:
    for crc in (False, True):
        try:
            values = sdi12.read_values(answer, "0", crc=crc)
        except ProbeError:
            continue
        assert values
        assert all(math.isfinite(value) for value in values)
    for read in (sdi12.read_address, sdi12.read_identity):
        try:
            read(answer)
        except ProbeError:
            continue
    for concurrent in (False, True):
        try:
            sdi12.read_promise(answer, "0", concurrent=concurrent)
        except ProbeError:
            continue


@given(
    data=st.one_of(st.binary(max_size=300), st.text("0D!+-.123\r\n\0@", max_size=300).map(str.encode)),
    cuts=st.lists(st.integers(0, 300), max_size=10),
)
def test_any_bytes_give_the_same_answers_in_any_pieces_and_only_the_named_error(data: bytes, cuts: list[int]) -> None:
    whole, pieces = AnswerFramer(b"0D0!"), AnswerFramer(b"0D0!")
    expected = whole.feed(data)
    got: list[bytes | Refusal] = []
    start = 0
    for end in [*sorted(cuts), len(data)]:
        got += pieces.feed(data[start:end])
        start = max(start, end)
    assert got == expected
    for answer in expected:
        if isinstance(answer, bytes):
            read_everything(answer)


@given(
    st.lists(
        st.decimals(-9999, 9999, places=2).map(lambda number: f"{number:+.2f}").filter(lambda text: len(text) < 9),
        min_size=1,
        max_size=7,
    )
)
def test_what_a_sensor_sends_is_read_back(texts: list[str]) -> None:
    body = b"0" + "".join(texts).encode()
    values = tuple(float(text) for text in texts)
    assert sdi12.read_values(body, "0") == values
    assert sdi12.read_values(body + sdi12.crc_text(body), "0", crc=True) == values


def fuzz(total: int, seed: int) -> int:
    source = random.Random(seed)
    framer = AnswerFramer(b"0D0!")
    alphabet = bytes(range(256)) + b"0+-.123456789\r\n\r\n\r\n" * 15
    answers = 0
    for _ in range(total // 1000):
        for answer in framer.feed(bytes(source.choices(alphabet, k=1000))):
            if isinstance(answer, bytes):
                answers += 1
                read_everything(answer)
    return answers


def test_a_million_seeded_bytes_raise_only_the_named_error() -> None:
    assert fuzz(1_000_000, seed=12) > 1_000


@pytest.mark.long
def test_ten_million_seeded_bytes_raise_only_the_named_error() -> None:
    """The long form, under a minute: `python -m pytest -m long tests/probes/test_sdi12.py`."""
    assert fuzz(10_000_000, seed=13) > 10_000
