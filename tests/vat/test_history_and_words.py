"""Trend against published numbers, charts, and pushes read as a person would read them."""

from __future__ import annotations

import re

import pytest
from scipy import stats

from tests.vat.vats import SETTINGS, Run, samples
from vatwatch.records import JournalEntry
from vatwatch.terms import EntryKind
from vatwatch.vat.history import slope_per_hour
from vatwatch.vat.recipes import RECIPES, Fibre
from vatwatch.vat.settings import HOUR_MS


def test_slope_is_theil_and_sens() -> None:
    """x 1,2,3,4,10,12,18 and y 9,15,19,20,45,55,78: slope 4 (scipy.stats.theilslopes; Sen 1968)."""
    x, y = [1, 2, 3, 4, 10, 12, 18], [9.0, 15, 19, 20, 45, 55, 78]
    slope = slope_per_hour([(int(t * HOUR_MS), v) for t, v in zip(x, y, strict=True)])
    assert slope == pytest.approx(4.0)
    assert slope == pytest.approx(stats.theilslopes(y, x).slope)
    y[-1] = 500
    assert slope_per_hour([(int(t * HOUR_MS), v) for t, v in zip(x, y, strict=True)]) == pytest.approx(
        stats.theilslopes(y, x).slope
    )


def test_slope_of_too_little_is_none() -> None:
    assert slope_per_hour([]) is None
    assert slope_per_hour([(0, 1.0), (1, 2.0)]) is None
    assert slope_per_hour([(5, 1.0)] * 4) is None


def tired() -> Run:
    run = Run()
    feed = JournalEntry("f", run.slot_ms, run.slot_ms, "plain", EntryKind.FEED, "hydrosulfite", grams=24.0)
    look = JournalEntry("l", run.slot_ms, run.slot_ms, "plain", EntryKind.CHECK, "amber")
    run.slot(samples(run.slot_ms + 10_000, orp=-620), journal=[feed, look])
    for number in range(6 * 60 * 6):
        run.slot(samples(run.slot_ms + 10_000, orp=-620 + number / 20))
    return run


def test_a_push_says_what_is_seen_how_it_moved_and_what_to_do() -> None:
    run = tired()
    (push,) = [p for r in run.results for p in r.pushes if p.alarm == "off-reduction"]
    assert push.title == "Plain: too little reduced"
    lines = push.body.splitlines()
    assert re.search(r"about \d\d(\.\d)? % reduced \(likely \d+ % to (over )?\d+ %\)", lines[0])
    assert "your limit is 90 % reduced" in lines[0]
    assert re.search(r"The margin fell from \d+ to \d+ mV since \d\d:\d\d, lately about \d+\.\d mV an hour", lines[2])
    assert lines[1].startswith("What to do: "), "a locked phone shows only the first lines"
    assert re.search(r"About \d+ to \d+ g of hydrosulfite", lines[1])
    assert "Start with half" in lines[1]
    assert "rubs off" in lines[1]
    assert "heats itself when damp" in lines[1], "a feed carries its caution"
    bar = push.chart.splitlines()[1]
    assert set(bar) <= set("▁▂▃▄▅▆▇█·")
    assert len(bar) <= 26


def test_push_ids_are_stable_and_unique() -> None:
    ids = [p.push_id for r in tired().results for p in r.pushes]
    assert ids == [p.push_id for r in tired().results for p in r.pushes]
    assert len(set(ids)) == len(ids)


def test_advice_never_offers_acid_and_every_recipe_carries_its_cautions() -> None:
    from vatwatch.vat.advice import what_to_do
    from vatwatch.vat.alarm_set import alarm_definitions

    run = Run()
    run.minutes(1, ph=10.2, orp=-520.0)
    for alarm in alarm_definitions(SETTINGS):
        words = what_to_do(alarm, SETTINGS, run.state, run.last.scan).lower()
        assert words
        assert "acid" not in words.replace("never add acid", "").replace("no acid near it", "").replace(
            "carbonic acid", ""
        )
    for recipe in RECIPES.values():
        assert len(recipe.cautions) >= 2
        assert recipe.ph_source
        assert recipe.temperature_source
        assert recipe.work_c[0] < recipe.work_c[1] <= recipe.ceiling_c
        for fibre in Fibre:
            low_high = recipe.ph_window(fibre)
            assert low_high is None or 8 <= low_high[0] < low_high[1] <= 13
