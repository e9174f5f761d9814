"""From the settings file to what each room needs: vats to judge, ports to read.

The only place that knows both the file's tables and the rooms' own settings. Mistakes found here name the table too.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import TypeAdapter

from vatwatch.chemistry.alkali import ph_equivalent_25c
from vatwatch.chemistry.calibration import (
    OrpCalibration,
    PhCalibration,
    PhPoint,
    fit_ph,
    point_from_ph_reading,
)
from vatwatch.chemistry.indigo import E7_PRIOR_MV
from vatwatch.config import CalibrationTable, Config, ProbeTable, SiteTable, VatTable
from vatwatch.errors import ConfigError, RangeError
from vatwatch.in_force import calibrations_in_force, made_ms, recalibrated
from vatwatch.port_tables import PortTable
from vatwatch.probes.lines import LineFormat
from vatwatch.probes.modbus import ModbusQuestion, register_of_sheet_number
from vatwatch.probes.sdi12 import Sdi12Question
from vatwatch.probes.settings import PortSettings, ProbeWiring, Question, plausible_numbers
from vatwatch.records import Calibration
from vatwatch.terms import Quantity, Signal
from vatwatch.vat.recipes import RECIPES
from vatwatch.vat.settings import (
    DAY_MS,
    HOUR_MS,
    MINUTE_MS,
    AlarmTiming,
    Deadbands,
    ProbeSettings,
    VatSettings,
    Window,
)

DEFAULT_SIGMA = {Quantity.PH: 0.02, Quantity.ORP: 3.0, Quantity.TEMPERATURE: 0.3}
"""Noise and resolution of an ordinary probe, 1 σ, in the quantity's unit. Common practice, no source."""
CALIBRATE_EVERY_DAYS = {Quantity.PH: 30.0, Quantity.ORP: 30.0, Quantity.TEMPERATURE: 365.0}
"""When a calibration is due again. Common practice, no source."""
CALIBRATED_ORP_SIGMA_MV = 5.0
"""What a check solution leaves unsure: ZoBell tables differ by 2 to 6 mV (Standard Methods 2580; Nordstrom 1977)."""


@contextmanager
def _naming(source: str, table: str) -> Iterator[None]:
    """Turn a room's own complaint into one that names file and table."""
    try:
        yield
    except (ConfigError, RangeError) as error:
        raise ConfigError(f"{source}, table [{table}]: {error}") from error


def vat_settings(
    config: Config, source: str = "settings", calibrations: Iterable[Calibration] = ()
) -> dict[str, VatSettings]:
    """What the judgement needs, per vat. Of `calibrations` those in force take the place of the file's own."""
    built = {}
    newest = calibrations_in_force(config, calibrations)
    for vat, table in config.vat.items():
        probes = []
        for name, probe in config.probe.items():
            if probe.vat == vat:
                with _naming(source, f"probe.{name}"):
                    own = _probe(name, probe)
                    probes.append(recalibrated(own, newest[name]) if name in newest else own)
        with _naming(source, f"vat.{vat}"):
            built[vat] = _vat(vat, table, tuple(probes), config.site.scan_s, config.site.timezone)
    return built


def _vat(vat: str, table: VatTable, probes: tuple[ProbeSettings, ...], scan_s: int, timezone: str) -> VatSettings:
    recipe = RECIPES[table.chemistry]
    alkali = table.alkali or recipe.alkali
    usual = recipe.ph_window(table.fibre)
    own, alarms = table.window, table.alarms
    low, high = own.ph_low, own.ph_high
    if usual is not None:
        at_25 = [ph_equivalent_25c(ph, recipe.ph_stated_at_c, alkali) for ph in usual]
        low = at_25[0] if low is None else low
        high = at_25[1] if high is None else high
    if low is None or high is None:
        raise ConfigError("window.ph_low and window.ph_high must both be given for this fibre")
    window = Window(
        ph_low=low,
        ph_high=high,
        temperature_low_c=_first(own.temperature_low_c, recipe.work_c[0]),
        temperature_high_c=_first(own.temperature_high_c, recipe.work_c[1]),
        ceiling_c=_first(own.ceiling_c, recipe.ceiling_c),
        reduction_low=_first(own.reduction_low, recipe.reduction_low),
        settle_ms=int(_first(own.settle_min, recipe.settle_minutes) * MINUTE_MS),
    )
    _in_order("ph_low", window.ph_low, "ph_high", window.ph_high, 2 * Deadbands().ph)
    _in_order(
        "temperature_low_c",
        window.temperature_low_c,
        "temperature_high_c",
        window.temperature_high_c,
        2 * Deadbands().temperature_c,
    )
    _in_order("temperature_high_c", window.temperature_high_c, "ceiling_c", window.ceiling_c)

    def minutes(value: float | None) -> int | None:
        return None if value is None else int(value * MINUTE_MS)

    back_ms = int(alarms.back_after_min * MINUTE_MS)
    return VatSettings(
        vat=vat,
        name=table.name or vat,
        recipe=recipe,
        fibre=table.fibre.value,
        volume_l=table.volume_l,
        warmed=table.warmed,
        alkali=alkali,
        alkali_g_l=table.alkali_g_l,
        window=window,
        probes=probes,
        scan_ms=scan_s * 1000,
        timezone=ZoneInfo(timezone),
        e7_mv=E7_PRIOR_MV,
        e7_sigma_mv=table.offset_sigma_mv,
        deadbands=Deadbands(),
        lead_ms=int(alarms.warn_ahead_h * HOUR_MS),
        # A trend must hold for a while before it is a warning, and a night before the same warning is news again.
        tiring_timing=AlarmTiming(20 * MINUTE_MS, 8 * HOUR_MS, None),
        heating_timing=AlarmTiming(MINUTE_MS, 10 * MINUTE_MS, 20 * MINUTE_MS, 60 * MINUTE_MS),
        unlogged_timing=AlarmTiming(0, 0, None),
        doubtful_timing=AlarmTiming(30 * MINUTE_MS, 8 * HOUR_MS, DAY_MS),
        off_timing=AlarmTiming(int(alarms.off_after_min * MINUTE_MS), back_ms, minutes(alarms.repeat_off_min)),
        overheat_timing=AlarmTiming(
            int(alarms.overheat_after_s * 1000),
            back_ms,
            minutes(alarms.repeat_overheat_min),
            minutes(alarms.repeat_overheat_seen_min),
        ),
        silent_timing=AlarmTiming(int(alarms.silent_after_s * 1000), scan_s * 1000, minutes(alarms.repeat_silent_min)),
    )


def _first(own: float | None, usual: float) -> float:
    return usual if own is None else own


def _in_order(low_name: str, low: float, high_name: str, high: float, apart: float = 0.0) -> None:
    """Limits closer than their deadbands would let a vat out and never in again."""
    if low >= high or high - low < apart:
        by = f" by at least {apart:g}" if apart else ""
        raise ConfigError(
            f"window: {low_name} is {low:g} and {high_name} is {high:g}; expected the first to be lower{by}"
        )


def _probe(name: str, table: ProbeTable) -> ProbeSettings:
    quantity = table.signal.quantity
    calibration = table.calibration
    orp = OrpCalibration()
    if calibration is not None and calibration.offset_mv is not None:
        orp = OrpCalibration(calibration.offset_mv, CALIBRATED_ORP_SIGMA_MV)
    stale_s = table.stale_after_s if table.stale_after_s is not None else max(3 * table.every_s, 30.0)
    return ProbeSettings(
        probe=name,
        signal=table.signal,
        stale_after_ms=int(stale_s * 1000),
        sigma=_first(table.sigma, DEFAULT_SIGMA[quantity]),
        reference=table.reference,
        ph_calibration=_ph_calibration(table.signal, calibration),
        orp_calibration=orp,
        temperature_offset_c=_first(calibration.offset_c if calibration else None, 0.0),
        calibrated_ms=made_ms(table),
        calibrate_every_ms=int(_first(table.calibrate_every_days, CALIBRATE_EVERY_DAYS[quantity]) * DAY_MS),
    )


def _ph_calibration(signal: Signal, table: CalibrationTable | None) -> PhCalibration:
    if table is None or not table.buffers_ph:
        return PhCalibration()
    if (signal is Signal.PH_MV) != bool(table.readings_mv):
        wanted = "readings_mv" if signal is Signal.PH_MV else "readings_ph"
        raise ConfigError(f"calibration: a probe whose signal is {signal.value} is calibrated with {wanted}")
    if table.readings_mv:
        return fit_ph(
            [
                PhPoint(mv, buffer, table.temperature_c)
                for mv, buffer in zip(table.readings_mv, table.buffers_ph, strict=True)
            ]
        )
    return fit_ph(
        [
            point_from_ph_reading(reading, buffer, table.temperature_c)
            for reading, buffer in zip(table.readings_ph, table.buffers_ph, strict=True)
        ]
    )


def port_settings(config: Config, source: str = "settings") -> list[PortSettings]:
    """What the readers need, per port that has a probe on it."""
    built = []
    for name, table in config.port.items():
        wirings = tuple(
            ProbeWiring(probe, t.vat, t.field, t.signal, t.scale, t.offset)
            for probe, t in config.probe.items()
            if t.port == name
        )
        if wirings:
            with _naming(source, f"port.{name}"):
                built.append(_port(name, table, wirings, config))
    return built


def _bytes(text: str, key: str) -> bytes:
    try:
        return text.encode("latin-1")
    except UnicodeEncodeError as error:
        raise ConfigError(f"{key} is {text!r}; expected characters that a serial line carries (Latin-1)") from error


def _port(name: str, table: PortTable, wirings: tuple[ProbeWiring, ...], config: Config) -> PortSettings:
    return PortSettings(
        port=name,
        device=table.device,
        baud=table.baud,
        bytesize=table.bytesize,
        parity=table.parity,
        stopbits=table.stopbits,
        questions=tuple(_questions(table, wirings)),
        ask_every_s=table.ask_every_s,
        silent_after_s=max(3 * config.probe[w.probe].every_s for w in wirings),
        probes=wirings,
    )


def _questions(table: PortTable, wirings: tuple[ProbeWiring, ...]) -> Iterator[Question]:
    for line in table.line:
        yield LineFormat(
            terminator=_bytes(line.terminator, "terminator"),
            ask=None if line.ask is None else _bytes(line.ask, "ask"),
            pattern=line.pattern,
            delimiter=line.delimiter,
            fields=line.fields,
            max_line=line.max_line,
            answer_within_s=line.answer_within_s,
        )
    for sdi12 in table.sdi12:
        yield Sdi12Question(
            address=sdi12.address,
            command=sdi12.command,
            crc=sdi12.crc,
            fields=sdi12.fields,
            answer_within_s=sdi12.answer_within_s,
            ready_within_s=sdi12.ready_within_s,
        )
    for modbus in table.modbus:
        if modbus.register_number is not None:
            function, address = register_of_sheet_number(modbus.register_number)
        else:
            # The table's own check: both are given when the number is not.
            function, address = modbus.function or 0, modbus.register_address or 0
        yield ModbusQuestion(
            field=modbus.field,
            unit=modbus.unit,
            function=function,
            address=address,
            type=modbus.type,
            order=modbus.word_order,
            scale=modbus.scale,
            plausible=plausible_numbers(wirings, modbus.field),
            answer_within_s=modbus.answer_within_s,
        )


_JUDGED = {"scan_s", "timezone"}


_CALIBRATIONS = TypeAdapter(dict[str, Calibration])


def judgement_text(config: Config, calibrations: Iterable[Calibration] = ()) -> str:
    """All settings that change results, as stored beside them, in the file's own order (it decides).

    The calibrations in force stand in it whole, so that a replay reads each record with the calibration it had.
    """
    whole = config.model_dump(mode="json", include={"site": _JUDGED, "vat": True, "probe": True})
    newest = calibrations_in_force(config, calibrations)
    if newest:
        whole["calibrations"] = _CALIBRATIONS.dump_python(dict(sorted(newest.items())), mode="json")
    return json.dumps(whole, separators=(",", ":"), ensure_ascii=False)


def vat_settings_from_text(text: str) -> dict[str, VatSettings]:
    """The vats as a stored version of the settings describes them (for replay). Raises ConfigError if it cannot."""
    raw: dict[str, Any] = json.loads(text)
    config = Config.model_construct(
        site=SiteTable.model_validate(raw["site"]),
        vat=TypeAdapter(dict[str, VatTable]).validate_python(raw["vat"]),
        probe=TypeAdapter(dict[str, ProbeTable]).validate_python(raw["probe"]),
    )
    calibrations = _CALIBRATIONS.validate_python(raw.get("calibrations", {}))
    return vat_settings(config, "stored settings", calibrations.values())
