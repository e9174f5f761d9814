"""How a fall goes on, what its pace tells, and what is made of it: shapes, the knee, and the chances of passing a limit."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vatwatch.vat import shapes, window
from vatwatch.vat.estimate import OffsetBelief
from vatwatch.vat.forecast import TrendMemory, Ways, follow, ways_to
from vatwatch.vat.lately import MARGIN, PH, TEMPERATURE, Lately, extended, kept_between, slope_per_hour
from vatwatch.vat.limits import Limit, Side
from vatwatch.vat.settings import HOUR_MS, MINUTE_MS
from vatwatch.vat.spent import LEUCO_LASTS_H, PACE_SIGMA_MV, margin_by_pace, narrowed, spent_since

S = 12.85  # RT/2F at 25 °C in mV (CODATA)
START = 1_750_000_000_000 - 1_750_000_000_000 % HOUR_MS


@given(st.floats(0.1, 60.0), st.floats(0.01, 20.0), st.floats(0.3, 30.0))
def test_the_shapes_keep_their_order(distance: float, per_hour: float, scale: float) -> None:
    fast = shapes.ever_faster(distance, per_hour, scale)
    even = shapes.straight(distance, per_hour)
    slow = shapes.ever_slower(distance, per_hour, scale)
    assert 0.0 < fast <= even * (1 + 1e-9)
    assert even <= slow * (1 + 1e-9)


def test_the_shapes_are_those_of_the_nernst_equation() -> None:
    """m = s·ln(c·(t_e − t)) and m = −s·ln(a·t), each run from its own slope to a limit found by the formula itself."""
    c, end = 0.5, 40.0
    t = 10.0
    level, slope = S * math.log(c * (end - t)), -S / (end - t)
    limit = S * math.log(c * 5.0)
    assert t + shapes.ever_faster(level - limit, -slope, S) == pytest.approx(end - 5.0)
    a, t = 0.004, 6.0
    level, slope = -S * math.log(a * t), -S / t
    limit = -S * math.log(a * 25.0)
    assert t + shapes.ever_slower(level - limit, -slope, S) == pytest.approx(25.0)


def test_cooling_is_newtons() -> None:
    room, start, tau_h = 18.0, 45.0, 12.0
    per_hour = (start - room) / tau_h
    hours = shapes.cooling(start, 38.0, per_hour, room)
    assert room + (start - room) * math.exp(-hours / tau_h) == pytest.approx(38.0)
    assert shapes.cooling(start, 17.0, per_hour, room) == shapes.NEVER_H
    assert shapes.cooling(37.0, 38.0, per_hour, room) == 0.0


def watched(level: dict[str, float], per_hour: dict[str, float], minutes: int) -> tuple[TrendMemory, Lately]:
    memory = TrendMemory()
    lately: Lately = ()
    for minute in range(minutes):
        values: dict[str, float | None] = {name: level[name] + per_hour.get(name, 0.0) * minute / 60 for name in level}
        at_ms = START + minute * MINUTE_MS
        memory = follow(memory, at_ms, values, False)
        lately = extended(lately, at_ms, values)
    return memory, lately


def test_slopes_and_what_was_kept() -> None:
    memory, lately = watched({MARGIN: 80.0, PH: 11.0, TEMPERATURE: 40.0}, {MARGIN: -2.0, TEMPERATURE: 0.5}, 300)
    end = memory.at_ms or 0
    assert slope_per_hour(lately, MARGIN, START, end) == pytest.approx(-2.0)
    assert slope_per_hour(lately, MARGIN, end - HOUR_MS, end) is None, "four whole quarters are too few"
    assert kept_between(lately, START, START + 2 * HOUR_MS) == pytest.approx((40.06, 40.93), abs=0.01)
    assert kept_between(lately, START, START + HOUR_MS // 2) is None
    long = lately
    for hour in range(60):
        long = extended(long, START + (6 + hour) * HOUR_MS, {MARGIN: 1.0})
    assert len(long) <= 97


def test_a_fall_near_the_limit_is_told_and_a_rise_is_not() -> None:
    memory, lately = watched({MARGIN: 45.0}, {MARGIN: -3.0}, 240)
    limit = Limit(Side.LOW, 28.2, 8.0)
    found = ways_to(memory, lately, window.OFF_REDUCTION, limit, (0.0,), S)
    assert found is not None
    coming = found.crossing(memory.at_ms or 0)
    assert coming is not None
    assert coming.early_ms <= coming.median_ms <= (coming.late_ms or 2**62)
    assert coming.median_ms - (memory.at_ms or 0) == pytest.approx(1.8 * HOUR_MS, rel=0.4)
    assert coming.per_hour == pytest.approx(-3.0, abs=0.2)
    memory, lately = watched({MARGIN: 45.0}, {MARGIN: 3.0}, 240)
    rising = ways_to(memory, lately, window.OFF_REDUCTION, limit, (0.0,), S)
    assert rising is not None
    assert rising.crossing(memory.at_ms or 0) is None


def test_the_reductants_own_fall_is_no_fall_of_the_share() -> None:
    """From 200 mV down at 20 mV an hour a straight line would cry wolf in nine hours; the leuco has not begun to go."""
    memory, lately = watched({MARGIN: 280.0}, {MARGIN: -20.0}, 240)
    found = ways_to(memory, lately, window.OFF_REDUCTION, Limit(Side.LOW, 28.2, 8.0), (0.0,), S)
    assert found is not None
    assert found.crossing(memory.at_ms or 0) is None
    assert found.chance_of_passing(12.0) == 0.0


@given(st.lists(st.floats(0.0, 100.0), min_size=1, max_size=50), st.floats(0.0, 50.0), st.floats(0.0, 50.0))
def test_chances_grow_with_time(hours: list[float], one: float, other: float) -> None:
    ways = Ways("x", tuple(sorted(hours)), -1.0)
    early, late = sorted((one, other))
    assert 0.0 <= ways.chance_within(early) <= ways.chance_within(late) <= 1.0
    assert 0.0 <= ways.chance_of_passing(early) <= ways.chance_of_passing(late) <= 1.0
    assert ways.chance_of_passing(0.0) == 0.0


def spent_vat(hours: int, gone_h: float, lasts_h: float, offset: float) -> Lately:
    """A margin that stands at 200 mV until its reductant is gone, and then is what air leaves of the leuco."""
    lately: Lately = ()
    for quarter in range(hours * 4):
        since = quarter / 4 - gone_h
        oxidised = max(since, 0.05) / lasts_h
        margin = 200.0 if since <= 0 else min(200.0, S * math.log((1 - oxidised) / oxidised))
        lately = extended(lately, START + quarter * 15 * MINUTE_MS, {MARGIN: margin + offset})
    return lately


@pytest.mark.parametrize("offset", [-60.0, 0.0, 60.0])
def test_the_time_the_reductant_was_gone_is_found_whatever_the_offset(offset: float) -> None:
    at_ms = START + 20 * HOUR_MS
    lately = spent_vat(20, 6.0, 150.0, offset)
    found = spent_since(None, lately, at_ms, None, S, False)
    assert found is not None
    assert (found - START) / HOUR_MS == pytest.approx(6.0, abs=2.5)
    assert spent_since(found, lately, at_ms, None, S, True) is None, "a feed ends it"
    assert spent_since(found, lately, at_ms, None, S, False) == found
    sharp = spent_vat(20, 99.0, 150.0, offset)
    assert spent_since(None, sharp, at_ms, None, S, False) is None
    assert spent_since(None, spent_vat(20, 19.9, 150.0, offset), at_ms, None, S, False) is None, "still in the knee"


def test_a_vat_that_mends_is_not_spent() -> None:
    lately = spent_vat(20, 6.0, 150.0, 0.0)
    for quarter in range(80, 88):
        lately = extended(lately, START + quarter * 15 * MINUTE_MS, {MARGIN: 90.0})
    assert spent_since(START + 6 * HOUR_MS, lately, START + 22 * HOUR_MS, None, S, False) is None


def test_what_the_pace_tells_narrows_the_belief_and_only_that() -> None:
    prior = OffsetBelief.prior(50.0)
    margin = margin_by_pace(START, START + 20 * HOUR_MS, S)
    assert margin == pytest.approx(S * math.log(LEUCO_LASTS_H / 20.0))
    after = narrowed(prior, 70.0, margin)
    assert after.sigma_mv() < PACE_SIGMA_MV
    assert after.mean_mv() == pytest.approx((margin - 70.0) * 50**2 / (50**2 + PACE_SIGMA_MV**2), abs=1.0)
    assert sum(after.weights) == pytest.approx(1.0)
