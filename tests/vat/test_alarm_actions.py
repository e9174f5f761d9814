"""What a person may do to an alarm, and what remaking a vat does to the alarms of the liquor that is gone."""

from __future__ import annotations

import pytest

from tests.vat.vats import MINUTE, SETTINGS, START, Run
from vatwatch.records import AlarmAction, JournalEntry
from vatwatch.terms import ActionVerb, AlarmState, EntryKind
from vatwatch.vat.alarm_actions import bounded, complaint
from vatwatch.vat.alarm_set import alarm_definitions

HOUR = 60 * MINUTE
KNOWN = alarm_definitions(SETTINGS)


def action(alarm: str, verb: ActionVerb, until_ms: int | None = None) -> AlarmAction:
    return AlarmAction("a", START, "plain", alarm, verb, until_ms)


def test_an_unknown_alarm_is_refused_with_the_known_ones() -> None:
    said = complaint(action("too-blue", ActionVerb.ACKNOWLEDGE), KNOWN, "Plain")
    assert said.startswith("Plain has no alarm 'too-blue'; its alarms: ")
    assert "off-ph-low" in said


@pytest.mark.parametrize(
    ("given", "words"),
    [
        (action("overheat", ActionVerb.OUT_OF_SERVICE), "never out of service"),
        (action("off-cold", ActionVerb.SHELVE, START), "over already"),
        (action("off-cold", ActionVerb.OUT_OF_SERVICE), ""),
        (action("overheat", ActionVerb.SHELVE, START + HOUR), ""),
    ],
)
def test_what_may_be_done(given: AlarmAction, words: str) -> None:
    said = complaint(given, KNOWN, "Plain")
    assert (words in said) if words else said == ""


@pytest.mark.parametrize(
    ("alarm", "wished", "until"),
    [("overheat", None, HOUR), ("overheat", 9 * HOUR, HOUR), ("off-cold", 90 * HOUR, 24 * HOUR), ("off-cold", 5, 5)],
)
def test_shelving_is_bounded(alarm: str, wished: int | None, until: int) -> None:
    given = action(alarm, ActionVerb.SHELVE, None if wished is None else START + wished)
    assert bounded(given, KNOWN[alarm], START).until_ms == START + until


def test_remaking_a_vat_ends_the_alarms_of_the_old_liquor_without_a_word() -> None:
    run = Run()
    run.minutes(10)
    run.minutes(20, ph=9.5)
    assert run.alarm_state("off-ph-low") is AlarmState.UNACKNOWLEDGED
    told = len(run.titles)
    made = JournalEntry("r", run.slot_ms, run.slot_ms, "plain", EntryKind.REMADE)
    run.slot(journal=[made], given=[])
    run.minutes(10 * 60, ph=9.5)
    assert run.alarm_state("off-ph-low") in (AlarmState.NORMAL, AlarmState.SUPPRESSED)
    assert run.transitions("off-ph-low")[:3] == ["occurs", "acknowledge", "returns to normal"]
    assert [title for title in run.titles[told:] if "pH" in title] == []
    run.minutes(10)
    run.minutes(20, ph=9.5)
    assert run.alarm_state("off-ph-low") is AlarmState.UNACKNOWLEDGED, "the new liquor's own alarm is told"
