"""What the page says, sentence by sentence."""

from __future__ import annotations

from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vatwatch.page import wording
from vatwatch.page.wording import Freshness
from vatwatch.records import AlarmEvent, JournalEntry, Measured, Outlook, Reduction, Scan, VatCard
from vatwatch.terms import AlarmState, EntryKind, Flag, VatCondition
from vatwatch.vat import alarm_set, tiring, window

BERLIN = ZoneInfo("Europe/Berlin")
NOW_MS = 1_780_308_600_000  # 2026-06-01 12:10 in Berlin
HOUR_MS = 3_600_000
CARD = VatCard("v", "V", "woad", "protein", 40.0, True, 10.5, 11.5, 25.0, 50.0, 60.0, 0.9, 30.0)
SCAN = Scan(
    slot_ms=NOW_MS - 4000,
    vat="v",
    ph=Measured(10.72, 0.03, Flag.PASS),
    orp_mv=Measured(-612.0, 3.0, Flag.PASS),
    temperature_c=Measured(41.3, 0.1, Flag.PASS),
    eh_mv=-417.0,
    eh_mv_sigma=4.0,
    ph_25c=11.12,
    reduction=Reduction(0.95, 0.86, 0.985, 43.0, 9.0, False, 0.93),
    condition=VatCondition.DYEABLE,
)


def says(scan: Scan | None, card: VatCard = CARD, now_ms: int = NOW_MS) -> str:
    return wording.vat_sentence(card, scan, wording.freshness(scan, now_ms, 120_000), now_ms, BERLIN)


def celsius(value: float | None) -> Measured:
    return Measured(value, 0.1, Flag.PASS if value is not None else Flag.MISSING)


@pytest.mark.parametrize(
    ("scan", "sentence"),
    [
        (SCAN, "Ready to dye."),
        (
            replace(SCAN, condition=VatCondition.SETTLING, settled_from_ms=NOW_MS + 2 * HOUR_MS),
            "Not yet: settling, ready about 14:10.",
        ),
        (
            replace(SCAN, condition=VatCondition.SETTLING, settled_from_ms=NOW_MS + 13 * HOUR_MS),
            "Not yet: settling, ready about tomorrow 01:10.",
        ),
        (
            replace(SCAN, condition=VatCondition.TOO_HOT, temperature_c=celsius(61.2)),
            "Too hot: 61 °C. Switch the heater off at the wall.",
        ),
        (
            replace(SCAN, condition=VatCondition.TOO_HOT, temperature_c=celsius(60.2)),
            "Too hot: 60.2 °C. Switch the heater off at the wall.",
        ),
        (
            replace(SCAN, condition=VatCondition.TOO_HOT, temperature_c=celsius(None)),
            "Too hot when last measured, and not measured now. Switch the heater off at the wall.",
        ),
        (
            replace(
                SCAN,
                condition=VatCondition.UNKNOWN,
                ph=Measured(None, None, Flag.MISSING, "silent", NOW_MS - 7 * HOUR_MS - 39 * 60_000),
            ),
            "Not known: the pH probe has been silent since 04:31.",
        ),
        (
            replace(
                SCAN,
                condition=VatCondition.UNKNOWN,
                ph=Measured(None, None, Flag.MISSING, "silent", NOW_MS - HOUR_MS),
                orp_mv=Measured(None, None, Flag.MISSING, "silent", NOW_MS - HOUR_MS),
                temperature_c=Measured(None, None, Flag.MISSING, "silent", NOW_MS - HOUR_MS),
            ),
            "Not known: the pH, ORP and temperature probes have been silent since 11:10.",
        ),
        (
            replace(SCAN, condition=VatCondition.OFF, shortfalls=("off-ph-low",), ph_25c=10.46),
            "Not fit to dye: pH 10.46 (as at 25 °C) is below 10.5.",
        ),
        (
            # Inside again, but by less than the deadband: the scan still calls it off, and the page must say why.
            replace(SCAN, condition=VatCondition.OFF, shortfalls=("off-ph-low", "settling"), ph_25c=10.55),
            "Not fit to dye: pH 10.6 (as at 25 °C) is not yet safely back from below 10.5.",
        ),
        (
            replace(
                SCAN,
                condition=VatCondition.OFF,
                shortfalls=("off-reduction", "off-cold"),
                reduction=Reduction(0.62, 0.4, 0.8, 10.0, 9.0, False, 0.1),
                temperature_c=celsius(17.4),
            ),
            "Not fit to dye: only about 62 % reduced, wanted 90 % or more; 17 °C is colder than 25 °C.",
        ),
        (
            replace(SCAN, shortfalls=("unsure",)),
            "Ready to dye, as far as can be told: look at the liquor first.",
        ),
        (
            replace(SCAN, condition=VatCondition.UNKNOWN, shortfalls=("no-estimate",), reduction=None),
            "Not known: how far it is reduced cannot be estimated from these readings.",
        ),
        (
            replace(
                SCAN, condition=VatCondition.UNKNOWN, orp_mv=Measured(None, None, Flag.MISSING, "no probe is set up")
            ),
            "Not known: the ORP probe gives nothing: no probe is set up.",
        ),
        (
            replace(SCAN, condition=VatCondition.OFF, shortfalls=("the vat is being remade",)),
            "Not fit to dye: the vat is being remade.",
        ),
        (None, "Not known: no reading has arrived yet."),
        (replace(SCAN, slot_ms=NOW_MS - 200_000), "Not known: nothing heard since 12:06."),
        (
            replace(SCAN, slot_ms=NOW_MS + 200_000),
            "Not known: the newest reading is dated ahead of this computer's clock. Check the clock.",
        ),
    ],
)
def test_one_sentence_says_whether_to_dye(scan: Scan | None, sentence: str) -> None:
    assert says(scan) == sentence


def test_a_vat_without_heater_is_not_told_to_switch_one_off() -> None:
    scan = replace(SCAN, condition=VatCondition.TOO_HOT, temperature_c=celsius(61.0))
    assert says(scan, replace(CARD, warmed=False)) == "Too hot: 61 °C. Shade it and let it cool."


@pytest.mark.parametrize("shortfall", [*window.OFF_LIMITS, window.SETTLING])
def test_every_shortfall_of_the_judgement_has_words(shortfall: str) -> None:
    sentence = says(replace(SCAN, condition=VatCondition.OFF, shortfalls=(shortfall,)))
    assert shortfall not in sentence
    assert "None" not in sentence


ALARMS = [
    window.OVERHEAT,
    *window.OFF_LIMITS,
    *alarm_set.SILENT.values(),
    *tiring.LIMIT_AHEAD,
    tiring.UNLOGGED,
    tiring.DOUBTFUL,
]


@pytest.mark.parametrize("alarm", ALARMS)
def test_every_alarm_of_the_pipeline_has_a_name_of_its_own(alarm: str) -> None:
    assert wording.alarm_name(alarm).lower() != alarm.replace("-", " ")


@given(
    condition=st.sampled_from(VatCondition),
    age_ms=st.integers(120_001, 10**10),
    share=st.floats(0, 1),
)
def test_a_stale_scan_never_speaks_for_now(condition: VatCondition, age_ms: int, share: float) -> None:
    scan = replace(SCAN, slot_ms=NOW_MS - age_ms, condition=condition)
    fresh = wording.freshness(scan, NOW_MS, 120_000)
    assert fresh is Freshness.STALE
    assert wording.condition_now(scan, fresh) is VatCondition.UNKNOWN
    assert says(scan).startswith("Not known")
    assert wording.age_words(scan, fresh, NOW_MS).startswith("No data for")
    assert all(reading.withdrawn for reading in wording.readings(CARD, scan, fresh, NOW_MS, BERLIN))


def test_a_withdrawn_number_is_not_shown_even_when_one_is_present() -> None:
    scan = replace(SCAN, ph=Measured(10.7, 0.1, Flag.FAIL, "flat for 20 min"))
    ph, temperature, orp = wording.readings(CARD, scan, Freshness.FRESH, NOW_MS, BERLIN)
    assert (ph.withdrawn, ph.remark) == (True, "flat for 20 min")
    assert (temperature.value, temperature.withdrawn) == ("41.3", False)
    assert orp.value == "−612"


@pytest.mark.parametrize(
    ("measured", "unit", "words"),
    [
        (Measured(10.7, 0.03, Flag.PASS), "", "Good to about ±0.06"),
        (Measured(10.7, 0.12, Flag.PASS), "", "Good to about ±0.2"),
        (Measured(-612.0, 6.4, Flag.PASS), "mV", "Good to about ±13 mV"),
        (Measured(41.0, 0.25, Flag.PASS), "°C", "Good to about ±0.5 °C"),
        (Measured(10.7, 0.1, Flag.SUSPECT, "It stands still."), "", "Doubtful: It stands still."),
        (Measured(10.7, None, Flag.SUSPECT), "", "Doubtful"),
        (Measured(10.7, None, Flag.PASS), "", ""),
    ],
)
def test_how_far_each_reading_may_be_trusted(measured: Measured, unit: str, words: str) -> None:
    assert wording.trust_words(measured, unit) == words


def test_a_share_never_rounds_up_to_all_of_it() -> None:
    assert wording.share_words(0.999) == "99 %"
    assert "99 % or more reduced, 70 mV to spare" in wording.reduction_words(
        Reduction(0.995, 0.99, 0.999, 70.0, 8.0, True, 0.99), 0.9
    )


@pytest.mark.parametrize(
    ("entry", "words"),
    [
        ((EntryKind.FEED, "soda ash", 50.0, ""), "Fed 50 g soda ash"),
        ((EntryKind.STIR, "", None, ""), "Stirred"),
        ((EntryKind.CHECK, "yellow-green", None, ""), "Liquor looked yellow-green"),
        ((EntryKind.DIP, "scarf", None, "second"), "Dipped scarf (second)"),
        ((EntryKind.COVER, "uncovered", None, ""), "Uncovered"),
        ((EntryKind.NOTE, "", None, "smells sweet"), "smells sweet"),
    ],
)
def test_entries_read_like_a_notebook(entry: tuple[EntryKind, str, float | None, str], words: str) -> None:
    kind, what, grams, text = entry
    assert wording.entry_words(JournalEntry("id", 0, 0, "v", kind, what, grams, text=text)) == words


@pytest.mark.parametrize("state", list(AlarmState))
def test_every_alarm_state_has_words(state: AlarmState) -> None:
    event = AlarmEvent(NOW_MS, "v", "new-kind", 1, "occurs", AlarmState.NORMAL, state)
    assert wording.alarm_words(event, NOW_MS, BERLIN).startswith("New kind: ")


def test_a_number_stays_with_its_unit() -> None:
    assert wording.bound("61 °C and 90 % of 5 gold") == "61\u00a0°C and 90\u00a0% of 5 gold"


AHEAD = Outlook(
    "v", NOW_MS, "off-reduction", False, NOW_MS + HOUR_MS, NOW_MS + 3 * HOUR_MS + 60_000, NOW_MS + 6 * HOUR_MS
)
OFF = replace(SCAN, condition=VatCondition.OFF, shortfalls=("off-cold",), temperature_c=celsius(20.0))


def foresees(scan: Scan, outlook: Outlook | None) -> tuple[str, str]:
    fresh = wording.freshness(scan, NOW_MS, 120_000)
    return (
        wording.vat_sentence(CARD, scan, fresh, NOW_MS, BERLIN, outlook),
        wording.outlook_words(outlook, scan, fresh, NOW_MS, BERLIN),
    )


def test_the_sentence_says_until_when() -> None:
    assert foresees(SCAN, AHEAD) == (
        "Ready to dye until about 15:10.",
        "At this pace too little reduced from about 15:10; 8 times in 10 between 13:10 and 18:10.",
    )
    assert foresees(SCAN, replace(AHEAD, late_ms=None))[1] == (
        "At this pace too little reduced from about 15:10; 9 times in 10 not before 13:10."
    )


def test_the_sentence_says_from_when() -> None:
    back = replace(AHEAD, limit="off-cold", comes_back=True)
    assert foresees(OFF, back) == (
        "Not fit to dye: 20 °C is colder than 25 °C; ready about 15:10 as it goes now.",
        "At this pace inside its window about 15:10; 8 times in 10 between 13:10 and 18:10.",
    )


@pytest.mark.parametrize(
    ("scan", "outlook"),
    [
        (SCAN, None),
        (SCAN, replace(AHEAD, comes_back=True)),
        (OFF, AHEAD),
        (SCAN, replace(AHEAD, median_ms=NOW_MS)),
        (replace(SCAN, slot_ms=NOW_MS - HOUR_MS), AHEAD),
        (replace(SCAN, condition=VatCondition.TOO_HOT, temperature_c=celsius(61.0)), AHEAD),
    ],
)
def test_what_does_not_fit_the_present_is_not_foretold(scan: Scan, outlook: Outlook | None) -> None:
    sentence, words = foresees(scan, outlook)
    assert "about" not in sentence
    assert words == ""


def test_no_measurement_is_claimed_where_every_probe_is_silent() -> None:
    silent = Measured(None, None, Flag.MISSING, reason="silent")
    scan = replace(SCAN, condition=VatCondition.UNKNOWN, ph=silent, orp_mv=silent, temperature_c=silent)
    assert wording.age_words(scan, Freshness.FRESH, NOW_MS) == "Nothing is measured now"
    one_left = replace(scan, temperature_c=Measured(41.0, 0.1, Flag.PASS, time_ms=NOW_MS))
    assert wording.age_words(one_left, Freshness.FRESH, NOW_MS).startswith("Measured")
