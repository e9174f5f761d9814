"""From samples to one value per quantity and slot: median per probe, calibration, carrying of slow probes, withdrawal.

A probe that answers once a minute is carried between its answers, but only for its own `stale_after_ms`; then the
number is withdrawn and the reason says since when. "No data" is never "all well".
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from statistics import median

from vatwatch.chemistry.calibration import ph_from_mv
from vatwatch.chemistry.thermometers import temperature_c_from_pt100
from vatwatch.errors import RangeError
from vatwatch.records import Flag, Measured, Quantity, Sample, Signal
from vatwatch.vat.settings import ProbeSettings, VatSettings


@dataclass(frozen=True, slots=True)
class ProbeMemory:
    """The newest good raw value of a probe and, if something worse came since, what that was."""

    value: float | None = None
    time_ms: int | None = None
    trouble: str = ""
    trouble_flag: Flag = Flag.MISSING


def remember(
    memory: Mapping[str, ProbeMemory], settings: VatSettings, samples: Iterable[Sample]
) -> dict[str, ProbeMemory]:
    """Each probe's memory after this slot's flagged samples: the median of its good values, or its latest trouble."""
    good: dict[str, list[float]] = {}
    newest: dict[str, int] = {}
    trouble: dict[str, Sample] = {}
    for sample in samples:
        if sample.flag is Flag.PASS and sample.value is not None:
            good.setdefault(sample.probe, []).append(sample.value)
            newest[sample.probe] = max(newest.get(sample.probe, sample.time_ms), sample.time_ms)
        elif sample.flag in (Flag.FAIL, Flag.MISSING):
            trouble[sample.probe] = sample
    after: dict[str, ProbeMemory] = {}
    for probe in settings.probes:
        before = memory.get(probe.probe, ProbeMemory())
        if probe.probe in good:
            after[probe.probe] = ProbeMemory(median(good[probe.probe]), newest[probe.probe])
        elif probe.probe in trouble:
            bad = trouble[probe.probe]
            after[probe.probe] = ProbeMemory(before.value, before.time_ms, bad.reason, bad.flag)
        else:
            after[probe.probe] = before
    return after


def measure(
    memory: Mapping[str, ProbeMemory], settings: VatSettings, slot_ms: int
) -> tuple[Measured, Measured, Measured]:
    """pH, ORP and temperature of the liquor at the end of the slot, calibrated, or withdrawn with the reason."""
    temperature = _quantity(Quantity.TEMPERATURE, memory, settings, slot_ms, None)
    ph = _quantity(Quantity.PH, memory, settings, slot_ms, temperature.value)
    orp = _quantity(Quantity.ORP, memory, settings, slot_ms, temperature.value)
    return ph, orp, temperature


def _quantity(
    quantity: Quantity,
    memory: Mapping[str, ProbeMemory],
    settings: VatSettings,
    slot_ms: int,
    temperature_c: float | None,
) -> Measured:
    probes = [probe for probe in settings.probes if probe.signal.quantity is quantity]
    if not probes:
        return Measured(None, None, Flag.MISSING, "no probe is set up")
    values: list[float] = []
    sigmas: list[float] = []
    times: list[int] = []
    reason, flag, last_seen = "", Flag.MISSING, None
    for probe in probes:
        known = memory.get(probe.probe, ProbeMemory())
        if known.value is None or known.time_ms is None:
            reason, flag = known.trouble or "nothing heard yet", known.trouble_flag
            continue
        if slot_ms - known.time_ms > probe.stale_after_ms:
            reason, flag, last_seen = known.trouble or "silent", known.trouble_flag, known.time_ms
            continue
        try:
            value, sigma = calibrated(probe, known.value, temperature_c)
        except RangeError as error:
            reason, flag = str(error), Flag.FAIL
            continue
        values.append(value)
        sigmas.append(sigma)
        times.append(known.time_ms)
    if not values:
        return Measured(None, None, flag, reason, last_seen)
    return Measured(median(values), max(sigmas), Flag.PASS, "", max(times))


def calibrated(probe: ProbeSettings, raw: float, temperature_c: float | None) -> tuple[float, float]:
    """Value and 1 σ of one probe's raw value, in the unit of its quantity.

    Raises RangeError when a raw pH electrode is to be read without the liquor's temperature, or outside a table.
    """
    match probe.signal:
        case Signal.TEMPERATURE_C:
            return raw + probe.temperature_offset_c, probe.sigma
        case Signal.PT100_OHM:
            return temperature_c_from_pt100(raw) + probe.temperature_offset_c, probe.sigma
        case Signal.ORP_MV:
            return probe.orp_calibration.apply(raw), math.hypot(probe.sigma, probe.orp_calibration.sigma_mv)
        case Signal.PH:
            # A transmitter that shows pH has compensated itself; 25 °C stands in until the liquor's own is known.
            at_c = 25.0 if temperature_c is None else temperature_c
            ph = probe.ph_calibration.apply(raw, at_c)
            return ph, probe.ph_calibration.sigma(ph, at_c, probe.sigma)
        case Signal.PH_MV:
            if temperature_c is None:
                raise RangeError("a raw pH electrode needs the liquor's temperature, and that is not known")
            ph = ph_from_mv(raw, temperature_c, probe.ph_calibration)
            return ph, probe.ph_calibration.sigma(ph, temperature_c, probe.sigma)
