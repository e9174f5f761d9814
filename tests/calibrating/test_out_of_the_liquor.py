"""A probe that stands in a cup on purpose: withdrawn with its reason, no alarm, back by itself."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.vat.vats import MINUTE, SCAN_MS, SETTINGS, Run, samples
from vatwatch.chemistry.calibration import OFFSET_DRIFT_MV_PER_DAY, ORP_DRIFT_MV_PER_DAY, SLOPE_DRIFT_SHARE_PER_DAY
from vatwatch.records import JournalEntry
from vatwatch.terms import AlarmState, EntryKind, Flag, VatCondition
from vatwatch.vat.scan import calibrated
from vatwatch.vat.settings import DAY_MS
from vatwatch.vat.state import state_from_json, state_to_json


def notice(run: Run, kind: EntryKind, probe: str = "p-ph", minutes: float | None = None) -> JournalEntry:
    at = run.slot_ms + SCAN_MS // 2
    return JournalEntry(f"{kind}-{at}", at, at, "plain", kind, probe, minutes=minutes, text="calibration")


def in_a_buffer(run: Run, minutes: float) -> None:
    for _ in range(round(minutes * MINUTE / SCAN_MS)):
        run.slot(samples(run.slot_ms + SCAN_MS, ph=7.0))


def settled() -> Run:
    run = Run()
    run.minutes(10)
    return run


def test_its_number_is_withdrawn_with_the_reason_and_raises_nothing() -> None:
    run = settled()
    run.slot(journal=[notice(run, EntryKind.PROBE_OUT)])
    in_a_buffer(run, 20)
    scan = run.last.scan
    assert (scan.ph.value, scan.ph.reason, scan.ph.flag) == (None, "out for calibration", Flag.MISSING)
    assert scan.condition is VatCondition.UNKNOWN
    assert [s.value for s in run.last.samples if s.probe == "p-ph"] == [7.0], "what it reads in the cup is kept"
    assert run.state.alarms["silent-ph"].state is AlarmState.SUPPRESSED
    assert not [push for result in run.results for push in result.pushes]
    run.slot(samples(run.slot_ms + SCAN_MS), journal=[notice(run, EntryKind.PROBE_BACK)])
    run.minutes(2)
    assert run.last.scan.ph.value is not None
    assert run.transitions("silent-ph") == ["suppress", "release"]
    assert not [push for result in run.results for push in result.pushes]


def test_samples_from_before_it_is_back_do_not_count() -> None:
    run = settled()
    run.slot(journal=[notice(run, EntryKind.PROBE_OUT)])
    in_a_buffer(run, 5)
    back = notice(run, EntryKind.PROBE_BACK)
    early = [replace(s, time_ms=back.time_ms - 1) for s in samples(run.slot_ms + SCAN_MS, ph=7.0)]
    run.slot(early, journal=[back])
    assert run.last.scan.ph.value is None


def test_it_is_back_by_itself_after_half_an_hour_and_a_silent_probe_then_alarms() -> None:
    run = settled()
    run.slot(journal=[notice(run, EntryKind.PROBE_OUT)])
    run.minutes(29, ph=None)
    assert run.last.scan.ph.reason == "out for calibration"
    run.minutes(5, ph=None)
    assert run.last.scan.ph.reason == "silent"
    assert run.transitions("silent-ph")[-1] == "occurs"


def test_how_long_is_the_dyers_to_say() -> None:
    run = settled()
    run.slot(journal=[notice(run, EntryKind.PROBE_OUT, minutes=50)])
    run.minutes(45, ph=None)
    assert run.last.scan.ph.reason == "out for calibration"


def test_a_name_no_probe_has_changes_nothing() -> None:
    run = settled()
    run.slot(journal=[notice(run, EntryKind.PROBE_OUT, probe="p-hp")])
    run.minutes(1)
    assert run.last.scan.ph.value is not None


def test_a_restart_remembers_that_it_is_out() -> None:
    run = settled()
    run.slot(journal=[notice(run, EntryKind.PROBE_OUT)])
    again = Run(state=state_from_json(state_to_json(run.state)))
    again.slot_ms = run.slot_ms
    in_a_buffer(again, 3)
    in_a_buffer(run, 3)
    assert again.last == run.last
    assert again.last.scan.ph.reason == "out for calibration"


def test_a_calibration_widens_with_age() -> None:
    ph, orp, _ = (replace(probe, calibrated_ms=0) for probe in SETTINGS.probes)
    fresh, old = calibrated(ph, 11.0, 25.0, 0), calibrated(ph, 11.0, 25.0, 30 * DAY_MS)
    by_offset, by_slope = 30 * OFFSET_DRIFT_MV_PER_DAY / 59.16, 30 * SLOPE_DRIFT_SHARE_PER_DAY * 4.0
    assert old[0] == fresh[0]
    assert old[1] ** 2 - fresh[1] ** 2 == pytest.approx(by_offset**2 + by_slope**2, rel=1e-3)
    drift = 30 * ORP_DRIFT_MV_PER_DAY
    assert calibrated(orp, -600.0, 25.0, 30 * DAY_MS)[1] ** 2 == pytest.approx(2.0**2 + 3.0**2 + drift**2)
    undated = replace(ph, calibrated_ms=None)
    assert calibrated(undated, 11.0, 25.0, 30 * DAY_MS) == fresh
