"""One vat through slots: condition, settling, silence, alarms, pushes, and the same again bit for bit."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.vat.vats import GOOD, MINUTE, SCAN_MS, SETTINGS, START, Run, samples
from vatwatch.records import AlarmAction, JournalEntry, Sample
from vatwatch.terms import ActionVerb, AlarmState, EntryKind, Flag, Signal, Urgency, VatCondition
from vatwatch.vat.pipeline import step
from vatwatch.vat.state import state_from_json, state_to_json


def entry(run: Run, kind: EntryKind, what: str = "", grams: float | None = None, ago_ms: int = 0) -> JournalEntry:
    at = run.slot_ms - ago_ms
    return JournalEntry(f"{kind}{at}{what}", at, at, "plain", kind, what=what, grams=grams)


def test_a_good_vat_is_dyeable() -> None:
    run = Run()
    run.minutes(2)
    scan = run.last.scan
    assert scan.condition is VatCondition.DYEABLE
    assert scan.reduction is not None
    assert scan.reduction.saturated
    assert scan.eh_mv == pytest.approx(-700 + 203.4, abs=0.5)  # DIN 38404-6: 3 M KCl at 30 °C, sqrt(50301 - 297·30)
    assert run.titles == []


@pytest.mark.parametrize(
    ("given_values", "shortfall"),
    [
        ({"ph": 10.0}, "off-ph-low"),
        ({"ph": 12.2}, "off-ph-high"),
        ({"orp": -450.0}, "off-reduction"),
        ({"t": 15.0}, "off-cold"),
        ({"t": 53.0}, "off-warm"),
    ],
)
def test_each_limit_puts_the_vat_off_and_is_told_once(given_values: dict[str, float], shortfall: str) -> None:
    run = Run()
    run.minutes(3)
    for part in range(60):  # a liquor changes its temperature slowly; a jump would be the probe's
        run.minutes(1, t=30.0 + (given_values.get("t", 30.0) - 30.0) * part / 60)
    run.minutes(30, **{**GOOD, **given_values})
    assert run.condition() is VatCondition.OFF
    assert shortfall in run.last.scan.shortfalls
    assert [t for t in run.transitions(shortfall) if t not in ("suppress", "release")] == ["occurs"]
    about_it = [push for r in run.results for push in r.pushes if push.alarm == shortfall]
    assert len(about_it) == 1
    assert "What to do: " in about_it[0].body
    assert about_it[0].urgency is Urgency.ACT


def test_a_vat_still_being_made_is_not_said_to_have_left_its_window() -> None:
    run = Run()
    run.minutes(60, orp=-450.0)
    assert run.condition() is VatCondition.OFF
    assert run.titles == []
    run.minutes(3)
    run.minutes(10, orp=-450.0)
    assert run.titles == ["Plain: too little reduced"]


@pytest.mark.parametrize("kind", [EntryKind.STIR, EntryKind.FEED, EntryKind.DIP, EntryKind.TOP_UP])
def test_a_disturbed_vat_settles_for_thirty_minutes(kind: EntryKind) -> None:
    run = Run()
    run.minutes(2)
    run.slot(journal=[entry(run, kind)])
    assert run.condition() is VatCondition.SETTLING
    assert run.last.scan.settled_from_ms == run.slot_ms - SCAN_MS + 30 * MINUTE
    run.minutes(29)
    assert run.condition() is VatCondition.SETTLING
    run.minutes(1.5)
    assert run.condition() is VatCondition.DYEABLE


def test_a_silent_probe_freezes_the_judgement_and_withdraws_the_number() -> None:
    run = Run()
    run.minutes(3)
    run.minutes(0.33, orp=None)
    assert run.condition() is VatCondition.DYEABLE, "carried for stale_after"
    run.minutes(2, orp=None)
    scan = run.last.scan
    assert scan.condition is VatCondition.UNKNOWN
    assert scan.orp_mv.value is None
    assert scan.reduction is None
    assert scan.eh_mv is None
    assert run.titles == ["Plain: ORP probe silent"]
    run.minutes(1)
    assert run.titles[-1] == "Plain: ORP probe is back"
    assert run.condition() is VatCondition.DYEABLE


def test_all_probes_of_a_vat_are_told_in_one_message_and_danger_leads() -> None:
    run = Run()
    run.minutes(3)
    run.minutes(5, None, None, None)
    assert run.titles == ["Plain: temperature, pH and ORP probes silent"]
    push = run.results[-1].pushes or [p for r in run.results for p in r.pushes]
    assert push[0].urgency is Urgency.DANGER, "a warmed vat without its thermometer"


def test_overheat_is_told_after_its_delay_and_latched() -> None:
    run = Run()
    run.minutes(3)
    passed = run.slot_ms
    run.minutes(2, t=61.0)
    (push,) = [p for r in run.results for p in r.pushes if p.alarm == "overheat"]
    assert push.slot_ms - passed <= 30_000 + 2 * SCAN_MS
    assert push.urgency is Urgency.DANGER
    assert "Switch the heater off at the wall" in push.body
    assert run.condition() is VatCondition.TOO_HOT
    run.minutes(10, t=40.0)
    assert run.alarm_state("overheat") is AlarmState.LATCHED_UNACKNOWLEDGED
    action = AlarmAction("a", run.slot_ms, "plain", "overheat", ActionVerb.ACKNOWLEDGE)
    run.slot(actions=[action])
    run.slot(actions=[replace(action, action_id="b", verb=ActionVerb.RESET)])
    assert run.alarm_state("overheat") is AlarmState.NORMAL


def test_no_estimate_is_no_number_outside_the_tables() -> None:
    """Reference electrode tables end at 60 °C: above it there is no Eh and no share, and the vat is too hot anyway."""
    run = Run()
    run.minutes(1, t=75.0)
    assert run.last.scan.reduction is None
    assert run.last.scan.eh_mv is None
    assert run.condition() is VatCondition.TOO_HOT


def test_a_check_teaches_and_remade_forgets() -> None:
    run = Run()
    run.minutes(1, orp=-560.0)
    before = run.last.scan.reduction
    run.slot(samples(run.slot_ms + SCAN_MS, orp=-560.0), journal=[entry(run, EntryKind.CHECK, "amber")])
    after = run.last.scan.reduction
    assert before is not None
    assert after is not None
    assert after.share > before.share
    assert after.share_high - after.share_low < before.share_high - before.share_low
    run.slot(samples(run.slot_ms + SCAN_MS, orp=-560.0), journal=[entry(run, EntryKind.REMADE)])
    again = run.last.scan.reduction
    assert again is not None
    assert again.margin_mv == pytest.approx(before.margin_mv, abs=0.01)


def test_an_old_look_is_not_compared_with_the_reading_now() -> None:
    run = Run()
    run.minutes(1)
    run.slot(journal=[entry(run, EntryKind.CHECK, "blue", ago_ms=2 * 3_600_000)])
    assert run.state.checks == 0


def test_bad_values_are_kept_flagged_and_not_judged() -> None:
    run = Run()
    run.minutes(1)
    at = run.slot_ms + SCAN_MS // 2
    run.slot(
        [
            Sample(at, "plain", "p-ph", Signal.PH, 19.0),
            Sample(at, "plain", "p-t", Signal.TEMPERATURE_C, 85.0),
            Sample(at - 60_000, "plain", "p-orp", Signal.ORP_MV, -100.0),
        ]
    )
    ph, t, late = run.last.samples
    assert (ph.flag, ph.value) == (Flag.FAIL, 19.0)
    assert t.flag is Flag.FAIL
    assert "fault value" in t.reason
    assert (late.flag, late.reason) == (Flag.NOT_EVALUATED, "late")
    scan = run.last.scan
    assert (scan.ph.value, scan.temperature_c.value, scan.orp_mv.value) == (11.0, 30.0, -700.0)


def test_delays_start_afresh_after_a_hole_in_the_record() -> None:
    run = Run()
    run.minutes(3)
    run.minutes(4, ph=10.0)
    run.slot_ms += 3_600_000
    run.minutes(4, ph=10.0)
    assert run.titles == []
    run.minutes(1.5, ph=10.0)
    assert run.titles == ["Plain: pH too low"]


ODD = st.one_of(st.none(), st.floats(-2000, 2000), st.sampled_from([85.0, -127.0, 0.0, 14.0, 60.0, 61.0, 7.0]))


@given(
    st.lists(st.tuples(ODD, ODD, ODD, st.sampled_from([None, *EntryKind])), min_size=1, max_size=25),
    st.integers(0, 24),
)
@settings(max_examples=150, deadline=None)
def test_any_story_replays_bit_for_bit_through_a_saved_state(
    story: list[tuple[float | None, float | None, float | None, EntryKind | None]], cut: int
) -> None:
    """The same samples and journal give the same records, also when the state went through its text form midway."""
    whole, parts = Run(), Run()
    for number, (ph, orp, t, kind) in enumerate(story):
        for run in (whole, parts):
            journal = [] if kind is None else [entry(run, kind, "green", 10.0)]
            if run is parts and number == cut:
                run.state = state_from_json(state_to_json(run.state))
            run.slot(samples(run.slot_ms + SCAN_MS, ph, orp, t), journal)
    assert repr(whole.results) == repr(parts.results)
    assert state_to_json(whole.state) == state_to_json(parts.state)


def test_a_long_night_replays_bit_for_bit() -> None:
    def night() -> tuple[str, str]:
        rng = random.Random(4)
        run = Run()
        for number in range(3000):
            ph = 11.0 - number / 2500 + rng.gauss(0, 0.02)
            orp = -620 + number / 20 + rng.gauss(0, 2)
            t = 40 + 22 * (number > 2000) + rng.gauss(0, 0.1)
            journal = [entry(run, EntryKind.CHECK, "amber")] if number == 100 else []
            run.slot(samples(run.slot_ms + SCAN_MS, ph, orp, t), journal)
        return repr(run.results), state_to_json(run.state)

    assert night() == night()


def test_slots_do_not_depend_on_the_order_of_other_vats_samples() -> None:
    """Only this vat's own samples are ever handed to it; the step itself must not look at the vat's name."""
    state_a, _ = step(SETTINGS, Run().state, START + SCAN_MS, samples(START + SCAN_MS))
    state_b, _ = step(SETTINGS, Run().state, START + SCAN_MS, list(reversed(samples(START + SCAN_MS))))
    assert state_to_json(state_a) == state_to_json(state_b)


@pytest.mark.parametrize("kind", [EntryKind.STIR, EntryKind.FEED, EntryKind.CHECK])
def test_an_entry_taken_back_leaves_no_trace(kind: EntryKind) -> None:
    run, quiet = Run(), Run()
    for one in (run, quiet):
        one.minutes(2, orp=-560.0)
    wrong = entry(run, kind, "blue", 10.0)
    run.slot(samples(run.slot_ms + SCAN_MS, orp=-560.0), journal=[wrong])
    undo = JournalEntry("undo-1", run.slot_ms, run.slot_ms, "plain", EntryKind.UNDO, what=wrong.entry_id)
    run.slot(samples(run.slot_ms + SCAN_MS, orp=-560.0), journal=[undo])
    quiet.minutes(1 / 3, orp=-560.0)
    assert run.condition() is quiet.condition()
    assert run.state.last_feed is None
    mine, other = run.last.scan.reduction, quiet.last.scan.reduction
    assert mine is not None
    assert other is not None
    assert mine.share_low == pytest.approx(other.share_low, abs=1e-9)
    assert (run.state.checks, run.state.lessons, run.state.doings) == (0, (), ())
