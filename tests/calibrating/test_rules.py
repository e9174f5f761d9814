"""Which calibration counts, when it is due, what stands still, and what is kept on the way to the store."""

from __future__ import annotations

import math
import random
from datetime import UTC, date
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.calibrating.electrodes import LIME, MADE_MS, SEVEN, TEN, Electrode, bench_of, calibrate
from vatwatch.assembly import judgement_text, vat_settings, vat_settings_from_text
from vatwatch.calibrating import concluded
from vatwatch.calibration_due import calibrations_due
from vatwatch.chemistry.calibration import PhPoint
from vatwatch.chemistry.check_solutions import CheckSolution, check_orp
from vatwatch.chemistry.electrode_health import (
    BUFFER_TEMPERATURE_SIGMA_C,
    Fault,
    buffer_sigma,
    judge_orp,
    judge_ph,
    judge_thermometer,
)
from vatwatch.chemistry.electrodes import ReferenceElectrode
from vatwatch.chemistry.steadiness import Pace, rest_of, t90_s
from vatwatch.config import Config, check_config
from vatwatch.errors import RangeError
from vatwatch.in_force import calibrations_in_force, why_unusable
from vatwatch.records import Calibration, CalibrationPoint
from vatwatch.store import inbox
from vatwatch.store.calibrations import of_json, to_json
from vatwatch.store.reading import StoreReader
from vatwatch.store.writing import StoreWriter
from vatwatch.terms import Signal
from vatwatch.vat.settings import DAY_MS

numbers = st.floats(allow_nan=False, allow_infinity=False)
texts = st.text(st.characters(exclude_categories=["Cs"]), max_size=20)
points = st.builds(
    CalibrationPoint, texts, texts, numbers, numbers, numbers, numbers, numbers, st.none() | numbers
)  # fmt: skip
calibrations = st.builds(
    Calibration,
    calibration_id=st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=20),
    time_ms=st.integers(0, 2**62),
    vat=texts,
    probe=texts,
    signal=st.sampled_from(Signal),
    accepted=st.booleans(),
    points=st.lists(points, max_size=3).map(tuple),
    offset=st.none() | numbers,
    slope_share=st.none() | numbers,
    judgement=st.lists(texts, max_size=3).map(tuple),
    fault=texts,
    by=texts,
)


def config_with(**calibration: Any) -> Config:
    probe: dict[str, Any] = {"vat": "tub", "port": "left", "field": "x", "signal": "ph_mv"}
    if calibration:
        probe["calibration"] = {"buffers_ph": [7.0, 10.0], "readings_mv": [5.0, -170.0], **calibration}
    return check_config(
        {
            "vat": {"tub": {"chemistry": "hydrosulfite"}},
            "port": {"left": {"device": "/dev/null", "line": [{"delimiter": ",", "fields": ["x"]}]}},
            "probe": {"glass": probe},
        },
        "test",
    )


def made(day: int, offset: float | None = 5.0, **other: Any) -> Calibration:
    whole: dict[str, Any] = {
        "calibration_id": f"c{day}", "time_ms": MADE_MS + day * DAY_MS, "vat": "tub", "probe": "glass",
        "signal": Signal.PH_MV, "accepted": True, "offset": offset, "offset_sigma": 0.7, "slope_share": 0.97,
        "slope_share_sigma": 0.004, "offset_slope_covariance_mv": 0.001, **other,
    }  # fmt: skip
    return Calibration(**whole)


@given(calibrations)
def test_text_gives_the_same_calibration_back(calibration: Calibration) -> None:
    assert repr(of_json(to_json(calibration))) == repr(calibration)


@pytest.mark.parametrize(
    ("old", "new"),
    [('"fault"', '"flaw"'), ('"accepted":true', '"accepted":1'), ("5.0", "1e999"), ("0.97", '"0.97"'), ("ph_mv", "pH")],
)
def test_what_is_no_calibration_is_refused_with_words(old: str, new: str) -> None:
    text = to_json(made(1))
    assert old in text
    with pytest.raises(ValueError, match=r"\w"):
        of_json(text.replace(old, new, 1))


def test_it_travels_through_inbox_and_store(tmp_path: Path) -> None:
    one = calibrate(Electrode(random.Random(1), 8.0, 0.95), (SEVEN, TEN))
    inbox.drop(tmp_path / "inbox", one)
    ((path, handed),) = inbox.collect(tmp_path / "inbox")
    assert handed == one
    store = tmp_path / "vatwatch.db"
    with StoreWriter.open(store) as writer:
        writer.record_calibration(one)
        writer.record_calibration(one)
        inbox.clear([path])
        with StoreReader(store) as reader:
            assert reader.calibrations() == [one]
            assert reader.calibrations("other") == []


def test_a_store_from_before_calibrations_has_none(tmp_path: Path) -> None:
    store = tmp_path / "vatwatch.db"
    with StoreWriter.open(store) as writer:
        writer._connection.execute("DROP TABLE calibrations")
    with StoreReader(store) as reader:
        assert reader.calibrations() == []


def test_the_newest_accepted_one_counts() -> None:
    config = config_with()
    refused = made(9, None, accepted=False, fault="broken glass")
    chosen = calibrations_in_force(config, [made(3), made(1), refused])
    assert chosen["glass"] == made(3)
    (probe,) = vat_settings(config, "test", [made(3), refused])["tub"].probes
    assert (probe.ph_calibration.offset_mv, probe.calibrated_ms) == (5.0, made(3).time_ms)


def test_the_files_own_counts_as_given_at_the_start_unless_it_says_when() -> None:
    assert calibrations_in_force(config_with(temperature_c=25), [made(1)])
    assert not calibrations_in_force(config_with(made_on=date(2099, 1, 1)), [made(1)])
    (probe,) = vat_settings(config_with(made_on=date(2026, 5, 3)), "test")["tub"].probes
    assert probe.calibrated_ms == 1_777_766_400_000  # 2026-05-03 00:00 UTC


def test_unusable_ones_are_passed_over_and_say_why() -> None:
    config = config_with()
    for wrong, words in (
        (made(1, 1e9), "offset"),
        (made(1, None), "no offset"),
        (made(1, slope_share=None), "no slope"),
        (made(1, signal=Signal.PH), "ph_mv now"),
        (made(1, probe="glas"), "there is no probe"),
    ):
        assert words in why_unusable(config, wrong)
        assert not calibrations_in_force(config, [wrong])


def test_the_settings_text_carries_the_calibration_in_force() -> None:
    config = config_with(temperature_c=25)
    assert "calibrations" not in judgement_text(config)
    text = judgement_text(config, [made(1), made(2)])
    assert vat_settings_from_text(text) == vat_settings(config, "test", [made(2)])
    assert judgement_text(config, [made(2)]) == text


def test_when_it_is_due() -> None:
    config = config_with()
    undated, fresh, old = (
        calibrations_due(vat_settings(config, "test", given).values(), MADE_MS + 31 * DAY_MS, UTC)[0]
        for given in ([], [made(2)], [made(0)])
    )
    assert undated.overdue is None
    assert fresh.overdue is False
    assert "due again on" in fresh.words
    assert old.overdue is True
    assert "due since" in old.words


# --- standing still ----------------------------------------------------------------------------------------------------


def line(seconds: int, slope: float = 0.0, noise: float = 0.0, seed: int = 1) -> list[tuple[float, float]]:
    chance = random.Random(seed)
    return [(float(s), 10.0 + slope * s + chance.gauss(0, noise)) for s in range(seconds)]


@pytest.mark.parametrize(
    ("readings", "pace"),
    [
        ([], Pace.TOO_FEW),
        (line(20), Pace.TOO_FEW),
        (line(30), Pace.TOO_FEW),
        (line(60), Pace.STEADY),
        (line(60, noise=1.0), Pace.STEADY),
        (line(60, slope=0.1), Pace.DRIFTING),
        (line(60, noise=10.0), Pace.NOISY),
        ([*line(40, slope=1.0), *[(s, 50.0) for s in range(40, 75)]], Pace.DRIFTING),
    ],
)
def test_what_stands_still(readings: list[tuple[float, float]], pace: Pace) -> None:
    assert rest_of(readings, 30.0, 0.6, 1.2).pace is pace


def test_the_uncertainty_of_rest_holds_scatter_and_movement() -> None:
    rest = rest_of(line(60, slope=0.01, noise=1.0), 30.0, 0.6, 1.2)
    assert rest.sigma == pytest.approx(math.hypot(rest.scatter / math.sqrt(10), rest.moved / math.sqrt(3)))


def test_response_time_of_a_first_order_electrode() -> None:
    series = [(s / 10, 100.0 * math.exp(-s / 10 / 8.0)) for s in range(1000)]
    assert t90_s(series, 0.0, 100.0, 0.0) == pytest.approx(8.0 * math.log(10), abs=0.1)
    assert t90_s([], 0.0, 100.0, 0.0) is None


# --- verdicts ----------------------------------------------------------------------------------------------------------

REFERENCE = ReferenceElectrode.AGCL_3M_KCL
ZOBELL_MV = check_orp(0.0, CheckSolution.ZOBELL, REFERENCE, 25.0).expected_mv


@pytest.mark.parametrize(
    ("reading", "fault", "word"),
    [
        (ZOBELL_MV + 6, None, "good"),
        (ZOBELL_MV - 22, None, "polish"),
        (2.0, Fault.SHORTED, "no potential"),
        (-640.0, Fault.WRONG_PROBE, "reducing"),
        (ZOBELL_MV + (675.0 - 428.0), Fault.SWAPPED, "light"),
        (428.0 - 244.4, Fault.OTHER_REFERENCE, "sce"),
        (ZOBELL_MV + 110.0, Fault.PLATINUM, "platinum"),
    ],
)
def test_orp_verdicts(reading: float, fault: Fault | None, word: str) -> None:
    verdict = judge_orp(reading, CheckSolution.ZOBELL, REFERENCE, 25.0)
    assert verdict.fault is fault
    assert word in verdict.words[0]
    assert (verdict.orp is not None) is (fault is None)


def test_thermometer_verdicts() -> None:
    assert judge_thermometer(24.0, 24.6).offset_c == pytest.approx(0.6)
    assert "watch it" in judge_thermometer(24.0, 27.5).words[0]
    assert judge_thermometer(24.0, 31.0).fault is Fault.DISAGREES


def test_a_tired_electrode_is_taken_with_words_of_doubt() -> None:
    found = calibrate(Electrode(random.Random(3), 38.0, 0.81, tau_s=2.0), (SEVEN, TEN))
    assert found.accepted
    assert "wearing" in found.judgement[0]
    assert "wearing" in found.judgement[1]
    one = calibrate(Electrode(random.Random(3), 8.0, 0.98), (SEVEN,))
    assert one.accepted
    assert "not measured" in one.judgement[1]


def test_a_slow_electrode_says_so() -> None:
    verdict = judge_ph((PhPoint(0.0, 7.0), PhPoint(-172.0, 10.0)), slowest_t90_s=150.0)
    assert verdict.fault is None
    assert "slow" in verdict.words[2]


def test_buffers_too_close_together_are_not_judged() -> None:
    with pytest.raises(RangeError, match="apart"):
        judge_ph((PhPoint(0.0, 7.0), PhPoint(-10.0, 7.2)))


def test_a_pt100_is_compared_in_degrees() -> None:
    bench = bench_of(Signal.PT100_OHM)
    point = CalibrationPoint("comparison", "", 25.0, 25.4, 0.3, 109.735, 0.01)  # IEC 60751: 25 °C
    assert concluded(bench, [point], MADE_MS).offset == pytest.approx(0.4, abs=0.01)


@pytest.mark.parametrize("compensated", [False, True])
def test_an_uncertain_temperature_widens_lime_most(compensated: bool) -> None:
    lime, carbonate = (buffer_sigma(b, 22.0, BUFFER_TEMPERATURE_SIGMA_C, compensated) for b in (LIME, TEN))
    assert lime > carbonate >= 0.01
