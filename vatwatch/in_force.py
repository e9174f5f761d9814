"""Which calibration of a probe counts: the newest accepted one, from the store or from the settings file.

Pure choice and arithmetic; it reads no store and writes none.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, datetime, time

from vatwatch.chemistry.calibration import OrpCalibration, PhCalibration
from vatwatch.chemistry.ranges import require_range
from vatwatch.config import Config, ProbeTable
from vatwatch.errors import RangeError
from vatwatch.records import Calibration
from vatwatch.terms import Quantity
from vatwatch.vat.settings import ProbeSettings


def made_ms(table: ProbeTable) -> int | None:
    """When the calibration in the settings file was made, as it says itself: midnight UTC of `made_on`."""
    day = None if table.calibration is None else table.calibration.made_on
    return None if day is None else int(datetime.combine(day, time(), UTC).timestamp() * 1000)


def calibrations_in_force(config: Config, calibrations: Iterable[Calibration]) -> dict[str, Calibration]:
    """By probe, the newest accepted calibration, where the settings file holds no newer one of its own.

    The file's own without `made_on` counts as given at the start. One made of another signal than the probe gives now,
    or whose numbers cannot be used, is passed over.
    """
    newest: dict[str, Calibration] = {}
    for calibration in calibrations:
        known = newest.get(calibration.probe)
        if (known is None or calibration.time_ms >= known.time_ms) and not why_unusable(config, calibration):
            newest[calibration.probe] = calibration
    made = {name: made_ms(config.probe[name]) for name in newest}
    return {name: one for name, one in newest.items() if (made[name] or 0) <= one.time_ms}


def why_unusable(config: Config, calibration: Calibration) -> str:
    """Why a calibration cannot be used with these settings; empty when it can."""
    table = config.probe.get(calibration.probe)
    if table is None:
        return f"there is no probe {calibration.probe!r} in the settings; known: {', '.join(config.probe) or 'none'}"
    if table.signal is not calibration.signal:
        return f"it was made of {calibration.signal.value}, and {calibration.probe} gives {table.signal.value} now"
    if not calibration.accepted:
        return f"it was refused ({calibration.fault})"
    bare = ProbeSettings(calibration.probe, table.signal, 1, 1.0)
    try:
        recalibrated(bare, calibration)
    except RangeError as error:
        return str(error)
    return ""


def recalibrated(probe: ProbeSettings, calibration: Calibration) -> ProbeSettings:
    """The probe with what a calibration found. Raises RangeError when its numbers are no calibration."""
    offset, sigma = calibration.offset, calibration.offset_sigma
    if offset is None or sigma is None:
        raise RangeError(f"the calibration of {calibration.probe} has no offset; expected one with its sigma")
    made = replace(probe, calibrated_ms=calibration.time_ms)
    match probe.signal.quantity:
        case Quantity.PH:
            slope, slope_sigma = calibration.slope_share, calibration.slope_share_sigma
            if slope is None or slope_sigma is None:
                raise RangeError(f"the calibration of {calibration.probe} has no slope; expected one with its sigma")
            covariance = calibration.offset_slope_covariance_mv or 0.0
            return replace(made, ph_calibration=PhCalibration(offset, slope, sigma, slope_sigma, covariance))
        case Quantity.ORP:
            return replace(made, orp_calibration=OrpCalibration(offset, sigma))
        case Quantity.TEMPERATURE:
            require_range(offset, -20.0, 20.0, "thermometer offset", "°C", "a working thermometer")
            require_range(sigma, 0.0, 20.0, "thermometer offset sigma", "°C", "a calibration")
            return replace(made, temperature_offset_c=offset, temperature_offset_sigma_c=sigma)
