"""Packed columns come back exactly, whatever is in them."""

from __future__ import annotations

import math
import random
from array import array

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from vatwatch.store.packing import pack_ints, pack_words, unpack_ints, unpack_words
from vatwatch.store.packing_floats import Hint, pack_floats, unpack_floats

int64 = st.integers(-(2**63), 2**63 - 1)
small = st.integers(-3, 3)
steps = st.lists(st.integers(-300, 300), max_size=300)


def walked(steps: list[int]) -> list[int]:
    at, found = 0, []
    for step in steps:
        at += step
        found.append(at)
    return found


@given(st.one_of(st.lists(int64, max_size=60), st.lists(small, max_size=400), steps, steps.map(walked)))
@example([2**63 - 1, -(2**63)])
@example([-(2**60), 2**60])
@example([0] * 999 + [10**15])
@settings(deadline=None)
def test_whole_numbers_come_back(values: list[int]) -> None:
    assert unpack_ints(pack_ints(values), len(values)) == values


@pytest.mark.parametrize("spread", [0, 1, 2, 3, 5, 9, 40, 200, 70_000, 2**40])
@pytest.mark.parametrize("rare", [0, 0.01, 0.2])
def test_noise_of_any_size_comes_back_and_costs_about_its_entropy(spread: int, rare: float) -> None:
    chance = random.Random(f"{spread}/{rare}")
    values = [chance.randint(0, spread) * (10_000 if chance.random() < rare else 1) for _ in range(5000)]
    packed = pack_ints(values)
    assert unpack_ints(packed, len(values)) == values
    if rare == 0:
        assert len(packed) <= 5000 * math.log2(spread + 1) / 8 * 1.5 + 800


def same_bits(one: array[float], other: array[float]) -> bool:
    return one.tobytes() == other.tobytes()


real = st.one_of(
    st.floats(allow_nan=False), st.integers(-5000, 5000).map(lambda n: n / 100), st.sampled_from([0.0, -0.0])
)


@given(st.lists(st.one_of(st.none(), real), max_size=200), st.booleans())
@settings(deadline=None, max_examples=300)
def test_floats_come_back_bit_for_bit(values: list[float | None], summed: bool) -> None:
    column = array("d", [math.nan if value is None else value for value in values])
    keys = [None if value is None else repr(value)[:2] for value in values]
    base = array("d", [math.nan if value is None else value * 0.75 for value in values])
    for hint in (None, Hint(keys), Hint(keys, base if summed else None)):
        assert same_bits(unpack_floats(pack_floats(column, hint), len(values), hint), column)


def test_what_follows_from_other_columns_costs_next_to_nothing() -> None:
    chance = random.Random(3)
    t = array("d", [chance.randint(3000, 3050) / 100 for _ in range(10_000)])
    orp = array("d", [chance.gauss(-600, 3) for _ in t])
    eh = array("d", [mv + math.sqrt(c) * 37.1 for mv, c in zip(orp, t, strict=True)])
    function = array("d", [math.exp(-c) for c in t])
    for column, hint in ((eh, Hint(t, orp)), (function, Hint(t))):
        packed = pack_floats(column, hint)
        assert same_bits(unpack_floats(packed, len(column), hint), column)
        assert len(packed) < 0.25 * len(column)


@given(st.lists(st.text(max_size=8), max_size=80))
@settings(deadline=None)
def test_words_come_back(words: list[str]) -> None:
    assert unpack_words(pack_words(words), len(words)) == words
