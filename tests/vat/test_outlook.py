"""What is in sight for a vat, held against what then comes to pass where the hour is known beforehand."""

from __future__ import annotations

import math
from dataclasses import replace

from tests.vat.vats import MINUTE, SCAN_MS, SETTINGS, START, Run, samples
from vatwatch.records import Outlook
from vatwatch.terms import VatCondition
from vatwatch.vat import window
from vatwatch.vat.outlook import is_news, outlook

HOUR = 60 * MINUTE


def in_sight(run: Run) -> Outlook | None:
    return outlook(run.settings, run.state, run.last.scan)


def warming(run: Run, from_c: float, per_hour: float, minutes: int) -> float:
    """Warm (or cool) the vat by a steady pace with a thermometer's jitter; gives where it ends, °C."""
    t = from_c
    for number in range(minutes * MINUTE // SCAN_MS):
        t = from_c + per_hour * number * SCAN_MS / HOUR
        jitter = (-0.1, 0.05, 0.1, 0.0, -0.05)[number % 5]
        run.slot(samples(run.slot_ms + SCAN_MS, t=t + jitter))
    return t


def cooling(run: Run, since: int, minutes: int) -> None:
    """Let the vat cool from 30 °C towards a room of 12 °C, by Newton's law with 6 h to 1/e."""
    for _ in range(minutes * MINUTE // SCAN_MS):
        t = 12.0 + 18.0 * math.exp(-(run.slot_ms - since) / (6 * HOUR))
        run.slot(samples(run.slot_ms + SCAN_MS, t=t + (-0.1, 0.05, 0.1, 0.0, -0.05)[run.slot_ms // SCAN_MS % 5]))


def test_a_steady_vat_has_nothing_in_sight() -> None:
    run = Run()
    run.minutes(90)
    assert run.condition() is VatCondition.DYEABLE
    assert in_sight(run) is None


def test_a_cooling_vat_leaves_when_it_was_said_to() -> None:
    run = Run()
    run.minutes(30)
    since = run.slot_ms
    cooling(run, since, 90)
    said = in_sight(run)
    assert said is not None
    assert (said.limit, said.comes_back) == (window.OFF_COLD, False)
    while run.condition() is VatCondition.DYEABLE:
        cooling(run, since, 1)
    assert run.last.scan.shortfalls == (window.OFF_COLD,)
    assert said.early_ms <= run.slot_ms <= (said.late_ms or 2**62)


def test_a_warming_vat_is_fit_again_when_it_was_said_to_be() -> None:
    run = Run()
    run.minutes(10)
    at_c = warming(run, 30.0, -30.0, 30)
    assert run.condition() is VatCondition.OFF
    at_c = warming(run, at_c, 3.0, 60)
    said = in_sight(run)
    assert said is not None
    assert (said.limit, said.comes_back) == (window.OFF_COLD, True)
    while run.condition() is VatCondition.OFF:
        at_c = warming(run, at_c, 3.0, 1)
    assert said.early_ms <= run.slot_ms <= (said.late_ms or 2**62)


def test_a_return_that_cannot_be_told_of_every_limit_is_not_told() -> None:
    run = Run()
    run.minutes(10)
    for number in range(40 * MINUTE // SCAN_MS):
        run.slot(samples(run.slot_ms + SCAN_MS, t=15.0 + number / 60, ph=9.5))
    assert {window.OFF_COLD, window.OFF_PH_LOW} <= set(run.last.scan.shortfalls)
    assert in_sight(run) is None


def test_the_room_warms_an_unwarmed_vat_and_nobody_is_told_an_hour() -> None:
    run = Run(replace(SETTINGS, warmed=False))
    run.minutes(30)
    warming(run, 30.0, -3.0, 90)
    said = in_sight(run)  # the same raw pH in a cooler liquor is a lower one at 25 °C: of that it may speak
    assert said is None or said.limit == window.OFF_PH_LOW


def test_nothing_is_said_of_a_vat_that_is_not_known() -> None:
    run = Run()
    run.minutes(30)
    warming(run, 30.0, -3.0, 90)
    for _ in range(12):
        run.slot([])
    assert run.condition() is VatCondition.UNKNOWN
    assert in_sight(run) is None


def test_only_another_word_is_news() -> None:
    first = Outlook("v", START, window.OFF_PH_LOW, False, START, START + HOUR, None)
    assert is_news(None, first)
    assert is_news(first, None)
    assert not is_news(None, None)
    assert not is_news(first, replace(first, slot_ms=START + MINUTE, median_ms=first.median_ms + 4 * MINUTE))
    assert is_news(first, replace(first, median_ms=first.median_ms + 6 * MINUTE))
    assert is_news(first, replace(first, comes_back=True))
    assert is_news(first, replace(first, limit=window.OFF_REDUCTION))
