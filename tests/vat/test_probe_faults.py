"""Recognising probe faults, one plain vat at a time: what is named, what it does to the numbers, how it ends."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, replace

import pytest

from tests.vat.vats import MINUTE, SCAN_MS, SETTINGS, START
from vatwatch.chemistry.alkali import Alkali
from vatwatch.chemistry.calibration import PhCalibration
from vatwatch.records import JournalEntry, Measured, Sample
from vatwatch.terms import EntryKind, Flag, Quantity, Signal
from vatwatch.vat.probe_fault_names import NOT_SEPARABLE, FaultName, Seen, sentence_for
from vatwatch.vat.probe_faults import FaultMemory, Finding, doubted, faults_from_plain, step_faults, withheld
from vatwatch.vat.qartod import SeriesMemory
from vatwatch.vat.quality import flag_samples
from vatwatch.vat.scan import ProbeMemory, measure, remember
from vatwatch.vat.settings import VatSettings

TWO_THERMOMETERS = replace(SETTINGS, probes=(*SETTINGS.probes, replace(SETTINGS.probes[2], probe="p-t2")))
SIGNALS = {"p-ph": Signal.PH, "p-orp": Signal.ORP_MV, "p-t": Signal.TEMPERATURE_C, "p-t2": Signal.TEMPERATURE_C}


class Watch:
    """A vat's probes read every slot, with a little noise that is the same every time."""

    def __init__(self, settings: VatSettings = SETTINGS) -> None:
        self.settings = settings
        self.series: dict[str, SeriesMemory] = {}
        self.faults = FaultMemory()
        self.probes: dict[str, ProbeMemory] = {}
        self.number = 0
        self.flagged: tuple[Sample, ...] = ()

    @property
    def now_ms(self) -> int:
        return START + self.number * SCAN_MS

    def minutes(self, count: float, journal: Sequence[JournalEntry] = (), /, **changed: float) -> None:
        levels = {"p-ph": 11.0, "p-orp": -700.0, "p-t": 40.0, "p-t2": 40.1}
        levels |= {name.replace("_", "-"): value for name, value in changed.items()}
        noise = {"p-ph": 0.01, "p-orp": 1.0, "p-t": 0.05, "p-t2": 0.05}
        for _ in range(round(count * MINUTE / SCAN_MS)):
            self.number += 1
            given: list[Sample] = []
            for probe in self.settings.probes:
                wobble = noise[probe.probe] * ((self.number * 7 + len(probe.probe)) % 5 - 2)
                value = round(levels[probe.probe] + wobble, 4)
                given.append(Sample(self.now_ms - 5_000, "plain", probe.probe, SIGNALS[probe.probe], value))
            self.slot(given, journal)
            journal = ()

    def slot(self, given: Sequence[Sample], journal: Sequence[JournalEntry] = ()) -> None:
        self.series, self.flagged = flag_samples(self.series, given, self.now_ms - SCAN_MS, self.probes)
        self.probes = remember(self.probes, self.settings, self.flagged)
        self.faults = step_faults(self.settings, self.faults, self.now_ms, self.flagged, journal, self.probes)

    def frozen(self, count: float, **held: float) -> None:
        """Some probes show one number to the last digit, the others go on."""
        for _ in range(round(count * MINUTE / SCAN_MS)):
            self.number += 1
            at = self.now_ms - SCAN_MS // 2
            live = {"p-ph": 11.0, "p-orp": -700.0, "p-t": 40.0}
            given = []
            for name, level in live.items():
                key = name.replace("-", "_")
                value = held[key] if key in held else level + 0.01 * (self.number * 7 % 5)
                given.append(Sample(at, "plain", name, SIGNALS[name], value))
            self.slot(given)

    @property
    def names(self) -> list[tuple[FaultName, tuple[str, ...]]]:
        return [(finding.name, finding.probes) for finding in self.faults.findings]

    def only(self) -> Finding:
        assert len(self.faults.findings) == 1, self.faults.findings
        return self.faults.findings[0]

    def measured(self) -> tuple[Measured, Measured, Measured]:
        taken = measure(withheld(self.probes, self.faults.findings), self.settings, self.now_ms)
        return doubted(taken, self.faults.findings, self.settings)


def entry(watch: Watch, kind: EntryKind, what: str = "") -> JournalEntry:
    return JournalEntry(f"e{watch.number}", watch.now_ms, watch.now_ms, "plain", kind, what=what)


def test_probes_lifted_out_together_are_told_together_and_withdrawn_and_come_back() -> None:
    watch = Watch()
    watch.minutes(15)
    watch.minutes(4, p_ph=7.6, p_orp=120.0, p_t=18.0)
    finding = watch.only()
    assert (finding.name, finding.probes) == (FaultName.OUT_OF_LIQUOR, ("p-ph", "p-orp", "p-t"))
    assert finding.flag is Flag.FAIL
    assert "seem to be out of the liquor" in finding.sentence
    assert "pH 11.00 became pH 7.6" in finding.sentence
    assert "switch the heater off by hand" in finding.sentence, "a warmed vat whose thermometer hangs in the air"
    assert [one.value for one in watch.measured()] == [None, None, None]
    assert watch.measured()[0].reason == "out of the liquor"
    assert abs(finding.since_ms - (START + 15 * MINUTE)) <= 2 * MINUTE
    watch.minutes(5)
    assert watch.names == []
    assert watch.measured()[0].flag is Flag.PASS


@pytest.mark.parametrize(
    ("changed", "name", "probe", "flag"),
    [
        ({"p_ph": 7.02}, FaultName.SHORTED, "p-ph", Flag.FAIL),
        ({"p_orp": 0.4}, FaultName.SHORTED, "p-orp", Flag.FAIL),
        ({"p_ph": 14.0}, FaultName.OPEN, "p-ph", Flag.FAIL),
        ({"p_orp": 1999.9}, FaultName.OPEN, "p-orp", Flag.FAIL),
        ({"p_t": 104.0}, FaultName.WRONG_UNIT, "p-t", Flag.FAIL),
        ({"p_t": 18.0}, FaultName.OUT_OF_LIQUOR, "p-t", Flag.FAIL),
    ],
)
def test_one_broken_probe_is_named_within_minutes_and_cleared_when_it_is_mended(
    changed: dict[str, float], name: FaultName, probe: str, flag: Flag
) -> None:
    watch = Watch()
    watch.minutes(15)
    watch.minutes(6, (), **changed)
    finding = watch.only()
    assert (finding.name, finding.probes, finding.flag) == (name, (probe,), flag)
    assert probe in finding.sentence
    watch.minutes(6)
    assert watch.names == []


def test_a_sensor_s_own_fault_value_is_named_and_not_taken_for_a_temperature() -> None:
    watch = Watch()
    watch.minutes(15)
    watch.frozen(3, p_t=-127.0)
    assert watch.names == [(FaultName.FAULT_VALUE, ("p-t",))]
    assert watch.measured()[2].value is None


def test_wild_noise_is_an_open_circuit() -> None:
    watch = Watch()
    watch.minutes(15)
    for number in range(36):
        watch.minutes(1 / 6, p_ph=9.0 + 2.5 * (-1) ** number)
    assert (FaultName.OPEN, ("p-ph",)) in watch.names


def test_a_vat_that_sours_through_seven_is_not_called_a_short() -> None:
    watch = Watch()
    for tenth in range(110, 60, -1):
        watch.minutes(12, p_ph=tenth / 10)
        assert watch.names == [], tenth


def test_a_reading_of_seven_from_the_start_is_only_suspect() -> None:
    watch = Watch()
    watch.minutes(5, p_ph=7.02)
    assert (watch.only().name, watch.only().flag) == (FaultName.SHORTED, Flag.SUSPECT)
    assert watch.measured()[0].value is not None


def test_a_number_that_never_moves_is_stuck_once_that_is_longer_than_it_ever_rested() -> None:
    watch = Watch()
    watch.minutes(60)
    watch.frozen(25, p_ph=11.04)
    assert watch.names == []
    watch.frozen(10, p_ph=11.04)
    finding = watch.only()
    assert (finding.name, finding.flag) == (FaultName.STUCK, Flag.SUSPECT)
    assert "exactly pH 11.04" in finding.sentence
    ph = watch.measured()[0]
    assert (ph.value is not None, ph.flag, ph.reason) == (True, Flag.SUSPECT, finding.sentence)
    watch.minutes(2)
    assert watch.names == []


def test_a_coarse_meter_that_rests_for_long_is_not_called_stuck() -> None:
    watch = Watch()
    for hour in range(16):
        watch.frozen(60, p_ph=11.0 - 0.1 * (hour % 2))
    assert watch.names == []
    watch.frozen(4 * 60, p_ph=11.0)
    assert watch.names == []


def test_two_thermometers_that_disagree_are_both_suspect_and_neither_is_chosen() -> None:
    watch = Watch(TWO_THERMOMETERS)
    watch.minutes(15)
    watch.minutes(12, p_t2=43.0)
    finding = watch.only()
    assert (finding.name, finding.probes, finding.flag) == (FaultName.DISAGREE, ("p-t", "p-t2"), Flag.SUSPECT)
    assert watch.measured()[2].flag is Flag.SUSPECT
    watch.minutes(8)
    assert watch.names == []


def test_one_of_two_thermometers_lifted_out_leaves_the_other_s_number() -> None:
    watch = Watch(TWO_THERMOMETERS)
    watch.minutes(15)
    watch.minutes(5, p_t2=18.0)
    assert watch.names == [(FaultName.OUT_OF_LIQUOR, ("p-t2",))]
    temperature = watch.measured()[2]
    assert temperature.value == pytest.approx(40.0, abs=0.2)
    assert temperature.flag is Flag.PASS


def test_fahrenheit_from_the_start_is_only_suspect_so_that_an_overheat_alarm_stands() -> None:
    settings = replace(SETTINGS, window=replace(SETTINGS.window, ceiling_c=60.0))
    watch = Watch(settings)
    watch.minutes(8, p_t=95.0)
    assert (watch.only().name, watch.only().flag) == (FaultName.WRONG_UNIT, Flag.SUSPECT)
    assert "35.0 °C" in watch.only().sentence
    assert watch.measured()[2].value == pytest.approx(95.0, abs=0.2)


def test_a_vat_that_overheats_is_not_called_fahrenheit() -> None:
    watch = Watch()
    for degrees in range(40, 98):
        watch.minutes(4, p_t=float(degrees))
        assert watch.names == [], degrees


def test_alkaline_error_widens_one_side_in_soda_and_says_nothing_in_lime() -> None:
    watch = Watch()
    watch.minutes(4, p_ph=12.6)
    finding = watch.only()
    assert (finding.name, finding.flag) == (FaultName.ALKALINE_ERROR, Flag.SUSPECT)
    # 0.5 mol/L at pH 12.6, between the curves of 0.1 and 1 mol/L (see chemistry.sodium_error).
    assert finding.reads_low_by == pytest.approx(0.1, abs=0.02)
    plain, _, _ = measure(watch.probes, SETTINGS, watch.now_ms)
    wide = watch.measured()[0]
    assert plain.sigma is not None
    assert wide.sigma is not None
    assert wide.value == plain.value, "nothing is corrected"
    assert wide.sigma > plain.sigma
    lime = Watch(replace(SETTINGS, alkali=Alkali.LIME))
    lime.minutes(4, p_ph=12.6)
    assert lime.names == []


@pytest.mark.parametrize(
    ("ph", "calibrated", "days", "warned"),
    [
        (11.9, False, 0, True),  # a slope of 94 % shows 11.9 in a liquor of 12.3
        (11.8, False, 0, False),
        (11.9, True, 0, False),
        (12.0, True, 0, True),
        (11.9, True, 60, True),
        (11.7, True, 3000, False),
    ],
)
def test_the_alkaline_error_is_held_against_what_the_liquor_may_be(
    ph: float, calibrated: bool, days: int, warned: bool
) -> None:
    known = PhCalibration(0.0, 1.0, 0.5, 0.003) if calibrated else PhCalibration()
    made_ms = START - days * 86_400_000 if calibrated else None
    probe = replace(SETTINGS.probes[0], ph_calibration=known, calibrated_ms=made_ms)
    watch = Watch(replace(SETTINGS, probes=(probe, *SETTINGS.probes[1:])))
    watch.minutes(4, p_ph=ph)
    assert watch.names == ([(FaultName.ALKALINE_ERROR, ("p-ph",))] if warned else [])


def test_raw_millivolts_are_read_at_the_liquor_s_own_temperature() -> None:
    """At 45 °C the Nernst slope is 7 % steeper: 290 mV are pH 11.6 there, and would be 11.9 at 25 °C."""
    probe = replace(SETTINGS.probes[0], signal=Signal.PH_MV)
    watch = Watch(replace(SETTINGS, probes=(probe, *SETTINGS.probes[1:])))
    for _ in range(30):
        watch.number += 1
        at = watch.now_ms - 5_000
        given = (("p-ph", Signal.PH_MV, -290.0), ("p-orp", Signal.ORP_MV, -700.0), ("p-t", Signal.TEMPERATURE_C, 45.0))
        watch.slot([Sample(at, "plain", name, signal, value) for name, signal, value in given])
    assert watch.names == []


def answered(watch: Watch, tau_minutes: float, level: float, step: float, what: str) -> float:
    """A feed that moves ORP by `step`, followed by the probe with a time constant."""
    watch.minutes(1 / 6, [entry(watch, EntryKind.FEED, what)], p_orp=level)
    for minute in range(40):
        share = 1.0 - 2.718281828 ** (-(minute + 0.5) / tau_minutes)
        watch.minutes(1, p_orp=level + step * share)
    watch.minutes(20, p_orp=level + step)
    return level + step


def test_a_coated_probe_is_found_by_its_answers_to_the_same_feed_and_forgiven_after_cleaning() -> None:
    watch = Watch()
    level = -600.0
    watch.minutes(15, p_orp=level)
    for number in range(6):
        level = answered(watch, 0.7, level, -40.0 if number % 2 else 40.0, "soda ash")
        assert watch.names == []
    for step in (40.0, -40.0, 40.0):
        level = answered(watch, 12.0, level, step, "soda ash")
        assert watch.names == [], "a few slow answers may be the liquor's own"
    level = answered(watch, 12.0, level, -40.0, "soda ash")
    assert (watch.only().name, watch.only().probes, watch.only().flag) == (FaultName.SLOW, ("p-orp",), Flag.SUSPECT)
    level = answered(watch, 0.7, level, 40.0, "soda ash")
    level = answered(watch, 0.7, level, -40.0, "soda ash")
    assert watch.names == []


def test_a_drifting_reference_is_not_claimed() -> None:
    watch = Watch()
    for hour in range(24):
        watch.minutes(60, p_orp=-700.0 + hour * 0.6)
    assert watch.names == []
    assert "cannot be told apart" in NOT_SEPARABLE


def test_a_probe_out_on_purpose_is_neither_compared_nor_found_at_fault() -> None:
    watch = Watch()
    watch.minutes(15)
    watch.probes["p-ph"] = replace(watch.probes["p-ph"], out_until_ms=watch.now_ms + 30 * MINUTE, out_for="cleaning")
    watch.minutes(29, p_ph=7.0)
    assert watch.names == []
    assert watch.measured()[0].reason == "out for cleaning"
    watch.minutes(20)
    assert watch.names == []
    assert watch.measured()[0].flag is Flag.PASS, "it returns by itself"


def test_a_logged_top_up_and_a_new_vat_are_not_taken_for_probes_in_the_air() -> None:
    watch = Watch()
    watch.minutes(15)
    watch.minutes(30, [entry(watch, EntryKind.TOP_UP)], p_t=35.0, p_ph=10.6, p_orp=-560.0)
    assert watch.names == []
    watch.minutes(30, [entry(watch, EntryKind.REMADE)], p_t=25.0, p_ph=9.2, p_orp=-60.0)
    assert watch.names == []


def test_a_hole_in_the_record_starts_afresh() -> None:
    watch = Watch()
    watch.minutes(15)
    watch.number += 6 * 60 * 6
    watch.minutes(10, p_ph=8.9, p_orp=-300.0, p_t=30.0)
    assert watch.names == []


def test_a_restart_from_json_goes_on_exactly_as_if_nothing_had_been() -> None:
    through, restarted = Watch(TWO_THERMOMETERS), Watch(TWO_THERMOMETERS)
    for step in range(12):
        for watch in (through, restarted):
            changed: dict[str, float] = {"p_ph": 14.0} if 3 <= step < 5 else {"p_t2": 44.0} if step > 6 else {}
            watch.minutes(7, [entry(watch, EntryKind.FEED, "lime")], **changed)
        plain = json.loads(json.dumps(asdict(restarted.faults)))
        restarted.faults = faults_from_plain(plain)
        assert restarted.faults == through.faults
    assert through.names == [(FaultName.DISAGREE, ("p-t", "p-t2"))]


def test_every_name_has_a_sentence_for_the_dyer() -> None:
    for name in FaultName:
        seen = [Seen("p-x", Quantity.TEMPERATURE, 40.0, 104.0)]
        text = sentence_for(name, seen, START, SETTINGS.timezone, warmed=True, firm=True)
        assert text[0].isupper()
        assert text.endswith(".")
        assert "p-x" in text or name is FaultName.ALKALINE_ERROR
