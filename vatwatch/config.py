"""The settings file: TOML in, checked models out, and errors a dyer can act on.

Every mistake names file, table, key, the value given and what is expected; all mistakes are told at once. Unknown keys
are mistakes, with the nearest known key. Secrets never stand in the file: they are named by files of their own.
"""

from __future__ import annotations

import difflib
import tomllib
from datetime import date, time
from pathlib import Path
from typing import Annotated, Any, Self, get_args
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import BaseModel, Field, ValidationError, field_validator, model_validator

from vatwatch.chemistry.alkali import Alkali
from vatwatch.chemistry.electrodes import ReferenceElectrode
from vatwatch.errors import ConfigError
from vatwatch.file_rights import refuse_writable_by_others
from vatwatch.outlet_tables import HeartbeatTable, InfluxTable, MqttTable, PhoneTable
from vatwatch.port_tables import PortTable, Table
from vatwatch.terms import Quantity, Signal
from vatwatch.vat.night import NightSettings
from vatwatch.vat.recipes import RECIPES, Chemistry, Fibre

WHOLE_SHED = "shed"
"""What stands where a vat's name stands for things that are about no single vat."""
Identifier = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]{0,30}$")]
Ph = Annotated[float, Field(ge=0, le=14)]
Celsius = Annotated[float, Field(ge=0, le=100)]


class SiteTable(Table):
    """The shed, and where its record is kept."""

    id: Identifier = Field("shed", description="short name, used in topics and tags")
    name: str = Field("The dye shed", min_length=1, max_length=60, description="name shown to people")
    timezone: str = Field("UTC", description="IANA time zone of clocks on screens and phones")
    data: Path = Field(Path("vatwatch-data"), description="directory of the record; relative to this file")
    clock_set_file: Path | None = Field(
        None, description="a file that is there once this machine's clock is right; without it the system is asked"
    )
    scan_s: int = Field(10, ge=1, le=300, description="seconds of one scan: judgement happens once per scan")

    @field_validator("timezone")
    @classmethod
    def _known_zone(cls, value: str) -> str:
        try:
            ZoneInfo(value)
        except (ZoneInfoNotFoundError, ValueError, OSError) as error:
            raise ValueError("expected an IANA time zone such as 'Europe/Lisbon'") from error
        return value


class WindowTable(Table):
    """Your own limits; what is left out comes from the chemistry. pH limits are meant at 25 °C."""

    ph_low: Ph | None = Field(None, description="lowest pH for dyeing, at 25 °C")
    ph_high: Ph | None = Field(None, description="highest pH for dyeing, at 25 °C")
    temperature_low_c: Celsius | None = Field(None, description="coldest for dyeing, °C")
    temperature_high_c: Celsius | None = Field(None, description="warmest for dyeing, °C")
    ceiling_c: Celsius | None = Field(None, description="overheat alarm, °C")
    reduction_low: float | None = Field(
        None, ge=0.5, le=0.99, description="least reduced share for dyeing, 0.5 to 0.99"
    )
    settle_min: float | None = Field(None, ge=0, le=1440, description="rest after stir, feed, dip or top-up, minutes")


class AlarmTable(Table):
    """How long something must last before it is told, and how often it is told again."""

    off_after_min: float = Field(5, ge=0, le=240, description="outside the window this long before a push, minutes")
    back_after_min: float = Field(5, ge=0, le=240, description="inside again this long before it counts, minutes")
    overheat_after_s: float = Field(30, ge=0, le=600, description="above the ceiling this long before a push, seconds")
    silent_after_s: float = Field(60, ge=0, le=3600, description="withdrawn this long before a push, seconds")
    warn_ahead_h: float = Field(3, gt=0, le=12, description="tell this long before the vat leaves its window, hours")
    repeat_off_min: float | None = Field(240, ge=5, description="push again while outside, minutes")
    repeat_overheat_min: float | None = Field(10, ge=1, description="push again while too hot, minutes")
    repeat_overheat_seen_min: float | None = Field(60, ge=1, description="and this often once acknowledged, minutes")
    repeat_silent_min: float | None = Field(240, ge=5, description="push again while silent, minutes")


class VatTable(Table):
    """One vat."""

    name: str | None = Field(None, min_length=1, max_length=40, description="name shown to people")
    chemistry: Chemistry = Field(description="how the vat is made")
    fibre: Fibre = Field(Fibre.CELLULOSE, description="what is dyed in it")
    volume_l: float | None = Field(None, gt=0, le=10000, description="litres of liquor")
    warmed: bool = Field(False, description="whether a heater works in or under it")
    alkali: Alkali | None = Field(None, description="the alkali it is kept with, if not the chemistry's usual one")
    alkali_g_l: float | None = Field(None, gt=0, le=50, description="grams of it per litre the vat was made with")
    offset_sigma_mv: float = Field(50, ge=5, le=100, description="how unsure the estimate starts, mV (1 sigma)")
    window: WindowTable = WindowTable()
    alarms: AlarmTable = AlarmTable()

    @model_validator(mode="after")
    def _fibre_suits(self) -> Self:
        if RECIPES[self.chemistry].ph_window(self.fibre) is None and None in (self.window.ph_low, self.window.ph_high):
            raise ValueError(
                f"a {self.chemistry.value} vat does not suit {self.fibre.value} fibre; "
                "choose another fibre, or give window.ph_low and window.ph_high yourself"
            )
        return self


class CalibrationTable(Table):
    """What the probe read in known solutions (pH), or what to add to it (ORP, temperature)."""

    buffers_ph: tuple[Ph, ...] = Field((), description="pH of the buffers at their temperature")
    readings_ph: tuple[float, ...] = Field((), description="what a pH transmitter showed in them")
    readings_mv: tuple[float, ...] = Field((), description="what a raw pH electrode gave in them, mV")
    temperature_c: Celsius = Field(25, description="temperature of the buffers, °C")
    offset_mv: float | None = Field(None, ge=-300, le=300, description="ORP: added to the reading, mV")
    offset_c: float | None = Field(None, ge=-20, le=20, description="temperature: added to the reading, °C")
    made_on: date | None = Field(None, description="the day it was made, such as 2026-05-03")

    @model_validator(mode="after")
    def _pairs(self) -> Self:
        readings = self.readings_ph or self.readings_mv
        if self.readings_ph and self.readings_mv:
            raise ValueError("readings_ph and readings_mv are both given; expected one of them")
        if len(readings) != len(self.buffers_ph) or len(readings) > 5:
            raise ValueError("expected as many readings as buffers_ph, one to five")
        return self


class ProbeTable(Table):
    """One electrode or thermometer: which number on which port it is, and which vat it stands in."""

    vat: Identifier = Field(description="the vat it stands in")
    port: Identifier = Field(description="the port its numbers come from")
    field: str = Field(min_length=1, description="the name of its number on that port")
    signal: Signal = Field(description="what the number is")
    scale: float = Field(1.0, description="the number is multiplied by this")
    offset: float = Field(0.0, description="and this is added")
    every_s: float = Field(10, gt=0, le=86400, description="how often a number is expected, seconds")
    stale_after_s: float | None = Field(None, gt=0, le=86400, description="withdrawn when older, seconds")
    sigma: float | None = Field(None, gt=0, description="its noise, 1 sigma, in its own unit (pH, mV, °C)")
    reference: ReferenceElectrode | None = Field(None, description="ORP: the reference electrode")
    calibration: CalibrationTable | None = Field(None, description="what it read in known solutions")
    calibrate_every_days: float | None = Field(
        None, gt=0, le=3650, description="due again after so many days; pH and ORP 30, thermometers 365 if left out"
    )

    @model_validator(mode="after")
    def _electrode_is_named(self) -> Self:
        if self.signal is Signal.ORP_MV and self.reference is None:
            known = ", ".join(e.value for e in ReferenceElectrode)
            raise ValueError(f"an ORP probe needs `reference`, printed on it or in its sheet; expected one of {known}")
        return self


class NightTable(Table):
    """One message in the evening (will each vat hold until morning?) and one in the morning (what happened?)."""

    evening: time | None = Field(time(20, 0), description="local time of the evening outlook, such as 20:00:00")
    morning: time | None = Field(time(7, 0), description="local time of the morning report")
    enabled: bool = Field(True, description="whether they are sent at all")
    silent_when_well: bool = Field(False, description="no message when there is nothing worth saying")

    def settings(self, timezone: str) -> NightSettings:
        """What the recorder needs of this table."""

        def minute(at: time | None) -> int | None:
            return None if at is None or not self.enabled else at.hour * 60 + at.minute

        return NightSettings(ZoneInfo(timezone), minute(self.evening), minute(self.morning), self.silent_when_well)


class PageTable(Table):
    """The web page at the vat."""

    enabled: bool = Field(True, description="whether the page is served")
    host: str = Field(
        "127.0.0.1", min_length=1, max_length=253, description="address it is served at; 0.0.0.0 for the local network"
    )
    port: int = Field(8417, ge=1, le=65535, description="its port")
    address: str | None = Field(
        None, pattern=r"^https?://[^/@\s]+(/[^\s]*)?$", description="link put into pushes, if not the page's own"
    )
    passphrase_file: Path | None = Field(None, description="file that `vatwatch passphrase` wrote")
    guests: bool = Field(False, description="whether anybody on the network may look without the passphrase")

    @model_validator(mode="after")
    def _locked_on_a_network(self) -> Self:
        if self.enabled and self.passphrase_file is None and self.host not in ("127.0.0.1", "localhost", "::1"):
            raise ValueError(
                "a page that others on the network can reach needs passphrase_file; write one with "
                "`vatwatch passphrase`, or leave host at 127.0.0.1"
            )
        return self


class Config(Table):
    """The whole settings file."""

    site: SiteTable = SiteTable()
    vat: dict[Identifier, VatTable] = Field(min_length=1, description="at least one [vat.NAME]")
    port: dict[Identifier, PortTable] = Field(default_factory=dict, description="[port.NAME]")
    probe: dict[Identifier, ProbeTable] = Field(default_factory=dict, description="[probe.NAME]")
    mqtt: MqttTable | None = None
    influx: InfluxTable | None = None
    phone: dict[Identifier, PhoneTable] = Field(default_factory=dict, description="[phone.NAME]")
    heartbeat: HeartbeatTable | None = None
    night: NightTable = NightTable()
    page: PageTable = PageTable()

    def warnings(self) -> list[str]:
        """Things that are allowed but leave a vat unwatched."""
        found = []
        for vat in self.vat:
            have = {probe.signal.quantity for probe in self.probe.values() if probe.vat == vat}
            missing = [q.value for q in Quantity if q not in have]
            if missing:
                found.append(f"vat {vat} has no probe for {', '.join(missing)}: it stays unknown until it has one")
        if not self.phone:
            found.append("no [phone.NAME] table: pushes are kept and shown, but reach no phone")
        return found


def load_config(path: Path) -> Config:
    """Read and check the file at `path`. Raises ConfigError with every mistake in it, or when others may write it."""
    refuse_writable_by_others(path)
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise ConfigError(f"{path}: cannot be read ({error.strerror}); expected the settings file there") from error
    except UnicodeDecodeError as error:
        raise ConfigError(f"{path}: is not UTF-8 text (byte {error.start})") from error
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(f"{path}: is not TOML: {error}") from error
    config = check_config(raw, str(path))
    data = config.site.data
    if data.is_absolute():
        return config
    return config.model_copy(update={"site": config.site.model_copy(update={"data": path.resolve().parent / data})})


def check_config(raw: dict[str, Any], source: str) -> Config:
    """Checked settings from parsed TOML; `source` names the file in messages."""
    try:
        config = Config.model_validate(raw)
    except ValidationError as error:
        lines = [_line(source, dict(e)) for e in error.errors(include_url=False)]
        raise ConfigError("\n".join(lines)) from error
    mistakes = list(_crossings(config, source))
    if mistakes:
        raise ConfigError("\n".join(mistakes))
    return config


def _crossings(config: Config, source: str) -> list[str]:
    """Mistakes between tables."""
    found = []
    for name, probe in config.probe.items():
        for key, value, known in (("vat", probe.vat, config.vat), ("port", probe.port, config.port)):
            if value not in known:
                listed = ", ".join(sorted(known)) or f"a [{key}.NAME] table, and there is none"
                found.append(
                    f'{source}, table [probe.{name}], key {key}: given "{value}", expected one of: {listed}'
                    + _did_you_mean(value, known)
                )
    for name, phone in config.phone.items():
        found += [
            f'{source}, table [phone.{name}], key vats: given "{vat}", expected some of: {", ".join(sorted(config.vat))}'
            + _did_you_mean(vat, config.vat)
            for vat in phone.vats
            if vat not in config.vat
        ]
    if WHOLE_SHED in config.vat:
        found.append(
            f'{source}, table [vat.{WHOLE_SHED}]: "{WHOLE_SHED}" stands for the shed as a whole in commands and topics; '
            "expected another short name"
        )
    for vat in config.vat:
        for quantity in (Quantity.PH, Quantity.ORP):
            same = [
                name for name, probe in config.probe.items() if probe.vat == vat and probe.signal.quantity is quantity
            ]
            if len(same) > 1:
                # Two that disagree have no honest middle; two thermometers are held against each other instead.
                found.append(
                    f"{source}, table [probe.{same[1]}]: vat {vat} has another {quantity.value} probe, {same[0]}; "
                    "expected one of each"
                )
    return found


def _line(source: str, error: dict[str, Any]) -> str:
    location = [_printable(str(part)) for part in error["loc"] if part != "[key]"]
    given, kind = error.get("input"), error["type"]
    if kind in ("extra_forbidden", "missing"):
        table, key = location[:-1], location[-1]
    elif kind == "value_error" and isinstance(given, dict):
        table, key = location, ""
    else:
        table, key = location[:-1], location[-1] if location else ""
    where = f"{source}, table [{'.'.join(table)}]" if table else source
    model = _model_at(table)
    if kind == "extra_forbidden":
        known = list(model.model_fields) if model else []
        return f"{where}: unknown key {key}{_did_you_mean(key, known)}; known here: {', '.join(known)}"
    if kind == "missing":
        info = model.model_fields.get(key) if model else None
        meaning = f" ({info.description})" if info and info.description else ""
        return f"{where}: key {key}{meaning} is missing; add it"
    message = str(error["msg"]).removeprefix("Value error, ").removeprefix("Input should be ")
    if kind == "string_pattern_mismatch" and "a-z0-9-" in message:
        message = "a short name of small letters, digits and hyphens"
    elif kind == "string_pattern_mismatch" and "https?" in message:
        message = "an address that begins with http:// or https:// and has no user or password in it"
    elif kind == "string_pattern_mismatch" and "[^@/" in message:
        message = "the broker's name or address alone; port, username and password_file are keys of their own"
    message = message.removeprefix("expected ")
    key_words = f", key {key}" if key else ""
    shown = "" if isinstance(given, dict) and not key else f" given {_shown(given, table, key)}, expected"
    return f"{where}{key_words}:{shown} {message}"


def _printable(name: str) -> str:
    return name if name.isprintable() else repr(name)


_SECRET_KEYS = ("password", "passwort", "token", "secret", "passphrase")


def _shown(value: object, table: list[str], key: str) -> str:
    """The value as given; never one that may hold a secret, since messages end up in logs."""
    secret = any(word in key for word in _SECRET_KEYS) and not key.endswith("_file")
    if secret or (table[:1] == ["phone"] and key.startswith("url")) or "@" in str(value):
        return "what is not shown here"
    text = f'"{_printable(value)}"' if isinstance(value, str) else repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _did_you_mean(word: str, known: Any) -> str:
    near = difflib.get_close_matches(word, [str(k) for k in known], n=1, cutoff=0.6)
    return f" (did you mean {near[0]}?)" if near else ""


def _model_at(table: list[str]) -> type[BaseModel] | None:
    """The model that describes a table, found by walking field types along its path."""
    model: type[BaseModel] | None = Config
    for part in table:
        if model is None:
            return None
        info = model.model_fields.get(part)
        if info is None:
            continue  # a NAME in [vat.NAME], or the index of a list of tables
        model = _table_in(info.annotation)
    return model


def _table_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for argument in get_args(annotation):
        found = _table_in(argument)
        if found is not None:
            return found
    return None
