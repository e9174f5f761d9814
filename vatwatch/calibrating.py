"""What a calibration needs of the machine: live readings of one probe, word to the watch, a place for the result.

While the daemon runs, readings come from its record and everything is handed in through its inbox: nothing is stopped.
Otherwise the port is opened here and the result is written to the store. What is said to the person stands in
`calibration_dialogue.py`, what the readings mean in `chemistry/`.
"""

from __future__ import annotations

import time
import uuid
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Protocol

from vatwatch import assembly
from vatwatch.chemistry.calibration import PhPoint, point_from_ph_reading
from vatwatch.chemistry.check_solutions import CheckSolution
from vatwatch.chemistry.electrode_health import Fault, Verdict, judge_orp, judge_ph, judge_thermometer
from vatwatch.chemistry.steadiness import Pace, Rest
from vatwatch.chemistry.thermometers import temperature_c_from_pt100
from vatwatch.config import Config, ProbeTable
from vatwatch.errors import ConfigError, ProbeError, RangeError, StoreError
from vatwatch.probes.reader import PortReader
from vatwatch.records import Calibration, CalibrationPoint, JournalEntry, PortEvent, Sample
from vatwatch.store import inbox
from vatwatch.store.presence import is_written
from vatwatch.store.reading import StoreReader
from vatwatch.store.writing import StoreWriter
from vatwatch.terms import EntryKind, Quantity, Signal
from vatwatch.vat.settings import ProbeSettings

OHM_PER_C = 0.385
"""Pt100 near room temperature (IEC 60751: 0.3851 Ω/°C between 0 and 100 °C)."""
MV_PER_PH = 59.2
SMALL_STEP = {
    Signal.PH: 0.01,
    Signal.PH_MV: 0.01 * MV_PER_PH,
    Signal.ORP_MV: 1.0,
    Signal.TEMPERATURE_C: 0.1,
    Signal.PT100_OHM: 0.1 * OHM_PER_C,
}
"""What passes as standing still over the window, in the signal's own unit. Judgement of this project, no source."""
UNIT = {Signal.PH: "", Signal.PH_MV: " mV", Signal.ORP_MV: " mV", Signal.TEMPERATURE_C: " °C", Signal.PT100_OHM: " Ω"}


def noise_of(probe: ProbeSettings) -> float:
    """The probe's own noise, 1 σ, in its signal's unit."""
    return probe.sigma * {Signal.PH_MV: MV_PER_PH, Signal.PT100_OHM: OHM_PER_C}.get(probe.signal, 1.0)


def fault_of_rest(rest: Rest, signal: Signal, hold_s: float, trouble: str) -> tuple[Fault, str]:
    """Why a reading that never came to rest is no calibration; `trouble` is what is known of a silent probe."""
    if rest.pace is Pace.NOISY:
        return Fault.NOISY, (
            f"it scatters by {rest.scatter:.2g}{UNIT[signal]} and does not quieten: a wet plug, a broken screen, an air "
            "bubble at the tip, or a dry junction"
        )
    if rest.pace is Pace.DRIFTING:
        return Fault.DRIFTING, (
            f"it still moves by {rest.moved:+.2g}{UNIT[signal]} in {hold_s:.0f} s and does not settle: a dry or blocked "
            "junction, or a film on the tip. Clean it, and leave it a night in storage solution"
        )
    return Fault.SILENT, f"too few readings came: {trouble}"


def now_ms() -> int:
    return time.time_ns() // 1_000_000


class Readings(Protocol):
    """Raw samples of the probes of one port, as they come."""

    def since(self, probe: str, from_ms: int) -> list[Sample]: ...

    def trouble(self) -> str: ...

    def close(self) -> None: ...


class RecordedReadings:
    """Readings of a probe the running daemon reads: it keeps every sample, so they are read from its record."""

    def __init__(self, store_path: Path, vat: str) -> None:
        self._reader = StoreReader(store_path)
        self._vat = vat

    def since(self, probe: str, from_ms: int) -> list[Sample]:
        return [s for s in self._reader.samples(self._vat, from_ms, 2**62) if s.probe == probe and s.value is not None]

    def trouble(self) -> str:
        return "the watch has recorded nothing of it; `vatwatch now` shows what it says of the probe"

    def close(self) -> None:
        self._reader.close()


class PortReadings:
    """Readings of a port that nobody else reads at the moment."""

    def __init__(self, config: Config, source: str, port: str) -> None:
        settings = next(p for p in assembly.port_settings(config, source) if p.port == port)
        self._samples: list[Sample] = []
        self._trouble = f"nothing usable came over {settings.device}; `vatwatch check` looks further"
        self._reader = PortReader(settings, now_ms, self._take)
        self._reader.start()

    def _take(self, records: Sequence[Sample | PortEvent]) -> None:
        for record in records:
            if isinstance(record, Sample):
                if record.value is not None:
                    self._samples.append(record)
            elif record.event != "opened":
                self._trouble = record.detail

    def since(self, probe: str, from_ms: int) -> list[Sample]:
        return [s for s in list(self._samples) if s.probe == probe and s.time_ms >= from_ms]

    def trouble(self) -> str:
        return self._trouble

    def close(self) -> None:
        self._reader.stop(3.0)


class Bench:
    """One probe on the bench: its settings, its readings, and the watch it belongs to.

    Raises ConfigError for a probe the settings do not name, or an ORP probe without its reference.
    """

    def __init__(self, config: Config, source: str, probe: str, store_path: Path, inbox_path: Path, by: str) -> None:
        if probe not in config.probe:
            known = ", ".join(config.probe) or "none"
            raise ConfigError(f"there is no probe {probe!r} in {source}; known: {known}")
        self.table: ProbeTable = config.probe[probe]
        self.vat = self.table.vat
        self.probe = probe
        self.by = by
        self._config, self._source = config, source
        self._store_path, self._inbox_path = store_path, inbox_path
        self._vats = assembly.vat_settings(config, source, self.history(None))
        self.settings = self.settings_of(probe)
        self.watched = is_written(store_path)
        """Whether the daemon ran when the bench was laid out."""

    def settings_of(self, probe: str) -> ProbeSettings:
        return next(p for p in self._vats[self._config.probe[probe].vat].probes if p.probe == probe)

    def thermometers(self) -> list[str]:
        """Other probes on the same port, in the same vat, that could stand in the cup as well."""
        return [
            name
            for name, table in self._config.probe.items()
            if table.signal.quantity is Quantity.TEMPERATURE
            and (table.vat, table.port) == (self.vat, self.table.port)
            and name != self.probe
        ]

    def history(self, probe: str | None) -> list[Calibration]:
        """Every calibration of one probe, or of all, oldest first."""
        if not self._store_path.exists():
            return []
        with StoreReader(self._store_path) as reader:
            return reader.calibrations(probe)

    def open_readings(self) -> Readings:
        if self.watched:
            return RecordedReadings(self._store_path, self.vat)
        return PortReadings(self._config, self._source, self.table.port)

    @property
    def vat_name(self) -> str:
        return self._vats[self.vat].name

    @property
    def warmed(self) -> bool:
        return self._vats[self.vat].warmed

    def take_out(self, probes: Sequence[str], minutes: float) -> None:
        """Tell the watch that these probes leave the liquor; returns when it has heard."""
        self._notice(EntryKind.PROBE_OUT, probes, minutes)

    def put_back(self, probes: Sequence[str]) -> None:
        """Tell the watch that these probes are back in the liquor."""
        self._notice(EntryKind.PROBE_BACK, probes, None)

    def _notice(self, kind: EntryKind, probes: Sequence[str], minutes: float | None) -> None:
        if not is_written(self._store_path):
            return
        moment = now_ms()
        entries = [
            JournalEntry(
                uuid.uuid4().hex, moment, moment, self.vat, kind, probe, minutes=minutes, text="calibration", by=self.by
            )
            for probe in probes
        ]
        self._hand_in([inbox.drop(self._inbox_path, entry) for entry in entries])

    def keep(self, calibration: Calibration) -> str:
        """Keep it in the store, through the daemon where it runs; says how. Raises StoreError when it was not taken."""
        if not is_written(self._store_path):
            try:
                with StoreWriter.open(self._store_path) as writer:
                    writer.record_calibration(calibration)
            except StoreError:
                if not is_written(self._store_path):
                    raise
            else:
                return "it is kept in the store; the watch uses it from its next start"
        self._hand_in([inbox.drop(self._inbox_path, calibration)])
        return "the running watch has taken it and uses it from its next scan"

    def _hand_in(self, paths: Sequence[Path]) -> None:
        """Wait until the daemon has taken what was handed in; at the latest it looks once in a scan."""
        deadline = time.monotonic() + 2 * self._config.site.scan_s + 20
        while any(path.exists() for path in paths):
            if time.monotonic() > deadline:
                raise StoreError(
                    "the watch has not taken what was handed in; it stays in the inbox. See what `vatwatch now` says"
                )
            time.sleep(0.1)
        for path in paths:
            reason = path.parent / "rejected" / (path.name + ".reason")
            if reason.exists():
                raise StoreError(f"the watch did not take it. {reason.read_text(encoding='utf-8').strip()}")


def _verdict(bench: Bench, points: Sequence[CalibrationPoint]) -> Verdict:
    signal, first = bench.table.signal, points[0]
    if signal.quantity is Quantity.PH:
        t90s = [point.t90_s for point in points if point.t90_s is not None]
        return judge_ph([_ph_point(signal, point) for point in points], max(t90s, default=None))
    if signal.quantity is Quantity.ORP:
        reference = bench.table.reference
        if reference is None:
            raise ConfigError(f"probe {bench.probe} has no `reference`; expected the electrode printed on it")
        solution = CheckSolution(first.solution)
        return judge_orp(first.reading, solution, reference, first.temperature_c, first.reading_sigma)
    reading, sigma = first.reading, first.reading_sigma
    if signal is Signal.PT100_OHM:
        reading, sigma = temperature_c_from_pt100(reading), sigma / OHM_PER_C
    return judge_thermometer(reading, first.expected, sigma, first.expected_sigma)


def _ph_point(signal: Signal, point: CalibrationPoint) -> PhPoint:
    make: Callable[[float, float, float, float, float], PhPoint]
    make = PhPoint if signal is Signal.PH_MV else point_from_ph_reading
    return make(point.reading, point.expected, point.temperature_c, point.reading_sigma, point.expected_sigma)


def concluded(
    bench: Bench, points: Sequence[CalibrationPoint], made_ms: int, fault: tuple[Fault, str] | None = None
) -> Calibration:
    """The calibration that these points make, accepted or refused; `fault` is one met before they were complete."""
    if fault is None and not points:
        raise ProbeError("no solution was read; nothing can be concluded")
    if fault is not None:
        verdict = Verdict(fault[0], (fault[1],))
    else:
        try:
            verdict = _verdict(bench, points)
        except RangeError as error:
            words = f"{error}: is this the probe that stands in the solution, and is its signal named rightly?"
            verdict = Verdict(Fault.WRONG_PROBE, (words,))
    ph, orp = verdict.ph, verdict.orp
    offset, sigma = verdict.offset_c, verdict.offset_c_sigma
    if ph is not None:
        offset, sigma = ph.offset_mv, ph.offset_mv_sigma
    elif orp is not None:
        offset, sigma = orp.offset_mv, orp.sigma_mv
    return Calibration(
        calibration_id=uuid.uuid4().hex,
        time_ms=made_ms,
        vat=bench.vat,
        probe=bench.probe,
        signal=bench.table.signal,
        accepted=verdict.fault is None,
        points=tuple(points),
        offset=offset,
        offset_sigma=sigma,
        slope_share=None if ph is None else ph.slope_share,
        slope_share_sigma=None if ph is None else ph.slope_share_sigma,
        offset_slope_covariance_mv=None if ph is None else ph.offset_slope_covariance_mv,
        judgement=verdict.words,
        fault="" if verdict.fault is None else verdict.fault.value,
        by=bench.by,
    )
