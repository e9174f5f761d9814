"""From samples to one value per quantity and slot: median per probe, calibration, carrying of slow probes, withdrawal.

A probe that answers once a minute is carried between its answers, but only for its own `stale_after_ms`; then the
number is withdrawn and the reason says since when. "No data" is never "all well".
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from statistics import median

from vatwatch.chemistry.calibration import THERMOMETER_DRIFT_C_PER_DAY, ph_from_mv
from vatwatch.chemistry.thermometers import temperature_c_from_pt100
from vatwatch.errors import RangeError
from vatwatch.records import JournalEntry, Measured, Sample
from vatwatch.terms import EntryKind, Flag, Quantity, Signal
from vatwatch.vat.settings import DAY_MS, MINUTE_MS, ProbeSettings, VatSettings
from vatwatch.vat.worked_out import Once

OUT_MINUTES = 30.0
"""How long a probe taken out counts as out when nobody says how long, and nobody says it is back."""
OUT_MOST_MINUTES = 24 * 60.0


@dataclass(frozen=True, slots=True)
class ProbeMemory:
    """The newest good raw value of a probe and, if something worse came since, what that was.

    `doubt` says why the value is suspect, if it is: it is judged all the same, and says so.
    Until `out_until_ms` the probe is not in the liquor (`out_for` says why): what it gives is kept, never judged.
    """

    value: float | None = None
    time_ms: int | None = None
    trouble: str = ""
    trouble_flag: Flag = Flag.MISSING
    out_until_ms: int | None = None
    out_for: str = ""
    doubt: str = ""

    def is_out(self, time_ms: int) -> bool:
        return self.out_until_ms is not None and time_ms < self.out_until_ms


_NOTHING_YET = ProbeMemory()


def _middle(values: list[float]) -> float:
    """The median. One value a slot is the rule, and `statistics.median` is slow to say so."""
    return values[0] if len(values) == 1 else median(values)


def heed_notices(
    memory: Mapping[str, ProbeMemory], settings: VatSettings, journal: Iterable[JournalEntry]
) -> Mapping[str, ProbeMemory]:
    """Each probe's memory after word of probes taken out and put back. Names no probe has are passed over."""
    for entry in journal:
        if entry.kind not in (EntryKind.PROBE_OUT, EntryKind.PROBE_BACK):
            continue
        for probe in settings.probes:
            if probe.probe != entry.what:
                continue
            before = memory.get(probe.probe, ProbeMemory())
            if entry.kind is EntryKind.PROBE_OUT:
                minutes = OUT_MINUTES if entry.minutes is None else min(entry.minutes, OUT_MOST_MINUTES)
                until = entry.time_ms + int(minutes * MINUTE_MS)
                after = replace(before, out_until_ms=until, out_for=entry.text or "cleaning")
            elif before.out_until_ms is not None:
                after = replace(before, out_until_ms=min(before.out_until_ms, entry.time_ms))
            else:
                after = before
            memory = {**memory, probe.probe: after}
    return memory


_NONE: frozenset[Quantity] = frozenset()


def quantities_out(memory: Mapping[str, ProbeMemory], settings: VatSettings, slot_ms: int) -> frozenset[Quantity]:
    """Quantities of which some probe is out of the liquor on purpose: their silence is no alarm."""
    out = [name for name, known in memory.items() if known.out_until_ms is not None and known.is_out(slot_ms)]
    return frozenset(probe.signal.quantity for probe in settings.probes if probe.probe in out) if out else _NONE


def remember(
    memory: Mapping[str, ProbeMemory], settings: VatSettings, samples: Iterable[Sample]
) -> dict[str, ProbeMemory]:
    """Each probe's memory after this slot's flagged samples: the median of its good values, or its latest trouble.

    Suspect values stand in, with their reason, when the slot has no good one.
    """
    good: dict[str, list[float]] = {}
    suspect: dict[str, list[Sample]] = {}
    newest: dict[str, int] = {}
    trouble: dict[str, Sample] = {}
    for sample in samples:
        name, value, flag = sample.probe, sample.value, sample.flag
        known = memory.get(name)
        if known is not None and known.out_until_ms is not None and known.is_out(sample.time_ms):
            continue
        if flag is Flag.PASS and value is not None:
            if name in good:
                good[name].append(value)
                newest[name] = max(newest[name], sample.time_ms)
            else:
                good[name], newest[name] = [value], sample.time_ms
        elif flag is Flag.SUSPECT and value is not None:
            suspect.setdefault(name, []).append(sample)
        elif flag is Flag.FAIL or flag is Flag.MISSING:
            trouble[name] = sample
    after: dict[str, ProbeMemory] = {}
    for probe in settings.probes:
        before = memory.get(probe.probe, _NOTHING_YET)
        # A value ends whatever trouble and doubt there were; that the probe is out, if it is, stands.
        if probe.probe in good:
            after[probe.probe] = ProbeMemory(
                value=_middle(good[probe.probe]),
                time_ms=newest[probe.probe],
                out_until_ms=before.out_until_ms,
                out_for=before.out_for,
            )
        elif probe.probe in suspect:
            doubted = suspect[probe.probe]
            after[probe.probe] = ProbeMemory(
                value=_middle([one.value for one in doubted if one.value is not None]),
                time_ms=max(one.time_ms for one in doubted),
                out_until_ms=before.out_until_ms,
                out_for=before.out_for,
                doubt=doubted[-1].reason or "suspect",
            )
        elif probe.probe in trouble:
            bad = trouble[probe.probe]
            after[probe.probe] = replace(before, trouble=bad.reason, trouble_flag=bad.flag)
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


@Once
def _probes_of(settings: VatSettings) -> dict[Quantity, tuple[ProbeSettings, ...]]:
    return {quantity: tuple(p for p in settings.probes if p.signal.quantity is quantity) for quantity in Quantity}


def _quantity(
    quantity: Quantity,
    memory: Mapping[str, ProbeMemory],
    settings: VatSettings,
    slot_ms: int,
    temperature_c: float | None,
) -> Measured:
    probes = _probes_of(settings)[quantity]
    if not probes:
        return Measured(None, None, Flag.MISSING, "no probe is set up")
    values: list[float] = []
    sigmas: list[float] = []
    times: list[int] = []
    doubts: list[str] = []
    reason, flag, last_seen = "", Flag.MISSING, None
    for probe in probes:
        known = memory.get(probe.probe, _NOTHING_YET)
        if known.out_until_ms is not None and known.is_out(slot_ms):
            reason, flag, last_seen = f"out for {known.out_for}", Flag.MISSING, known.time_ms
            continue
        if known.value is None or known.time_ms is None:
            reason, flag = known.trouble or "nothing heard yet", known.trouble_flag
            continue
        if slot_ms - known.time_ms > probe.stale_after_ms:
            reason, flag, last_seen = known.trouble or "silent", known.trouble_flag, known.time_ms
            continue
        try:
            value, sigma = calibrated(probe, known.value, temperature_c, slot_ms)
        except RangeError as error:
            reason, flag = str(error), Flag.FAIL
            continue
        values.append(value)
        sigmas.append(sigma)
        times.append(known.time_ms)
        if known.doubt:
            doubts.append(known.doubt)
    if not values:
        return Measured(None, None, flag, reason, last_seen)
    flag = Flag.SUSPECT if doubts else Flag.PASS
    return Measured(_middle(values), max(sigmas), flag, "; ".join(doubts), max(times))


def calibrated(
    probe: ProbeSettings, raw: float, temperature_c: float | None, at_ms: int | None = None
) -> tuple[float, float]:
    """Value and 1 σ of one probe's raw value at the time `at_ms`, in the unit of its quantity.

    The older the calibration, the wider; without its date or `at_ms` it counts as fresh. Raises RangeError when a raw
    pH electrode is to be read without the liquor's temperature, or outside a table.
    """
    age_days = 0.0
    if at_ms is not None and probe.calibrated_ms is not None:
        age_days = max(0, at_ms - probe.calibrated_ms) / DAY_MS
    match probe.signal:
        case Signal.TEMPERATURE_C | Signal.PT100_OHM:
            t = raw if probe.signal is Signal.TEMPERATURE_C else temperature_c_from_pt100(raw)
            drift = THERMOMETER_DRIFT_C_PER_DAY * age_days
            return t + probe.temperature_offset_c, math.hypot(probe.sigma, probe.temperature_offset_sigma_c, drift)
        case Signal.ORP_MV:
            return probe.orp_calibration.apply(raw), probe.orp_calibration.sigma(probe.sigma, age_days)
        case Signal.PH:
            # A transmitter that shows pH has compensated itself; 25 °C stands in until the liquor's own is known.
            at_c = 25.0 if temperature_c is None else temperature_c
            ph = probe.ph_calibration.apply(raw, at_c)
            return ph, probe.ph_calibration.sigma(ph, at_c, probe.sigma, age_days)
        case Signal.PH_MV:
            if temperature_c is None:
                raise RangeError("a raw pH electrode needs the liquor's temperature, and that is not known")
            ph = ph_from_mv(raw, temperature_c, probe.ph_calibration)
            return ph, probe.ph_calibration.sigma(ph, temperature_c, probe.sigma, age_days)
