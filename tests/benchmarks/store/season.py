"""A season that never was: slow tides of six vats, probes with the noise, last digit and jitter of the rehearsal's.

Everything follows from the vat and the day, so that each store under test can be filled from the same numbers without
keeping them. The judgement beside the samples is a stand-in with the real one's shape: full floats that follow from the
same inputs in the same way, six vats of which three are reduced beyond counting. Days of the real
pipeline on rehearsed vats took 11 and 23 bytes per scan; these take 10 to 25.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vatwatch.store.chunk_making import Columns

DAY_MS = 86_400_000
QUANTITIES = ("ph", "orp_mv", "temperature_c")
DIGITS = {"ph": 2, "orp_mv": 1, "temperature_c": 2}
NOISE = {"ph": 0.008, "orp_mv": 0.8, "temperature_c": 0.03}
"""1 sigma, as the rehearsal's probes have it."""
START_MS = 1_767_225_600_000
"""2026-01-01 UTC."""

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Plan:
    """How much season there is to be."""

    vats: int = 6
    days: int = 200
    step_ms: int = 5000
    start_ms: int = START_MS

    @property
    def scans(self) -> int:
        return DAY_MS // self.step_ms

    @property
    def samples(self) -> int:
        return self.vats * self.days * self.scans * len(QUANTITIES)

    @property
    def end_ms(self) -> int:
        return self.start_ms + self.days * DAY_MS

    def vat(self, number: int) -> str:
        return f"vat{number + 1}"


@dataclass(frozen=True, slots=True)
class Day:
    """One vat's day of samples: one line with three numbers per step."""

    times_ms: Ints
    values: dict[str, Floats]


def day_of(plan: Plan, vat: int, day: int) -> Day:
    """The samples of a vat on a day, rounded to the meter's last digit."""
    rng = np.random.default_rng([17, vat, day])
    steps = plan.scans
    begin_ms = plan.start_ms + day * DAY_MS
    hours = (np.arange(steps) * plan.step_ms + day * DAY_MS) / 3_600_000
    # A line comes 1.7 s into its step, a millisecond or so late.
    late = np.rint(np.abs(rng.normal(0.0, 1.5, steps))).astype(np.int64)
    times = begin_ms + np.arange(steps, dtype=np.int64) * plan.step_ms + min(1700, plan.step_ms // 2) + late
    warm = 28.0 + 3.0 * vat
    slow = {
        "ph": 11.2 - 0.1 * vat + 0.25 * np.sin(hours / 37.0 + vat) + 0.05 * np.sin(hours / 3.1 + day),
        "orp_mv": -640.0 + 15.0 * vat + 40.0 * np.sin(hours / 29.0 + 2 * vat) + 12.0 * np.sin(hours / 4.3 + vat),
        "temperature_c": warm + 2.0 * np.sin(hours / 24.0 * 2 * np.pi + vat) + 0.4 * np.sin(hours / 0.7 + day),
    }
    values = {}
    for quantity in QUANTITIES:
        noisy = slow[quantity] + rng.normal(0.0, NOISE[quantity], steps)
        power = 10.0 ** DIGITS[quantity]
        values[quantity] = np.rint(noisy * power) / power
    return Day(times, values)


def scans_of(plan: Plan, vat: int, day: int) -> Columns:
    """The same day as the store's own columns: samples with flags, and a judgement per step."""
    given = day_of(plan, vat, day)
    steps = plan.scans
    name = plan.vat(vat)
    slots = plan.start_ms + day * DAY_MS + np.arange(1, steps + 1, dtype=np.int64) * plan.step_ms
    first = (day * steps) * plan.vats + vat + 1
    columns = Columns(name)
    columns.numbers = _ints(first + np.arange(steps, dtype=np.int64) * plan.vats)
    columns.versions = array("q", [1]) * steps
    columns.slots = _ints(slots)
    columns.last_samples = _ints(slots - given.times_ms)
    for place, column in _judged(given, slots, reduced=vat % 2 == 0).items():
        columns.floats[place] = _floats(column)
    share = columns.floats[20]
    for place in (4, 9, 14):
        columns.others[place] = [1] * steps
    for place in (6, 11, 16):
        columns.others[place] = [0] * steps
    columns.others[25] = [int(value >= 0.99) for value in share]
    columns.others[29] = [None] * steps
    for place in (5, 10, 15):
        columns.others[place] = [""] * steps
    columns.others[27] = ["dyeable" if value > 0.9 else "off" for value in share]
    columns.others[28] = ["[]" if value > 0.9 else '["off-reduction"]' for value in share]
    columns.counts = array("q", [3]) * steps
    sources = [f'["{name}","{name}-{quantity}","{quantity}"]' for quantity in QUANTITIES]
    columns.sources = sources * steps
    rng = np.random.default_rng([18, vat, day])
    bad = set(rng.integers(0, steps, max(1, steps // 5000)).tolist())
    columns.quality = [
        '[4,"14 is outside 0 to 13.9"]' if place % 3 == 0 and place // 3 in bad else '[1,""]'
        for place in range(3 * steps)
    ]
    for source, quantity in zip(sources, QUANTITIES, strict=True):
        columns.offsets[source] = array("q", [0]) * steps
        columns.values[source] = _floats(given.values[quantity])
    return columns


def _judged(given: Day, slots: Ints, reduced: bool) -> dict[int, Floats]:
    """Columns of a scan by their place in the row: see columns.SCAN."""
    raw, temperature = given.values["ph"], given.values["temperature_c"]
    kelvin = temperature + 273.15
    ph = 7.0 + (raw - 7.0 + 0.09 / kelvin) / 0.985 * 298.15 / (0.2 * kelvin + 238.52)
    orp = given.values["orp_mv"] - 4.3
    eh = orp + (210.0 - 0.73 * (temperature - 25.0) + 0.0013 * (temperature - 25.0) ** 2)
    margin = (-90.0 if reduced else -255.0) - 29.3 * kelvin / 298.15 * (ph - 9.0) - eh
    hour = (slots // 3_600_000) % 24
    margin_sigma = np.sqrt(21.0**2 + 0.37 * hour)
    width = 8.314462618 * kelvin / 2.0 / 96.48533212
    steepness = margin_sigma * 0.55
    return {
        2: ph,
        3: np.sqrt(0.02**2 + (0.005 * (ph - 7.0)) ** 2 * kelvin / 298.15),
        7: orp,
        8: np.full_like(ph, 3.605551275463989),
        12: temperature,
        13: np.full_like(ph, 0.2),
        17: eh,
        18: np.full_like(ph, 6.164414002968976),
        19: ph + 0.0173 * (temperature - 25.0) * (1.0 + 0.01 * (ph - 10.0)),
        20: np.minimum(0.99, 1.0 / (1.0 + np.exp(-margin / width))),
        21: np.minimum(0.99, 1.0 / (1.0 + np.exp(-(margin - 1.645 * margin_sigma) / width))),
        22: np.minimum(1.0, 1.0 / (1.0 + np.exp(-(margin + 1.645 * margin_sigma) / width)) + 0.01),
        23: margin,
        24: margin_sigma,
        26: 1.0 / (1.0 + np.exp(-(margin - 28.0) / steepness)),
    }


def _floats(values: Floats) -> array[float]:
    return array("d", values.astype("<f8").tobytes())


def _ints(values: Ints) -> array[int]:
    return array("q", values.astype("<i8").tobytes())
