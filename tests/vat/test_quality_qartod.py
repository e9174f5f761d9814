"""Each QARTOD test against `ioos_qc` (the reference implementation by IOOS), on its own test vectors and random series.

The vectors are those of ioos_qc's own test suite (tests/test_qartod.py, Apache 2.0). Its rate test cuts Δt to whole
seconds and its flat-line test counts samples, so series here are regular, in whole seconds.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from ioos_qc import qartod as oracle

from vatwatch.terms import Flag, Signal
from vatwatch.vat.qartod import (
    LIMITS,
    LONGEST_LINE,
    FlatLine,
    SeriesMemory,
    extend_line,
    flat_line,
    gross_range,
    overall,
    rate_of_change,
    series_from_plain,
    silence,
    spike,
    step_series,
)

Series = Sequence[float | None]

SPIKES: list[Series] = [
    [10, 12, 999.99, 13, 15, 40, 9, 9],
    [-10, -12, -999.99, -13, -15, -40, -9, -9],
    [-100, -99, -99, -98],
    [10, 12, 999.99, 13, 15, 40, 9, 9, None, 10, 10, 999.99, 10, None],
    [3, 4.99, 5, 6, 8, 6, 6, 6.75, 6, 6, 5.3, 6, 6, 9, 5, None, 4, 4],
]
RATES: list[Series] = [
    [2, 10, 2.1, 3, 4, 5, 7, 10, 0, 2, 2.2, 2, 1, 2, 3, 90, 91, 92, 93, 1, 2, 3, 4, 5],
    [2, 10, 2, 3, None, None, 7, 10],
    [-2, -10, -2, -3],
]
FLATS: list[tuple[Series, int, int, int, float]] = [
    ([1, 2, 2.0001, 2, 2.0001, 2, 2.0001, 2, 4, 5, 3, 3.0001, 3.0005, 3.00001], 900, 3000, 4800, 0.01),
    ([-1, -2, -2.0001, -2, -2.0001, -2, -2.0001, -2, -4, -5, -3, -3.0001, -3.0005, -3.00001], 900, 3000, 4800, 0.01),
    ([2, 2.0001, 2, 2.0001, 2, 2.0001, 2, 4, 5, 3, 3.0001, 3.0005, 3.00001], 900, 3000, 4800, 0.01),
    ([1, None, None, 2, 2.0001, 2, 2.0001, 2, 4, None, 3, None, None, 3.00001], 900, 3000, 4800, 0.01),
    ([5, 5, 5, 5, 5, 5], 1, 3, 5, 0.1),
    ([1, 1, 1, 1, 1, 6, 5, 4, 3, 2], 1, 3, 6, 4),
]


def seconds(count: int, step_s: int) -> np.ndarray:
    return np.arange(count, dtype="int64") * step_s * np.timedelta64(1, "s") + np.datetime64("2026-03-01T00:00:00")


def said(flags: np.ndarray) -> list[int]:
    return [int(flag) for flag in flags]


def our_spikes(values: Series, suspect: float, fail: float) -> list[int]:
    padded = [None, *values, None]
    return [int(spike(padded[i - 1], padded[i], padded[i + 1], suspect, fail)) for i in range(1, len(padded) - 1)]


def our_rates(values: Series, step_s: int, suspect: float, fail: float | None) -> list[int]:
    before: list[float | None] = [None, *values]
    return [int(rate_of_change(b, v, 1000 * step_s, suspect, fail)) for b, v in zip(before, values, strict=False)]


def our_flats(values: Series, step_s: int, suspect_s: int, fail_s: int, tolerance: float) -> list[int]:
    line, flags = FlatLine(), []
    for number, value in enumerate(values):
        at_ms = number * step_s * 1000
        line = extend_line(line, at_ms, value, tolerance, fail_s * 1000)
        flags.append(int(flat_line(line, at_ms, value, suspect_s * 1000, fail_s * 1000)))
    return flags


def their_flats(values: Series, step_s: int, suspect_s: int, fail_s: int, tolerance: float) -> list[int]:
    with warnings.catch_warnings():
        # The oracle takes minima of windows that hold only missing values, and numpy says so.
        warnings.simplefilter("ignore")
        return said(oracle.flat_line_test(list(values), seconds(len(values), step_s), suspect_s, fail_s, tolerance))


def test_gross_range_on_the_oracle_s_vectors() -> None:
    values: Series = [None, 5, 10, 15, 20, 25, 30, 35, 40, 45, 51, float("nan")]
    ours = [int(gross_range(None if v is None or v != v else v, (10, 50), (20, 40))) for v in values]
    assert ours == said(oracle.gross_range_test(list(values), (10, 50), (20, 40)))
    assert ours == [9, 4, 3, 3, 1, 1, 1, 1, 1, 3, 4, 9]


@pytest.mark.parametrize("values", SPIKES)
@pytest.mark.parametrize(("suspect", "fail"), [(25.0, 50.0), (0.5, 1.0)])
def test_spikes_on_the_oracle_s_vectors(values: Series, suspect: float, fail: float) -> None:
    theirs = said(oracle.spike_test(list(values), suspect, fail))
    assert our_spikes(values, suspect, fail) == theirs
    assert theirs[0] == 2
    assert len(set(theirs)) > 1


@pytest.mark.parametrize("values", RATES)
def test_rates_on_the_oracle_s_vectors(values: Series) -> None:
    threshold = 5 / 15 / 60
    theirs = said(oracle.rate_of_change_test(list(values), seconds(len(values), 900), threshold))
    assert our_rates(values, 900, threshold, None) == theirs
    assert 3 in theirs


@pytest.mark.parametrize(("values", "step_s", "suspect_s", "fail_s", "tolerance"), FLATS)
def test_flat_lines_on_the_oracle_s_vectors(
    values: Series, step_s: int, suspect_s: int, fail_s: int, tolerance: float
) -> None:
    theirs = their_flats(values, step_s, suspect_s, fail_s, tolerance)
    # The oracle counts samples and so cuts 50 minutes to three steps of 15; ours are times.
    suspect_s, fail_s = suspect_s // step_s * step_s, fail_s // step_s * step_s
    assert our_flats(values, step_s, suspect_s, fail_s, tolerance) == theirs
    assert 3 in theirs


CELLS = st.one_of(st.none(), st.sampled_from([7.0, 7.01, 7.02, 7.5]), st.floats(-50.0, 50.0))


@settings(max_examples=300, deadline=None)
@given(st.lists(CELLS, min_size=3, max_size=60), st.floats(0.01, 20.0), st.floats(0.01, 20.0))
def test_random_spikes_and_rates_are_flagged_as_the_oracle_flags_them(
    values: list[float | None], suspect: float, more: float
) -> None:
    assert our_spikes(values, suspect, suspect + more) == said(oracle.spike_test(values, suspect, suspect + more))
    theirs = oracle.rate_of_change_test(values, seconds(len(values), 10), suspect / 10, (suspect + more) / 10)
    assert our_rates(values, 10, suspect / 10, (suspect + more) / 10) == said(theirs)


@settings(max_examples=300, deadline=None)
@given(
    st.lists(CELLS, min_size=3, max_size=80),
    st.sampled_from([1, 5, 10]),
    st.integers(2, 6),
    st.integers(1, 8),
    st.sampled_from([0.005, 0.015, 0.6, 30.0]),
)
def test_random_flat_lines_are_flagged_as_the_oracle_flags_them(
    values: list[float | None], step_s: int, suspect: int, more: int, tolerance: float
) -> None:
    arguments = (values, step_s, suspect * step_s, (suspect + more) * step_s, tolerance)
    assert our_flats(*arguments) == their_flats(*arguments)


@given(st.lists(st.sampled_from(list(Flag)), min_size=1))
def test_a_sample_s_overall_flag_is_the_oracle_s(flags: list[Flag]) -> None:
    vectors = [np.ma.array([int(flag)]) for flag in flags]
    assert int(overall(flags)) == int(oracle.qartod_compare(vectors)[0])


def test_silence_is_missing_only_when_nothing_came_for_too_long() -> None:
    assert silence(1_000, 31_000, 30_000) is Flag.PASS
    assert silence(1_000, 31_001, 30_000) is Flag.MISSING
    assert silence(None, 0, 30_000) is Flag.MISSING


@given(st.lists(st.floats(6.0, 6.004), min_size=200, max_size=400, unique=True))
@settings(max_examples=20, deadline=None)
def test_a_line_s_memory_is_bounded_and_never_claims_more_rest_than_there_was(values: list[float]) -> None:
    line = FlatLine()
    for number, value in enumerate(sorted(values)):
        line = extend_line(line, number * 1000, value, 0.005, 10_000_000)
        assert len(line.lows) + len(line.highs) <= LONGEST_LINE + 2
        assert line.flat_ms(number * 1000) <= number * 1000


@given(st.lists(st.one_of(st.none(), st.floats(-2.0, 16.0)), max_size=40), st.integers(0, 40))
@settings(deadline=None)
def test_the_tests_go_on_after_a_restart_as_if_nothing_had_been(values: list[float | None], cut: int) -> None:
    def run(memory: SeriesMemory, first: int, part: list[float | None]) -> tuple[SeriesMemory, list[object]]:
        flags: list[object] = []
        for number, value in enumerate(part, first):
            memory, found = step_series(memory, LIMITS[Signal.PH], number * 10_000, value)
            flags.append(found)
        return memory, flags

    def plain(value: object) -> object:
        return [plain(one) for one in value] if isinstance(value, tuple) else value

    through, all_flags = run(SeriesMemory(), 0, values)
    half, first_flags = run(SeriesMemory(), 0, values[:cut])
    raw = plain(half)
    assert isinstance(raw, list)
    again, last_flags = run(series_from_plain(raw), len(values[:cut]), values[cut:])
    assert (again, first_flags + last_flags) == (through, all_flags)


def test_every_signal_has_limits_that_make_sense() -> None:
    assert set(LIMITS) == set(Signal)
    for limits in LIMITS.values():
        assert limits.source
        assert limits.fail_span[0] < limits.fail_span[1]
        assert 0 < limits.spike_suspect < limits.spike_fail
        assert 0 < limits.rate_suspect_per_s < limits.rate_fail_per_s
        assert 0 < limits.flat_suspect_ms < limits.flat_fail_ms
