"""Every settings example in the notes and in the README is a config: each loads, and becomes ports and vats.

A fragment is completed with the least that makes it whole: a vat, and the port its probes name.
"""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest

from vatwatch import assembly
from vatwatch.cli import app
from vatwatch.config import Config, check_config
from vatwatch.probes.lines import LineCodec, LineFormat, LineReading
from vatwatch.terms import EntryKind, Look, Signal

ROOT = Path(__file__).parents[2]
PAGES = (*sorted((ROOT / "hardware_notes").glob("*.md")), ROOT / "README.md")
FENCE = re.compile(r"^```(\S*)[^\n]*\n(.*?)^```", re.MULTILINE | re.DOTALL)
SAMPLE = re.compile(r"^# one line of it: (.*)$", re.MULTILINE)


def examples() -> dict[str, str]:
    found: dict[str, str] = {}
    for page in PAGES:
        text = page.read_text(encoding="utf-8")
        for match in FENCE.finditer(text):
            if match.group(1) == "toml":
                found[f"{page.relative_to(ROOT)}:{text.count(chr(10), 0, match.start()) + 1}"] = match.group(2)
    return found


def completed(raw: dict[str, Any]) -> dict[str, Any]:
    """The example with what it leaves out: its probes' own lines, their port, their vat."""
    whole = {**raw, "probe": {name: dict(table) for name, table in raw.get("probe", {}).items()}}
    whole["port"] = dict(raw.get("port", {}))
    for name, probe in whole["probe"].items():
        if "signal" not in probe:
            probe |= _signal_of(probe.get("calibration", {}))
        probe.setdefault("vat", "tub")
        probe.setdefault("field", name)
        port = probe.setdefault("port", "elsewhere")
        if port not in raw.get("port", {}):
            known = whole["port"].setdefault(
                port, {"device": "/dev/ttyUSB0", "line": [{"delimiter": ",", "fields": []}]}
            )
            known["line"][0]["fields"].append(probe["field"])
    for probe in whole["probe"].values():
        whole["vat"] = {**{probe["vat"]: {"chemistry": "hydrosulfite"}}, **whole.get("vat", {})}
    whole.setdefault("vat", {"tub": {"chemistry": "hydrosulfite"}})
    return whole


def _signal_of(calibration: dict[str, Any]) -> dict[str, str]:
    if "offset_mv" in calibration:
        return {"signal": "orp_mv", "reference": "agcl_3m_kcl"}
    if "offset_c" in calibration:
        return {"signal": "temperature_c"}
    return {"signal": "ph_mv" if "readings_mv" in calibration else "ph"}


def load(name: str) -> Config:
    return check_config(completed(tomllib.loads(examples()[name])), name)


@pytest.mark.parametrize("name", examples())
def test_it_is_a_config(name: str) -> None:
    raw = tomllib.loads(examples()[name])
    config = load(name)
    vats = assembly.vat_settings(config, name)
    ports = assembly.port_settings(config, name)
    assert {probe.probe for vat in vats.values() for probe in vat.probes} == set(config.probe)
    assert {port.port for port in ports} >= set(raw.get("port", {})), "every port shown has a probe on it"
    assert {wiring.probe for port in ports for wiring in port.probes} == set(config.probe)


def shown_lines() -> list[tuple[str, str]]:
    """Each sample line, with the [[port.NAME.line]] table that follows it."""
    found = []
    for text in examples().values():
        for match in SAMPLE.finditer(text):
            table = text[match.end() :].lstrip("\n").split("\n\n")[0]
            found.append((match.group(1), re.sub(r"^\[\[.*\]\]$", "", table, count=1, flags=re.MULTILINE)))
    return found


@pytest.mark.parametrize(("line", "table"), shown_lines())
def test_the_line_shown_is_read_by_the_table_below_it(line: str, table: str) -> None:
    given = tomllib.loads(table)
    terminator = given.get("terminator", "\r\n").encode()
    codec = LineCodec(
        LineFormat(
            terminator=terminator,
            ask=given["ask"].encode() if "ask" in given else None,
            pattern=given.get("pattern"),
            delimiter=given.get("delimiter"),
            fields=tuple(given.get("fields", ())),
        )
    )
    codec.reset(mid_line=False)
    (reading,) = codec.feed(line.encode() + terminator)
    assert isinstance(reading, LineReading), reading
    for name, value in reading.values:
        assert format(value, "g") in re.sub(r"\.0+\b", "", line), f"{name} stands in the line as it was read"


def test_every_line_table_shows_a_line() -> None:
    tables = sum(text.count(".line]]") for name, text in examples().items() if name.startswith("hardware_notes/"))
    assert len(shown_lines()) == tables > 0


def test_each_protocol_and_each_signal_is_shown() -> None:
    configs = [load(name) for name in examples()]
    ports = [port for config in configs for port in config.port.values()]
    for protocol in ("line", "sdi12", "modbus"):
        assert any(getattr(port, protocol) for port in ports), protocol
    assert {probe.signal for config in configs for probe in config.probe.values()} == set(Signal)


def test_every_command_named_is_one() -> None:
    commands = {command.name or getattr(command.callback, "__name__", "") for command in app.registered_commands}
    for page in (*PAGES, *(ROOT / "systemd").glob("*")):
        for command in re.findall(r"(?:`|sudo |bin/)vatwatch ([a-z]+)", page.read_text(encoding="utf-8")):
            assert command in commands, f"{page.name} names `vatwatch {command}`"


def test_every_entry_written_down_is_of_a_known_kind() -> None:
    for page in (*PAGES, *(ROOT / "systemd").glob("*.md")):
        for kind in re.findall(r"vatwatch note [a-z-]+ ([a-z-]+)", page.read_text(encoding="utf-8")):
            assert kind in set(EntryKind), f"{page.name} writes down a {kind}"


def test_every_look_named_is_one() -> None:
    for page in (*PAGES, *(ROOT / "systemd").glob("*.md")):
        for look in re.findall(r"vatwatch note [a-z-]+ check ([a-z-]+)", page.read_text(encoding="utf-8")):
            assert look in set(Look), f"{page.name} names the look {look}"


def test_every_link_between_the_notes_leads_somewhere() -> None:
    for page in PAGES:
        for target in re.findall(r"\]\(([^)#:]+)\)", page.read_text(encoding="utf-8")):
            assert (page.parent / target).exists(), f"{page.name} links to {target}"
