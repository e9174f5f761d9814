"""When each probe's calibration was made and when it is due again, in words. Pure; the alarm itself is the vat's."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo

from vatwatch.vat.settings import ProbeSettings, VatSettings
from vatwatch.vat.shed_alarms import Overdue

TOLD_AT_HOUR = 9
"""A calibration that falls due in the night is told at this local hour: nobody need wake up for buffers."""


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


def overdue(vats: Iterable[VatSettings], now_ms: int, zone: tzinfo) -> tuple[Overdue, ...]:
    """The probes to be told of: due, and a morning has come since."""
    found = []
    for vat in vats:
        for probe in vat.probes:
            due = due_ms(probe)
            if due is not None and now_ms >= _morning_after(due, zone):
                found.append(Overdue(probe.probe, vat.name, _due(probe, now_ms, zone).words))
    return tuple(found)


def _morning_after(time_ms: int, zone: tzinfo) -> int:
    then = datetime.fromtimestamp(time_ms / 1000, tz=UTC).astimezone(zone)
    morning = then.replace(hour=TOLD_AT_HOUR, minute=0, second=0, microsecond=0)
    if morning < then:
        morning += timedelta(days=1)
    return int(morning.timestamp() * 1000)


def _due(probe: ProbeSettings, now_ms: int, zone: tzinfo) -> Due:
    due = due_ms(probe)
    if due is None or probe.calibrated_ms is None:
        told = f"no dated calibration; `vatwatch calibrate {probe.probe}` makes one"
        return Due(probe.probe, None, told)
    made = f"calibrated on {_day(probe.calibrated_ms, zone)}"
    if now_ms >= due:
        return Due(probe.probe, True, f"{made}, calibration due since {_day(due, zone)}")
    return Due(probe.probe, False, f"{made}, due again on {_day(due, zone)}")


def _day(time_ms: int, zone: tzinfo) -> str:
    then = datetime.fromtimestamp(time_ms / 1000, zone)
    return f"{then.day} {then:%B %Y}"
