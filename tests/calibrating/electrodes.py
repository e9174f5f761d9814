"""Simulated pH electrodes in cups and vats: their own equations, seeded, with every error a real one has.

Each answers slowly, drifts a little, and is noisy; buffers are poured with an error, and the thermometer in the cup has
one too. What is simulated is known to the test and never to the program.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field
from pathlib import Path

from vatwatch.calibrating import SMALL_STEP, Bench, concluded, fault_of_rest, noise_of
from vatwatch.chemistry.buffers import Buffer, buffer_ph, buffer_ph_sigma
from vatwatch.chemistry.electrode_health import BUFFER_TEMPERATURE_SIGMA_C, buffer_sigma
from vatwatch.chemistry.steadiness import Pace, Rest, rest_of, t90_s
from vatwatch.config import check_config
from vatwatch.records import Calibration, CalibrationPoint
from vatwatch.terms import Signal

MADE_MS = 1_780_000_000_000
HOLD_S, WITHIN_S = 30.0, 300.0
SEVEN, TEN, LIME = Buffer.PHOSPHATE_TECHNICAL, Buffer.CARBONATE, Buffer.LIME_SATURATED


def k_mv(temperature_c: float) -> float:
    """The Nernst slope, written out: R ln 10 / F = 0.1984 mV/K."""
    return 0.198416 * (temperature_c + 273.15)


def bench_of(signal: Signal, sigma: float | None = None) -> Bench:
    """A real bench for one probe; its store does not exist."""
    probe = {"vat": "tub", "port": "left", "field": "x", "signal": signal.value}
    if signal is Signal.ORP_MV:
        probe["reference"] = "agcl_3m_kcl"
    config = check_config(
        {
            "vat": {"tub": {"chemistry": "hydrosulfite"}},
            "port": {"left": {"device": "/dev/null", "line": [{"delimiter": ",", "fields": ["x"]}]}},
            "probe": {"glass": probe if sigma is None else {**probe, "sigma": sigma}},
        },
        "test",
    )
    nowhere = Path("/nonexistent/vatwatch.db")
    return Bench(config, "test", "glass", nowhere, nowhere.parent / "inbox", "")


@dataclass
class Electrode:
    """What one electrode truly is, in mV, shares of Nernst and seconds."""

    chance: random.Random
    offset_mv: float = 0.0
    slope: float = 0.97
    noise_mv: float = 0.4
    tau_s: float = 6.0
    creep_mv_min: float = 0.0
    sunk: dict[Buffer, float] = field(default_factory=dict)
    at_mv: float | None = None

    def at_rest_mv(self, ph: float, t: float) -> float:
        return self.offset_mv + self.slope * k_mv(t) * (7.0 - ph)

    def dip(self, goal_mv: float, seconds: float = WITHIN_S) -> list[tuple[float, float]]:
        """Millivolts once a second after a dip, from wherever it stood before."""
        start = self.at_mv if self.at_mv is not None else goal_mv + self.chance.uniform(-150, 150)
        series = []
        for second in range(int(seconds)):
            creep = self.creep_mv_min * second / 60
            self.at_mv = goal_mv + creep + (start - goal_mv) * math.exp(-second / self.tau_s)
            series.append((float(second), self.at_mv + self.chance.gauss(0, self.noise_mv)))
        return series


def settle(series: list[tuple[float, float]], signal: Signal, noise: float) -> tuple[Rest, float]:
    """As the dialogue waits: looks every two seconds, takes the first rest, gives up at the end."""
    rest = Rest(Pace.TOO_FEW)
    for count in range(2, len(series) + 1, 2):
        rest = rest_of(series[:count], HOLD_S, SMALL_STEP[signal], noise)
        if rest.pace is Pace.STEADY:
            return rest, series[count - 1][0]
    return rest, series[-1][0] if series else 0.0


def calibrate(
    electrode: Electrode,
    buffers: tuple[Buffer, ...],
    signal: Signal = Signal.PH_MV,
    stood_in: tuple[Buffer, ...] | None = None,
    bench: Bench | None = None,
) -> Calibration:
    """Take the electrode through cups as a person would; `stood_in` are the buffers it truly stood in."""
    bench = bench or bench_of(signal)
    chance = electrode.chance
    points: list[CalibrationPoint] = []
    for named, true in zip(buffers, stood_in or buffers, strict=True):
        cup_c = chance.uniform(17, 26)
        said_c = cup_c + chance.gauss(0, BUFFER_TEMPERATURE_SIGMA_C)
        poured = buffer_ph(true, cup_c) + chance.gauss(0, buffer_ph_sigma(true)) - electrode.sunk.get(true, 0.0)
        series = electrode.dip(electrode.at_rest_mv(poured, cup_c))
        if signal is Signal.PH:
            series = [(second, 7.0 - mv / k_mv(cup_c)) for second, mv in series]
        rest, _ = settle(series, signal, noise_of(bench.settings))
        if rest.pace is not Pace.STEADY:
            return concluded(bench, points, MADE_MS, fault_of_rest(rest, signal, HOLD_S, ""))
        t90 = t90_s(series, 0.0, points[-1].reading, rest.mean) if points else None
        sigma = buffer_sigma(named, said_c, BUFFER_TEMPERATURE_SIGMA_C, signal is Signal.PH)
        points.append(
            CalibrationPoint(
                named.value, "", said_c, buffer_ph(named, said_c), sigma, rest.mean, rest.sigma, t90
            )
        )  # fmt: skip
    return concluded(bench, points, MADE_MS)
