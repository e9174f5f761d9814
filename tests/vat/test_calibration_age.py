"""The older a calibration, the less sure the reading: in the scan, in the estimate's budget, between two probes."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from tests.vat.vats import SETTINGS, START, Run
from vatwatch.chemistry.calibration import (
    OFFSET_DRIFT_MV_PER_DAY,
    ORP_DRIFT_MV_PER_DAY,
    SLOPE_DRIFT_SHARE_PER_DAY,
    THERMOMETER_DRIFT_C_PER_DAY,
    OrpCalibration,
    PhCalibration,
)
from vatwatch.chemistry.nernst import nernst_slope_mv
from vatwatch.terms import Quantity
from vatwatch.vat.budget import BudgetTerm, uncertainty_budget
from vatwatch.vat.probe_comparing import apart_by
from vatwatch.vat.probe_signs import Minute
from vatwatch.vat.settings import DAY_MS, VatSettings

WANDERING = "the ORP electrode's wandering since its calibration"


def aged(days: float) -> VatSettings:
    """A vat whose three probes were calibrated well, so many days ago."""
    probes = tuple(
        replace(
            probe,
            ph_calibration=PhCalibration(2.0, 0.97, 0.5, 0.003),
            orp_calibration=OrpCalibration(3.0, 2.0),
            temperature_offset_sigma_c=0.05,
            calibrated_ms=START - round(days * DAY_MS),
        )
        for probe in SETTINGS.probes
    )
    return replace(SETTINGS, probes=probes)


def judged(days: float) -> tuple[Run, tuple[BudgetTerm, ...]]:
    run = Run(aged(days))
    run.minutes(1, ph=10.0, orp=-560.0)
    return run, uncertainty_budget(run.settings, run.state, run.last.scan)


def test_every_reading_s_sigma_grows_by_what_a_probe_may_have_wandered() -> None:
    new, old = judged(0.0)[0].last.scan, judged(90.0)[0].last.scan
    ph_now, ph_then = old.ph.sigma or 0.0, new.ph.sigma or 0.0
    offset = OFFSET_DRIFT_MV_PER_DAY * 90 / (0.97 * nernst_slope_mv(30.0))
    slope = SLOPE_DRIFT_SHARE_PER_DAY * 90 * ((new.ph.value or 0.0) - 7.0) / 0.97
    assert math.sqrt(ph_now**2 - ph_then**2) == pytest.approx(math.hypot(offset, slope), rel=0.01)
    grown = [
        math.sqrt((now.sigma or 0.0) ** 2 - (then.sigma or 0.0) ** 2)
        for now, then in ((old.orp_mv, new.orp_mv), (old.temperature_c, new.temperature_c))
    ]
    assert grown == pytest.approx([90 * ORP_DRIFT_MV_PER_DAY, 90 * THERMOMETER_DRIFT_C_PER_DAY], rel=0.01)


def test_the_budget_tells_age_from_the_calibration_itself_and_still_adds_up() -> None:
    for days in (0.0, 30.0, 120.0):
        run, terms = judged(days)
        reduction = run.last.scan.reduction
        assert reduction is not None
        whole = math.sqrt(math.fsum(term.sigma_mv**2 for term in terms))
        assert whole == pytest.approx(reduction.margin_mv_sigma, rel=0.02), days
        ages = [term.sigma_mv for term in terms if term.name == WANDERING]
        assert ages == pytest.approx([ORP_DRIFT_MV_PER_DAY * days], abs=0.001)
    assert all(term.sigma_mv > 0.0 for term in terms)
    (age,) = (term for term in terms if term.name == WANDERING)
    assert "120 days ago" in age.remedy
    assert any("buffers 7 and 10: the last time was 120 days ago" in term.remedy for term in terms)


def test_a_probe_never_calibrated_is_wide_from_the_start_and_has_no_age() -> None:
    run = Run()
    run.minutes(1, ph=10.0, orp=-560.0)
    assert WANDERING not in {term.name for term in uncertainty_budget(run.settings, run.state, run.last.scan)}


def test_two_probes_may_stand_further_apart_the_older_their_calibrations() -> None:
    (probe,) = (p for p in aged(0.0).probes if p.signal.quantity is Quantity.ORP)
    pair = probe, replace(probe, probe="p-orp-2")
    minutes = {one.probe: (Minute(level, level, level, 6),) for one, level in zip(pair, (-600.0, -550.0), strict=True)}
    assert apart_by(*pair, minutes, START) > 1.0
    assert apart_by(*pair, minutes, START + 120 * DAY_MS) < 1.0
