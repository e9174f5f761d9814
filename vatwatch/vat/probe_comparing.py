"""One probe beside what it must fit: another of its kind, the vat's work window, its own glass. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from vatwatch.chemistry.alkali import Alkali
from vatwatch.chemistry.calibration import ISOPOTENTIAL_PH
from vatwatch.chemistry.sodium_error import sodium_error_ph
from vatwatch.errors import RangeError
from vatwatch.terms import Quantity, Signal
from vatwatch.vat.probe_signs import KEPT_MINUTES, NERNST_25C_MV, Minutes, all_of_last, base_of
from vatwatch.vat.scan import calibrated
from vatwatch.vat.settings import ProbeSettings, VatSettings

LEAST_APART = {Quantity.PH: 0.4, Quantity.ORP: 40.0, Quantity.TEMPERATURE: 1.5}
"""Two sound probes may differ by this much in one vat (layers, another spot). Judgement."""
SIGMAS_APART = 4.0
_PLAIN = {Quantity.PH: Signal.PH, Quantity.ORP: Signal.ORP_MV, Quantity.TEMPERATURE: Signal.TEMPERATURE_C}

SODIUM_MOL_L = {Alkali.SODA_ASH: 0.5, Alkali.CAUSTIC_SODA: 0.5, Alkali.LIME: 0.0, Alkali.POTASH: 0.0}
"""Sodium in the liquor, taken high: the soda of a sharp vat and its salts. Judgement; lime and potash bring none."""
LEAST_ALKALINE_ERROR = 0.03
MOST_DOUBT_PH = 0.25
"""A calibration so old that it says less than this must not make every vat one above pH 12."""


def apart_by(a: ProbeSettings, b: ProbeSettings, minutes: Mapping[str, Minutes], at_ms: int) -> float:
    """How far two probes of one quantity stand apart at `at_ms`, as a share of what is allowed; 0 when either is silent.

    What is allowed grows with the age of their calibrations, as their readings' own uncertainty does.
    """
    mine, its = _calibrated(a, minutes.get(a.probe, ()), at_ms), _calibrated(b, minutes.get(b.probe, ()), at_ms)
    if mine is None or its is None:
        return 0.0
    return abs(mine[0] - its[0]) / max(LEAST_APART[a.signal.quantity], SIGMAS_APART * math.hypot(mine[1], its[1]))


def _calibrated(probe: ProbeSettings, minutes: Minutes, at_ms: int) -> tuple[float, float] | None:
    """Value and 1 σ of the newest minute, which is kept in the unit of the quantity whatever the signal was."""
    if not minutes or (mean := minutes[-1].mean) is None:
        return None
    plain = _PLAIN[probe.signal.quantity]
    return calibrated(probe if probe.signal is plain else replace(probe, signal=plain), mean, 25.0, at_ms)


def alkaline_error(
    settings: VatSettings, probe: ProbeSettings, minutes: Mapping[str, Minutes], at_ms: int, above_ph: float
) -> float:
    """By how much a pH reading may be too low (pH units): 0 where the liquor stays below `above_ph`, or has no sodium.

    What counts is the calibrated reading and 1 σ more: a probe nobody has calibrated may show 11.9 in a liquor of 12.3.
    """
    sodium_mol_l = SODIUM_MOL_L[settings.alkali]
    if sodium_mol_l == 0.0 or probe.signal.quantity is not Quantity.PH:
        return 0.0
    try:
        known = _liquor_ph(settings, probe, minutes, at_ms)
        if known is None:
            return 0.0
        may_be = known[0] + min(known[1], MOST_DOUBT_PH)
        if may_be <= above_ph:
            return 0.0
        error = sodium_error_ph(min(may_be, 13.5), sodium_mol_l)
    except RangeError:
        return 0.0
    return error if error >= LEAST_ALKALINE_ERROR else 0.0


def _liquor_ph(
    settings: VatSettings, probe: ProbeSettings, minutes: Mapping[str, Minutes], at_ms: int
) -> tuple[float, float] | None:
    """pH and 1 σ of the newest minute at the vat's own temperature (25 °C where none is known)."""
    mine = minutes.get(probe.probe, ())
    if not mine or (mean := mine[-1].mean) is None:
        return None
    temperature_c = 25.0
    for other in settings.probes:
        its = minutes.get(other.probe, ())
        if other.signal.quantity is Quantity.TEMPERATURE and its and its[-1].mean is not None:
            temperature_c = min(max(its[-1].mean, 0.0), 100.0)
            break
    raw = (ISOPOTENTIAL_PH - mean) * NERNST_25C_MV if probe.signal is Signal.PH_MV else mean
    return calibrated(probe, raw, temperature_c, at_ms)


def reads_fahrenheit(settings: VatSettings, probe: ProbeSettings, minutes: Mapping[str, Minutes], firm: bool) -> bool:
    """Whether a thermometer's numbers are degrees Fahrenheit.

    Firm: it stepped there from the same temperature in °C, a second thermometer says so, or no water is that hot. Not
    firm: it has stood, since it was first heard, where only the °F reading would fit the vat's window.
    """
    if probe.signal is not Signal.TEMPERATURE_C:
        return False
    mine = minutes.get(probe.probe, ())
    last = all_of_last(mine, 2)
    if last is None:
        return False
    now = last[-1].mean or 0.0
    as_c = (now - 32.0) / 1.8
    if firm:
        base = base_of(mine, 3, 9)
        if base is not None and now - base >= 15.0:
            return all(abs((m.mean or 0.0) - (1.8 * base + 32.0)) <= 1.2 for m in last)
        if now > 100.5 and 0.0 <= as_c <= settings.window.ceiling_c:
            return True
        return any(_is_twin(other, probe, minutes, now) for other in settings.probes)
    low, high = settings.window.temperature_low_c - 10.0, settings.window.temperature_high_c + 5.0
    return (
        5 <= len(mine) < KEPT_MINUTES
        and now > settings.window.ceiling_c + 5.0
        and low <= as_c <= high
        and all(m.mean is not None and abs(m.mean - now) < 1.0 for m in mine)
    )


def _is_twin(other: ProbeSettings, probe: ProbeSettings, minutes: Mapping[str, Minutes], now: float) -> bool:
    if other.probe == probe.probe or other.signal.quantity is not Quantity.TEMPERATURE:
        return False
    last = all_of_last(minutes.get(other.probe, ()), 2)
    its = None if last is None else last[-1].mean
    return its is not None and now - its >= 15.0 and abs(now - (1.8 * its + 32.0)) <= 3.0
