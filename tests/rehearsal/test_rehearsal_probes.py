"""Simulated probes and the lines their meters send."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vatwatch.errors import VatwatchError
from vatwatch.rehearsal.electrodes import (
    OrpProbe,
    PhProbe,
    ProbeTraits,
    TemperatureProbe,
    probe_set,
    reference_mv,
)
from vatwatch.rehearsal.instruments import AskAnswer, FreeRunning, LineNoise
from vatwatch.rehearsal.liquor import SimulatedVat, VatTruth
from vatwatch.rehearsal.recipes import DAY_MS, default_recipe

FREE_LINE = re.compile(rb"pH=\d+\.\d\d;ORP=-?\d+\.\d;T=-?\d+\.\d\d\r\n")
ANSWER = re.compile(rb"\d+\.\d\d,-?\d+\.\d,-?\d+\.\d\d\r")


def truth(ph: float = 11.0, temperature_c: float = 25.0, eh_mv: float = -400.0) -> VatTruth:
    return VatTruth(0, ph, temperature_c, eh_mv, 0.95, 0.001, 0.02, 0.0, 0.0)


# silver chloride in 3 M KCl: DIN 38404-6 table (Wolkersdorfer 2008), an independent route to the same electrode
@pytest.mark.parametrize(
    ("temperature_c", "mv"), [(5, 220.9), (15, 214.1), (25, 207.1), (35, 199.8), (40, 196.0), (50, 188.3), (60, 180.2)]
)
def test_silver_chloride_in_3m_agrees_with_din(temperature_c: float, mv: float) -> None:
    assert reference_mv("agcl_3m_kcl", temperature_c) == pytest.approx(mv, abs=2.0)


def test_scales_convert_as_published() -> None:
    """−600 mV vs SCE is −356 mV vs SHE and −563 mV vs Ag/AgCl 3 M at 25 °C (Sawyer et al. 1995; DIN 38404-6)."""
    eh_mv = -600.0 + reference_mv("sce", 25.0)
    assert eh_mv == pytest.approx(-356.0, abs=1.0)
    assert eh_mv - reference_mv("agcl_3m_kcl", 25.0) == pytest.approx(-563.0, abs=1.0)
    with pytest.raises(VatwatchError, match="agcl_3m_kcl"):
        reference_mv("copper", 25.0)


def test_a_perfect_orp_probe_reads_eh_less_its_reference() -> None:
    probe = OrpProbe(ProbeTraits(), electrode="sce")
    assert probe.read(0, truth(eh_mv=-400.0)) == pytest.approx(-400.0 - 244.4)


def test_slope_error_turns_about_ph_7() -> None:
    probe = PhProbe(ProbeTraits(slope_share=0.9, offset=0.1))
    assert probe.read(0, truth(ph=7.0)) == pytest.approx(7.1)
    probe = PhProbe(ProbeTraits(slope_share=0.9))
    assert probe.read(0, truth(ph=11.0)) == pytest.approx(7.0 + 0.9 * 4.0)


def test_lag_is_first_order_and_indifferent_to_how_often_it_is_read() -> None:
    for step_ms in (1000, 5000, 30_000):
        probe = TemperatureProbe(ProbeTraits(lag_s=30.0))
        probe.read(0, truth(temperature_c=20.0))
        for t in range(step_ms, 30_001, step_ms):
            shown = probe.read(t, truth(temperature_c=30.0))
        assert shown == pytest.approx(30.0 - 10.0 * 0.367879, abs=1e-3)


def test_drift_noise_resolution_and_seed() -> None:
    drifting = PhProbe(ProbeTraits(drift_per_day=-0.05))
    drifting.read(0, truth())
    assert drifting.read(2 * DAY_MS, truth()) == pytest.approx(10.9)
    noisy, again = (PhProbe(ProbeTraits(noise_sigma=0.02, resolution=0.01), seed=4) for _ in range(2))
    shown = [noisy.read(t * 1000, truth()) for t in range(2000)]
    assert shown == [again.read(t * 1000, truth()) for t in range(2000)]
    mean = sum(shown) / len(shown)
    spread = (sum((x - mean) ** 2 for x in shown) / len(shown)) ** 0.5
    assert mean == pytest.approx(11.0, abs=0.003)
    assert spread == pytest.approx(0.02, rel=0.15)
    assert all(abs(x * 100 - round(x * 100)) < 1e-6 for x in shown)
    noisy.disturb(offset=0.5)
    assert noisy.read(3_000_000, truth()) > 11.3


def test_in_air_and_unplugged() -> None:
    probes = probe_set(1)
    probes.read(0, truth())
    for probe in (probes.ph, probes.orp, probes.temperature):
        probe.in_air = True
    ph, orp_mv, temperature_c = probes.read(600_000, truth())
    assert ph < 9.5
    assert orp_mv > 0.0
    assert temperature_c == pytest.approx(18.0, abs=0.5)
    for probe in (probes.ph, probes.orp, probes.temperature):
        probe.connected = False
    assert probes.read(700_000, truth()) == pytest.approx((14.0, 1999.9, -127.0))
    for probe in (probes.ph, probes.orp, probes.temperature):
        probe.connected, probe.in_air = True, False
    assert probes.read(800_000, truth())[0] == pytest.approx(11.0, abs=0.1)


def test_lines_are_as_agreed() -> None:
    vat = SimulatedVat(default_recipe("hydrosulfite"))
    free = FreeRunning(vat, probe_set(2), 5000)
    assert FREE_LINE.fullmatch(free.speak(5000))
    assert free.hear(b"R\r", 6000) == b""
    asked = AskAnswer(vat, probe_set(3))
    assert asked.speak(5000) == b""
    assert asked.hear(b"", 7000) == b""
    assert asked.hear(b"R", 7000) == b""
    assert ANSWER.fullmatch(asked.hear(b"\r", 8000))
    assert asked.hear(b"X\r", 9000) == b"?\r"
    assert len(asked.hear(b"R\rR\r", 9000).split(b"\r")) == 3


@given(st.binary(max_size=300))
def test_no_question_breaks_the_meter(data: bytes) -> None:
    meter = AskAnswer(SimulatedVat(default_recipe("woad")), probe_set(5))
    answer = meter.hear(data, 1000)
    assert answer.count(b"\r") == data.count(b"\r")
    meter.forget()
    assert ANSWER.fullmatch(meter.hear(b"R\r", 2000))


def test_a_share_of_frames_breaks_in_every_way_and_repeats() -> None:
    noise, again = LineNoise(0.3, seed=9), LineNoise(0.3, seed=9)
    frame = b"pH=10.84;ORP=-612.4;T=41.27\r\n"
    spoilt = [noise.spoil(frame) for _ in range(2000)]
    assert spoilt == [again.spoil(frame) for _ in range(2000)]
    assert noise.broken / 2000 == pytest.approx(0.3, abs=0.04)
    assert frame.rstrip() in spoilt
    assert any(len(x) > len(frame) for x in spoilt)
    assert any(len(x) < len(frame) - 2 for x in spoilt)
    assert LineNoise(0.0).spoil(frame) == frame
    with pytest.raises(VatwatchError):
        LineNoise(1.5)
