"""Calibration: electrodes in mV and transmitters in pH, one to three buffers, uncertainties, check solutions."""

from __future__ import annotations

import math
import random
import statistics

import pytest

from vatwatch.chemistry.buffers import Buffer, buffer_ph, buffer_ph_sigma
from vatwatch.chemistry.calibration import (
    OrpCalibration,
    PhCalibration,
    PhPoint,
    fit_ph,
    fit_ph_two_point,
    fit_ph_two_point_mv,
    ideal_mv_from_ph,
    ph_from_mv,
    point_from_ph_reading,
)
from vatwatch.chemistry.check_solutions import CheckSolution, check_orp, zobell_eh_mv, zobell_eh_nordstrom_mv
from vatwatch.chemistry.electrodes import ReferenceElectrode
from vatwatch.chemistry.nernst import nernst_slope_mv
from vatwatch.chemistry.thermometers import is_digital_fault
from vatwatch.errors import RangeError


def _electrode_mv(ph: float, temperature_c: float, offset_mv: float, slope: float) -> float:
    return offset_mv + slope * nernst_slope_mv(temperature_c) * (7.0 - ph)


def test_two_buffers_give_back_an_electrodes_offset_and_slope() -> None:
    fitted = fit_ph_two_point_mv(
        _electrode_mv(7.0, 22.0, 12.0, 0.95), 7.0, _electrode_mv(10.0, 22.0, 12.0, 0.95), 10.0, 22.0
    )
    assert fitted.offset_mv == pytest.approx(12.0)
    assert fitted.slope_share == pytest.approx(0.95)
    assert ph_from_mv(_electrode_mv(11.3, 48.0, 12.0, 0.95), 48.0, fitted) == pytest.approx(11.3)


def test_a_transmitter_that_shows_ph_is_the_same_electrode_seen_through_an_ideal_slope() -> None:
    def shown(ph: float, t: float) -> float:
        return 7.0 - _electrode_mv(ph, t, -9.0, 0.93) / nernst_slope_mv(t)

    fitted = fit_ph_two_point(shown(7.0, 25.0), 7.0, shown(10.0, 25.0), 10.0)
    assert fitted.offset_mv == pytest.approx(-9.0)
    assert fitted.slope_share == pytest.approx(0.93)
    assert fitted.offset_ph == pytest.approx(shown(7.0, 25.0) - 7.0)
    assert fitted.apply(shown(11.4, 45.0), 45.0) == pytest.approx(11.4)


def test_compensation_scales_the_slope_only() -> None:
    perfect = PhCalibration()
    assert perfect.apply(10.5, 50.0) == pytest.approx(10.5)
    assert ideal_mv_from_ph(7.0, 50.0) == 0.0


def test_one_buffer_teaches_the_offset_and_leaves_the_slope_open() -> None:
    fitted = fit_ph([PhPoint(_electrode_mv(10.0, 25.0, 5.0, 0.98), 10.0)])
    assert fitted.offset_mv == pytest.approx(5.0)
    assert fitted.sigma(10.0) < 0.03 < fitted.sigma(7.0)


def test_three_buffers_average_their_noise_and_know_how_well() -> None:
    chance = random.Random(3)
    buffers = [(Buffer.PHOSPHATE, 24.0), (Buffer.CARBONATE, 24.0), (Buffer.LIME_SATURATED, 24.0)]
    offsets, slopes, at_eleven = [], [], []
    fitted = PhCalibration()
    for _ in range(400):
        points = []
        for buffer, t in buffers:
            true_ph = buffer_ph(buffer, t)
            mv = _electrode_mv(true_ph + chance.gauss(0.0, buffer_ph_sigma(buffer)), t, 8.0, 0.96)
            points.append(PhPoint(mv + chance.gauss(0.0, 0.6), true_ph, t, 0.6, buffer_ph_sigma(buffer)))
        fitted = fit_ph(points)
        offsets.append(fitted.offset_mv)
        slopes.append(fitted.slope_share)
        at_eleven.append(ph_from_mv(_electrode_mv(11.0, 40.0, 8.0, 0.96), 40.0, fitted))
    assert statistics.mean(offsets) == pytest.approx(8.0, abs=0.15)
    assert statistics.stdev(offsets) == pytest.approx(fitted.offset_mv_sigma, rel=0.15)
    assert statistics.stdev(slopes) == pytest.approx(fitted.slope_share_sigma, rel=0.15)
    assert statistics.stdev(at_eleven) == pytest.approx(fitted.sigma(11.0, 40.0), rel=0.15)


def test_sigma_adds_the_readings_own_noise() -> None:
    fitted = fit_ph_two_point(7.02, 7.0, 9.95, 10.0)
    quiet, noisy = fitted.sigma(10.5), fitted.sigma(10.5, reading_sigma_ph=0.05)
    assert noisy == pytest.approx(math.hypot(quiet, 0.05 / fitted.slope_share))


def test_a_tired_electrode_is_doubted_in_words() -> None:
    doubts = PhCalibration(offset_mv=44.0, slope_share=0.8).doubts()
    assert any("off by +44 mV" in doubt for doubt in doubts)
    assert any("slope is 80 %" in doubt for doubt in doubts)
    assert PhCalibration().doubts() == ()


def test_mistakes_at_the_buffers_are_named() -> None:
    with pytest.raises(RangeError, match=r"only 0\.40 pH apart"):
        fit_ph_two_point(7.0, 7.0, 7.4, 7.4)
    with pytest.raises(RangeError, match="Check that the probe stood in the buffers named, in that order"):
        fit_ph_two_point(10.0, 7.0, 7.0, 10.0)
    with pytest.raises(RangeError, match="one to five"):
        fit_ph([])
    with pytest.raises(RangeError, match="one to five"):
        fit_ph([point_from_ph_reading(7.0, 7.0)] * 6)


@pytest.mark.parametrize("electrode", list(ReferenceElectrode))
def test_a_true_probe_passes_in_zobells_solution(electrode: ReferenceElectrode) -> None:
    found = check_orp(0.0, CheckSolution.ZOBELL, electrode, 25.0)
    true = check_orp(found.expected_mv, CheckSolution.ZOBELL, electrode, 25.0)
    assert true.passed
    assert true.deviation_mv == 0.0
    off = check_orp(found.expected_mv - 25.0, CheckSolution.ZOBELL, electrode, 25.0)
    assert not off.passed
    assert off.calibration.apply(found.expected_mv - 25.0) == pytest.approx(found.expected_mv)
    assert 4.0 < off.sigma_mv < 8.0


def test_lights_solution_vs_silver_chloride() -> None:
    # Light: +475 mV against Ag/AgCl with 4 M KCl, which lies close to saturated KCl.
    assert check_orp(475.0, CheckSolution.LIGHT, ReferenceElectrode.AGCL_SAT_KCL, 25.0).passed


def test_two_published_zobell_relations_agree_within_the_pass_band() -> None:
    for t in (8.0, 15.0, 25.0, 30.0):
        assert zobell_eh_mv(t) == pytest.approx(zobell_eh_nordstrom_mv(t), abs=7.0)


def test_an_orp_probe_has_an_offset_and_no_slope() -> None:
    assert OrpCalibration(offset_mv=-7.0).apply(-550.0) == -557.0


@pytest.mark.parametrize(
    ("value", "fault"),
    [(85.0, True), (85.4375, True), (-127.0, True), (84.9, False), (85.5, False), (25.0, False), (-20.0, False)],
)
def test_the_two_telltale_values_of_digital_sensors(value: float, fault: bool) -> None:
    assert is_digital_fault(value) is fault
