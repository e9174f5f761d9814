"""Is what a probe read in known solutions a calibration, or the sign of a fault? The verdict and its words.

Pure arithmetic on finished readings; it must not know ports, vats or the person at the terminal. Limits are common
practice unless a source is named: offset within ±30 mV and slope 85 to 105 % are good (makers' sheets), t90 under two
minutes; beyond ±60 mV, or outside 75 to 106 %, no calibration is made.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise, permutations
from typing import Final

from vatwatch.chemistry.buffers import Buffer, buffer_ph, buffer_ph_sigma, buffer_range_c
from vatwatch.chemistry.calibration import (
    ISOPOTENTIAL_PH,
    OFFSET_GOOD_MV,
    SLOPE_GOOD_SHARE,
    SLOPE_PRIOR,
    OrpCalibration,
    PhCalibration,
    PhPoint,
    fit_ph,
)
from vatwatch.chemistry.check_solutions import PASS_BAND_MV, CheckSolution, check_orp
from vatwatch.chemistry.electrodes import ReferenceElectrode
from vatwatch.chemistry.nernst import kelvin, nernst_slope_mv
from vatwatch.errors import RangeError

OFFSET_LIMIT_MV: Final = 60.0
SLOPE_LIMITS: Final = (0.75, 1.06)
T90_GOOD_S: Final = 120.0
SLOPE_ROUGH: Final = (0.7, 1.15)
ROUGH_MV: Final = 30.0
"""What still looks like an electrode when buffers are taken in another order."""
SAME_READING_SHARE: Final = 0.15
"""Readings that differ by less than this share of the Nernst step are one and the same reading."""
RESIDUAL_LIMIT: Final = 16.0
"""Chi-squared of one degree of freedom beyond which three buffers do not lie on a line: 4 σ, once in 16,000."""
ORP_LIMIT_MV: Final = 30.0
ORP_DEAD_MV: Final = 15.0
ORP_SAME_MV: Final = 8.0
THERMOMETER_GOOD_C: Final = 2.0
THERMOMETER_LIMIT_C: Final = 5.0
BUFFER_TEMPERATURE_SIGMA_C: Final = 0.5
"""How well the temperature of a buffer in a cup is known. Judgement."""


class Fault(StrEnum):
    """Why a calibration is refused."""

    SWAPPED = "solutions swapped"
    OLD_BUFFER = "old buffer"
    BROKEN_GLASS = "broken glass"
    WRONG_PROBE = "wrong probe"
    SLOPE = "slope out of range"
    OFFSET = "offset out of range"
    DRIFTING = "dry junction"
    NOISY = "noisy"
    SILENT = "no readings"
    SHORTED = "no potential"
    OTHER_REFERENCE = "other reference electrode"
    PLATINUM = "dirty platinum"
    DISAGREES = "thermometers disagree"


@dataclass(frozen=True, slots=True)
class Verdict:
    """`fault` is None when the calibration may be used. `words` are sentences for the person at the probe."""

    fault: Fault | None
    words: tuple[str, ...]
    ph: PhCalibration | None = None
    orp: OrpCalibration | None = None
    offset_c: float | None = None
    offset_c_sigma: float | None = None


def buffer_sigma(
    buffer: Buffer,
    temperature_c: float,
    temperature_sigma_c: float = BUFFER_TEMPERATURE_SIGMA_C,
    compensated: bool = False,
) -> float:
    """1 σ of a buffer's pH as poured, with what an uncertain temperature adds through its table and the Nernst slope.

    Both move a raw electrode at once, so they are added with their signs: d(k·(7 − pH))/dt ÷ k = (7 − pH)/T − dpH/dt. A
    transmitter (`compensated`) has taken the slope out with a thermometer of its own; the table alone is left.

    Raises:
        RangeError: temperature outside the buffer's table.
    """
    low, high = buffer_range_c(buffer)
    below, above = max(low, temperature_c - 1.0), min(high, temperature_c + 1.0)
    by_table = (buffer_ph(buffer, above) - buffer_ph(buffer, below)) / (above - below)
    by_slope = 0.0 if compensated else (ISOPOTENTIAL_PH - buffer_ph(buffer, temperature_c)) / kelvin(temperature_c)
    return math.hypot(buffer_ph_sigma(buffer), (by_slope - by_table) * temperature_sigma_c)


def judge_ph(points: Sequence[PhPoint], slowest_t90_s: float | None = None) -> Verdict:
    """Verdict on one to three buffers as read by one electrode.

    Raises:
        RangeError: no point or more than three, or buffers less than 1 pH apart.
    """
    if not 1 <= len(points) <= 3:
        raise RangeError(f"{len(points)} buffers read; expected one to three")
    ordered = sorted(points, key=lambda point: point.buffer_ph)
    gaps = [high.buffer_ph - low.buffer_ph for low, high in pairwise(ordered)]
    if gaps and min(gaps) < 1.0:
        raise RangeError(f"two buffers are only {min(gaps):.2f} pH apart; use buffers at least 1 pH apart, as 7 and 10")
    fault = _one_buffer_fault(ordered[0]) if len(ordered) == 1 else _fault_of_line(ordered)
    if fault is not None:
        return Verdict(fault[0], (fault[1],))
    fitted = fit_ph(ordered)
    return Verdict(None, _ph_words(fitted, len(ordered), slowest_t90_s), ph=fitted)


def _line(points: Sequence[PhPoint], mvs: Sequence[float]) -> tuple[float, float, float]:
    """Offset, slope share and chi-squared of the weighted straight line, whatever they come to."""
    xs = [nernst_slope_mv(p.temperature_c) * (ISOPOTENTIAL_PH - p.buffer_ph) for p in points]
    weights = [
        1.0 / (p.mv_sigma**2 + (nernst_slope_mv(p.temperature_c) * p.buffer_ph_sigma) ** 2) for p in points
    ]  # fmt: skip
    total = sum(weights)
    mean_x = sum(w * x for w, x in zip(weights, xs, strict=True)) / total
    mean_e = sum(w * e for w, e in zip(weights, mvs, strict=True)) / total
    spread = sum(w * (x - mean_x) ** 2 for w, x in zip(weights, xs, strict=True))
    slope = sum(w * (x - mean_x) * (e - mean_e) for w, x, e in zip(weights, xs, mvs, strict=True)) / spread
    offset = mean_e - slope * mean_x
    chi2 = sum(w * (e - offset - slope * x) ** 2 for w, x, e in zip(weights, xs, mvs, strict=True))
    return offset, slope, chi2


def _on_a_line(offset: float, slope: float, chi2: float, limits: tuple[float, float], offset_limit: float) -> bool:
    return limits[0] <= slope <= limits[1] and abs(offset) <= offset_limit and chi2 <= RESIDUAL_LIMIT


def _fault_of_line(points: Sequence[PhPoint]) -> tuple[Fault, str] | None:
    """What is wrong with two or three readings, from acid to alkaline buffer; None when they make a calibration."""
    mvs = [point.mv for point in points]
    offset, slope, chi2 = _line(points, mvs)
    if _on_a_line(offset, slope, chi2, SLOPE_LIMITS, OFFSET_LIMIT_MV):
        return None
    k = nernst_slope_mv(points[0].temperature_c)
    step = k * (points[-1].buffer_ph - points[0].buffer_ph)
    if max(mvs) - min(mvs) < SAME_READING_SHARE * step:
        return _same_everywhere(mvs)
    if not _fits_roughly(points, mvs) and any(_fits_roughly(points, order) for order in permutations(mvs)):
        return Fault.SWAPPED, (
            "the readings fit the buffers in another order: two buffers were swapped. Rinse, and begin again"
        )
    if abs(slope) < 0.5 and abs(offset) > OFFSET_LIMIT_MV:
        return Fault.WRONG_PROBE, (
            f"this does not answer like a pH electrode ({offset:+.0f} mV at pH 7, slope {100 * slope:.0f} %): "
            "is this the probe that stands in the buffer, and is it on the right input?"
        )
    if chi2 > RESIDUAL_LIMIT:
        return Fault.OLD_BUFFER, _sunk_buffer(points)
    if not SLOPE_LIMITS[0] <= slope <= SLOPE_LIMITS[1]:
        return Fault.SLOPE, (
            f"the slope is {100 * slope:.0f} % of Nernst (expected {100 * SLOPE_LIMITS[0]:.0f} to "
            f"{100 * SLOPE_LIMITS[1]:.0f} %): use fresh buffers and rinse between them; if it stays, clean or replace "
            "the electrode"
        )
    return Fault.OFFSET, (
        f"the electrode is off by {offset:+.0f} mV at pH 7 (limit ±{OFFSET_LIMIT_MV:.0f} mV): its reference is spoilt "
        "or its junction blocked. Clean it, leave it a night in storage solution, or replace it"
    )


def _fits_roughly(points: Sequence[PhPoint], mvs: Sequence[float]) -> bool:
    """Whether readings in this order are an electrode's at all. The cups' temperatures differ, so it cannot be exact."""
    offset, slope, _ = _line(points, mvs)
    k = [nernst_slope_mv(point.temperature_c) for point in points]
    found = zip(points, mvs, k, strict=True)
    worst = max(abs(mv - offset - slope * one * (ISOPOTENTIAL_PH - point.buffer_ph)) for point, mv, one in found)
    return SLOPE_ROUGH[0] <= slope <= SLOPE_ROUGH[1] and abs(offset) <= 2 * OFFSET_LIMIT_MV and worst <= ROUGH_MV


def _same_everywhere(mvs: Sequence[float]) -> tuple[Fault, str]:
    mean = sum(mvs) / len(mvs)
    if abs(mean) <= OFFSET_LIMIT_MV:
        return Fault.BROKEN_GLASS, (
            f"it reads the same in every buffer, near 0 mV ({mean:+.0f} mV): the glass is cracked or the cable is wet "
            "or shorted. Dry the plug and look; a cracked electrode is thrown away"
        )
    return Fault.WRONG_PROBE, (
        f"it reads the same in every buffer ({mean:+.0f} mV), and not like a broken one: is the probe of this name the "
        "one in your hand, or is it another kind of probe?"
    )


def _sunk_buffer(points: Sequence[PhPoint]) -> str:
    """Alkaline buffers only ever sink, by taking up carbon dioxide: the sunk one reads too many millivolts."""
    low, middle, high = points
    share = (middle.buffer_ph - low.buffer_ph) / (high.buffer_ph - low.buffer_ph)
    sunk = middle if middle.mv > low.mv + share * (high.mv - low.mv) else high
    return (
        f"the three buffers do not lie on a line: one is old or carried over, most likely pH {sunk.buffer_ph:.2f} "
        "(alkaline buffers take up air and sink). Pour fresh ones and rinse between them"
    )


def _one_buffer_fault(point: PhPoint) -> tuple[Fault, str] | None:
    k = nernst_slope_mv(point.temperature_c)
    offset = point.mv - SLOPE_PRIOR * k * (ISOPOTENTIAL_PH - point.buffer_ph)
    if abs(offset) <= OFFSET_LIMIT_MV:
        return None
    reads = ISOPOTENTIAL_PH - point.mv / (SLOPE_PRIOR * k)
    if abs(point.mv) <= OFFSET_GOOD_MV:
        return Fault.BROKEN_GLASS, (
            f"it reads near 0 mV in pH {point.buffer_ph:.2f}: either it stands in the pH 7 buffer, or the glass is "
            "cracked. A second buffer would tell"
        )
    for name in Buffer:
        other = buffer_ph(name, min(max(point.temperature_c, buffer_range_c(name)[0]), buffer_range_c(name)[1]))
        if abs(reads - other) * k <= 1.5 * OFFSET_GOOD_MV and abs(other - point.buffer_ph) >= 1.0:
            return Fault.SWAPPED, (
                f"it reads about pH {reads:.1f}, not {point.buffer_ph:.2f}: is it in the {name.value} buffer?"
            )
    if abs(offset) > 2 * OFFSET_LIMIT_MV:
        return Fault.WRONG_PROBE, (
            f"it reads {point.mv:+.0f} mV where pH {point.buffer_ph:.2f} gives about {point.mv - offset:+.0f} mV: is "
            "this the probe that stands in the buffer?"
        )
    return Fault.OFFSET, (
        f"the electrode is off by {offset:+.0f} mV (limit ±{OFFSET_LIMIT_MV:.0f} mV): clean it, leave it a night in "
        "storage solution, or replace it"
    )


def _ph_words(fitted: PhCalibration, buffers: int, slowest_t90_s: float | None) -> tuple[str, ...]:
    low, high = SLOPE_GOOD_SHARE
    offset_good = abs(fitted.offset_mv) <= OFFSET_GOOD_MV
    words = [
        f"offset {fitted.offset_mv:+.1f} ± {fitted.offset_mv_sigma:.1f} mV at pH 7: "
        + ("good" if offset_good else f"wearing (good: within ±{OFFSET_GOOD_MV:.0f} mV); clean it, renew its filling")
    ]
    if buffers == 1:
        words.append(f"slope taken as {100 * SLOPE_PRIOR:.0f} %, not measured: a second buffer would measure it")
    else:
        good = low <= fitted.slope_share <= high
        limits = f"{100 * low:.0f} to {100 * high:.0f} %"
        words.append(
            f"slope {100 * fitted.slope_share:.1f} ± {100 * fitted.slope_share_sigma:.1f} %: "
            + ("good" if good else f"wearing (good: {limits}); clean it, and think of a new one")
        )
    if slowest_t90_s is not None:
        slow = f"slow (good: under {T90_GOOD_S:.0f} s); a film on the glass or a blocked junction"
        words.append(f"answers in {slowest_t90_s:.0f} s (t90): {'good' if slowest_t90_s <= T90_GOOD_S else slow}")
    return tuple(words)


def judge_orp(
    reading_mv: float,
    solution: CheckSolution,
    electrode: ReferenceElectrode,
    temperature_c: float,
    reading_sigma_mv: float = 1.0,
) -> Verdict:
    """Verdict on an ORP probe in a check solution. Within ±10 mV good, to ±30 mV usable with a word of doubt.

    Raises:
        RangeError: temperature outside the solution's or the electrode's range.
    """
    check = check_orp(reading_mv, solution, electrode, temperature_c, reading_sigma_mv)
    seen = f"{check.found_mv:+.0f} mV where {check.expected_mv:+.0f} mV are expected"
    if abs(check.deviation_mv) <= ORP_LIMIT_MV:
        if check.passed:
            verdict = f"off by {check.deviation_mv:+.1f} ± {check.sigma_mv:.1f} mV: good"
        else:
            verdict = (
                f"off by {check.deviation_mv:+.1f} ± {check.sigma_mv:.1f} mV (good: within ±{PASS_BAND_MV:.0f} mV): "
                "polish the platinum, use fresh solution; until then the difference is taken off"
            )
        return Verdict(None, (verdict,), orp=check.calibration)
    if abs(check.found_mv) <= ORP_DEAD_MV:
        return Verdict(Fault.SHORTED, (f"{seen}: no potential at all; look at plug and cable",))
    if check.found_mv < 0.0 < check.expected_mv:
        return Verdict(
            Fault.WRONG_PROBE, (f"{seen}: that is a reducing liquor. Is this the probe that stands in the solution?",)
        )
    for other in CheckSolution:
        if other is not solution and _orp_deviation(reading_mv, other, electrode, temperature_c) <= ORP_SAME_MV:
            return Verdict(Fault.SWAPPED, (f"{seen}: it fits {other.value} instead. Which solution is in the cup?",))
    for reference in ReferenceElectrode:
        if _orp_deviation(reading_mv, solution, reference, temperature_c) <= ORP_SAME_MV:
            return Verdict(
                Fault.OTHER_REFERENCE,
                (f'{seen}: it fits reference = "{reference.value}". Compare `reference` with the probe\'s sheet',),
            )
    return Verdict(
        Fault.PLATINUM, (f"{seen}: old solution, dirty platinum or spoilt reference. Polish, rinse, use a fresh one",)
    )


def _orp_deviation(
    reading: float, solution: CheckSolution, electrode: ReferenceElectrode, temperature_c: float
) -> float:
    try:
        return abs(check_orp(reading, solution, electrode, temperature_c).deviation_mv)
    except RangeError:
        return math.inf


def judge_thermometer(
    reading_c: float, true_c: float, reading_sigma_c: float = 0.1, true_sigma_c: float = 0.3
) -> Verdict:
    """Verdict on a thermometer beside another one in the same stirred water; the difference becomes its offset."""
    offset, sigma = true_c - reading_c, math.hypot(reading_sigma_c, true_sigma_c)
    if abs(offset) > THERMOMETER_LIMIT_C:
        words = (
            f"it reads {reading_c:.1f} °C where the other says {true_c:.1f} °C: are both in the same water? Is it "
            "the right probe? Such a thermometer is not corrected but replaced"
        )
        return Verdict(Fault.DISAGREES, (words,))
    good = abs(offset) <= THERMOMETER_GOOD_C
    words = f"{offset:+.1f} ± {sigma:.1f} °C are added: {'good' if good else 'much for a thermometer; watch it'}"
    return Verdict(None, (words,), offset_c=offset, offset_c_sigma=sigma)
