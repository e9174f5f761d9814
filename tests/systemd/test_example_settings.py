"""The example settings file loads as it is, and with each switched-off line switched on; and it names every key."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from pydantic import BaseModel

from vatwatch import assembly
from vatwatch.config import (
    CalibrationTable,
    Config,
    PageTable,
    ProbeTable,
    SiteTable,
    VatTable,
    check_config,
)
from vatwatch.outlet_tables import HeartbeatTable, InfluxTable, MqttTable, PhoneTable
from vatwatch.port_tables import LineTable, PortTable

EXAMPLE = Path(__file__).parents[2] / "systemd" / "vatwatch.example.toml"
TEXT = EXAMPLE.read_text(encoding="utf-8")
OFF = re.compile(r"^#(?=[a-z\[])")
# What has to go when an alternative to it is switched on.
INSTEAD_OF: dict[str, dict[str, str | None]] = {
    "pattern": {"delimiter": None, "fields": None},
    "readings_mv": {"readings_ph": None, 'signal = "ph" ': 'signal = "ph_mv" '},
    "url": {"url_file": None},
}


def load(text: str) -> Config:
    config = check_config(tomllib.loads(text), EXAMPLE.name)
    assembly.vat_settings(config, EXAMPLE.name)
    assembly.port_settings(config, EXAMPLE.name)
    return config


def switched_on() -> dict[str, str]:
    """The file once for each switched-off setting, with that one on; a switched-off table comes on as a whole."""
    lines = TEXT.splitlines()
    found: dict[str, str] = {}
    for number, line in enumerate(lines):
        if not OFF.match(line):
            continue
        if line.startswith("#["):
            end = next((n for n in range(number, len(lines)) if not OFF.match(lines[n])), len(lines))
            on = [OFF.sub("", each) if number <= n < end else each for n, each in enumerate(lines)]
            found[line[1:]] = "\n".join(on)
            continue
        key = line[1:].split(" ", 1)[0]
        table = next(each for each in reversed(lines[:number]) if each.lstrip("#").startswith("["))
        if table.startswith("#"):
            continue  # comes on with its table
        on = [*lines[:number], line[1:], *lines[number + 1 :]]
        for old, new in INSTEAD_OF.get(key, {}).items():
            hit = next(n for n, each in enumerate(on) if each.startswith(old))
            on[hit] = "" if new is None else on[hit].replace(old, new)
        found[f"{table} {key}"] = "\n".join(on)
    return found


def test_it_loads_as_it_is() -> None:
    config = load(TEXT)
    assert config.warnings() == ["no [phone.NAME] table: pushes are kept and shown, but reach no phone"]
    assert config.mqtt is None
    assert config.influx is None


@pytest.mark.parametrize("name", switched_on())
def test_every_line_that_is_switched_off_can_be_switched_on(name: str) -> None:
    load(switched_on()[name])


def test_all_three_outlets_are_shown() -> None:
    config = load("\n".join(OFF.sub("", line) if _in_outlet(n) else line for n, line in enumerate(TEXT.splitlines())))
    assert config.mqtt is not None
    assert config.influx is not None
    assert list(config.phone) == ["pocket"]


def _in_outlet(number: int) -> bool:
    lines = TEXT.splitlines()
    table = next((each for each in reversed(lines[: number + 1]) if each.lstrip("#").startswith("[")), "")
    return table.startswith(("#[mqtt]", "#[influx]", "#[phone"))


# `url` is left out on purpose: an address with nothing secret in it is rare, and url_file is always right.
LEFT_OUT = {"url"}
TABLES: tuple[type[BaseModel], ...] = (
    SiteTable, VatTable, LineTable, PortTable, ProbeTable, CalibrationTable, MqttTable, InfluxTable, PhoneTable,
    HeartbeatTable, PageTable,
)  # fmt: skip


@pytest.mark.parametrize("table", TABLES)
def test_no_key_is_missing_from_it(table: type[BaseModel]) -> None:
    named = set(re.findall(r"^#?([a-z_0-9]+) =", TEXT, re.MULTILINE))
    named |= {part for heading in re.findall(r"^#?\[\[?([^\]]+)\]", TEXT, re.MULTILINE) for part in heading.split(".")}
    wanted = set(table.model_fields) - LEFT_OUT - {"sdi12", "modbus"}
    assert wanted <= named, f"{EXAMPLE.name} does not show {sorted(wanted - named)}"
