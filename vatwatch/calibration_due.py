"""When each probe's calibration was made and when it is due again, in words. Pure; the alarm itself is the vat's."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, tzinfo

from vatwatch.vat.settings import ProbeSettings, VatSettings


@dataclass(frozen=True, slots=True)
class Due:
    """One probe's calibration. `overdue` is None when nobody said when it was made."""

    probe: str
    overdue: bool | None
    words: str


def due_ms(probe: ProbeSettings) -> int | None:
    """When the probe is due again; None when nobody said when its calibration was made."""
    return None if probe.calibrated_ms is None else probe.calibrated_ms + probe.calibrate_every_ms


def calibrations_due(vats: Iterable[VatSettings], now_ms: int, zone: tzinfo) -> list[Due]:
    """Every probe of every vat, in the order of the settings."""
    return [_due(probe, now_ms, zone) for vat in vats for probe in vat.probes]


def _due(probe: ProbeSettings, now_ms: int, zone: tzinfo) -> Due:
    due = due_ms(probe)
    if due is None or probe.calibrated_ms is None:
        told = "no dated calibration; `vatwatch calibrate` makes one"
        return Due(probe.probe, None, told)
    made = f"calibrated on {_day(probe.calibrated_ms, zone)}"
    if now_ms >= due:
        return Due(probe.probe, True, f"{made}, calibration due since {_day(due, zone)}")
    return Due(probe.probe, False, f"{made}, due again on {_day(due, zone)}")


def _day(time_ms: int, zone: tzinfo) -> str:
    then = datetime.fromtimestamp(time_ms / 1000, zone)
    return f"{then.day} {then:%B %Y}"
