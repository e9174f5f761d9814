"""Flags of a slot's samples as the vat's judgement uses them: what is believed, what is doubted, what is thrown out."""

from __future__ import annotations

from tests.vat.vats import SETTINGS
from vatwatch.records import Sample
from vatwatch.terms import Flag, Signal
from vatwatch.vat.qartod import SeriesMemory
from vatwatch.vat.quality import flag_samples
from vatwatch.vat.scan import ProbeMemory, measure, remember

T0 = 1_750_000_000_000
SLOT = 10_000


def sample(
    at_ms: int, value: float | None, signal: Signal = Signal.PH, probe: str = "p-ph", reason: str = ""
) -> Sample:
    return Sample(T0 + at_ms, "plain", probe, signal, value, reason=reason)


def flags(samples: tuple[Sample, ...]) -> list[int]:
    return [int(one.flag) for one in samples]


def test_a_garbled_number_between_good_ones_is_thrown_out_as_a_spike() -> None:
    # Seconds apart the spike's own rate fails too, and so does the way back; the test against both neighbours says so.
    values = [11.0, 11.0, 8.9, 11.0, 11.0]
    memory, out = flag_samples({}, [sample(1000 + 2000 * i, v) for i, v in enumerate(values)], T0)
    assert flags(out)[2] == Flag.FAIL
    assert "stands out" in out[2].reason or "went from" in out[2].reason
    assert flags(out)[0] == flags(out)[4] == Flag.PASS
    assert memory["p-ph"].value == 11.0


def test_a_lone_jump_is_suspect_until_the_next_slot_confirms_it() -> None:
    memory, _ = flag_samples({}, [sample(5_000, 11.0)], T0)
    memory, out = flag_samples(memory, [sample(15_000, 9.5)], T0 + SLOT)
    assert flags(out) == [Flag.SUSPECT]
    assert "jumped from 11" in out[0].reason
    _, out = flag_samples(memory, [sample(25_000, 9.5)], T0 + 2 * SLOT)
    assert flags(out) == [Flag.PASS]


def test_faster_than_any_liquor_fails_with_both_numbers_in_the_reason() -> None:
    memory, _ = flag_samples({}, [sample(5_000, 40.0, Signal.TEMPERATURE_C, "p-t")], T0)
    _, out = flag_samples(memory, [sample(15_000, 75.0, Signal.TEMPERATURE_C, "p-t")], T0 + SLOT)
    assert flags(out) == [Flag.FAIL]
    assert out[0].reason == "went from 40 °C to 75 °C in 10 s"


def test_the_same_number_for_half_a_day_is_suspect_and_for_two_days_fails() -> None:
    memory: dict[str, SeriesMemory] = {}
    seen: dict[Flag, float] = {}
    for number in range(50 * 60):
        at = number * 60_000 + 5_000
        memory, out = flag_samples(memory, [sample(at, 11.04)], T0 + number * 60_000)
        seen.setdefault(out[0].flag, number / 60)
    assert list(seen) == [Flag.PASS, Flag.SUSPECT, Flag.FAIL]
    assert seen[Flag.SUSPECT] == 12.0
    assert seen[Flag.FAIL] == 48.0


def test_an_hour_of_silence_is_not_an_hour_of_the_same_number() -> None:
    memory, _ = flag_samples({}, [sample(5_000, 11.04)], T0)
    _, out = flag_samples(memory, [sample(13 * 3_600_000, 11.04)], T0 + 13 * 3_600_000 - SLOT)
    assert flags(out) == [Flag.PASS]


def test_values_missing_late_not_finite_or_out_of_range_keep_their_reasons() -> None:
    given = [
        sample(1_000, None),
        sample(2_000, None, reason="no value (ovr)"),
        sample(3_000, float("nan")),
        sample(-1, 11.0),
        sample(4_000, 15.0),
        sample(5_000, -127.0, Signal.TEMPERATURE_C, "p-t"),
        sample(6_000, 85.0, Signal.TEMPERATURE_C, "p-t"),
    ]
    _, out = flag_samples({}, given, T0)
    assert flags(out) == [9, 2, 4, 2, 4, 4, 4]
    assert out[1] == given[1]
    assert [one.reason for one in out][3:5] == ["late", "15 is outside 0 to 14, what a working vat can show"]
    assert out[4].value == 15.0, "a bad value keeps its number in the record"


def test_a_liquor_that_climbs_through_85_is_still_seen() -> None:
    memory: dict[str, SeriesMemory] = {}
    out: tuple[Sample, ...] = ()
    for number in range(30):
        at = number * SLOT
        value = 84.0 + 0.05 * number
        memory, out = flag_samples(memory, [sample(at + 5_000, value, Signal.TEMPERATURE_C, "p-t")], T0 + at)
        assert flags(out) == [Flag.PASS], value


def test_a_probe_taken_out_is_kept_but_not_evaluated() -> None:
    out_now = {"p-ph": ProbeMemory(out_until_ms=T0 + 60_000, out_for="cleaning")}
    memory, out = flag_samples({}, [sample(5_000, 7.0)], T0, out_now)
    assert flags(out) == [Flag.NOT_EVALUATED]
    assert (out[0].value, out[0].reason) == (7.0, "out for cleaning")
    assert "p-ph" not in memory
    _, out = flag_samples(memory, [sample(65_000, 11.0)], T0 + 60_000, out_now)
    assert flags(out) == [Flag.PASS], "it comes back by itself"


def test_a_suspect_value_is_judged_and_says_so_and_a_good_one_takes_its_place() -> None:
    doubtful = Sample(T0, "plain", "p-ph", Signal.PH, 11.0, Flag.SUSPECT, "jumped from 9.5")
    memory = remember({}, SETTINGS, [doubtful])
    ph, _, _ = measure(memory, SETTINGS, T0)
    assert (ph.value, ph.flag, ph.reason) == (11.0, Flag.SUSPECT, "jumped from 9.5")
    memory = remember(memory, SETTINGS, [Sample(T0 + 1, "plain", "p-ph", Signal.PH, 11.1, Flag.PASS), doubtful])
    ph, _, _ = measure(memory, SETTINGS, T0)
    assert (ph.value, ph.flag, ph.reason) == (11.1, Flag.PASS, "")
