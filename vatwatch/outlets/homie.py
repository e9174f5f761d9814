"""vatwatch's state in the words of the Homie convention 5.0: topics, description, payloads, and checks on all three.

Pure: no clock, no connection. One device per daemon, one node per vat. An illegal value in a description makes
controllers drop the whole device, so everything built here is checked before it is handed on.
Source: Homie convention 5.0, https://homieiot.github.io (topic IDs, payloads, device attributes).
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from vatwatch.errors import ConfigError
from vatwatch.records import AlarmEvent, Measured, Scan, VatCard
from vatwatch.terms import ActionVerb, AlarmState, Flag, VatCondition

ROOT = "homie/5"
VERSION = "5.0"
STATES = ("init", "ready", "disconnected", "sleeping", "lost")
DATATYPES = ("integer", "float", "boolean", "string", "enum", "color", "datetime", "duration", "json")
SHED_NODE = "shed"
"""Stands for what is about no single vat; no vat is called so."""
ALARM_ACTION = "alarm-action"
ALARM_ACTION_FORMAT = json.dumps(
    {
        "type": "object",
        "required": ["verb", "alarm"],
        "additionalProperties": False,
        "properties": {
            "verb": {"enum": list(ActionVerb)},
            "alarm": {"type": "string"},
            "minutes": {"type": "number", "exclusiveMinimum": 0, "maximum": 1440},
            "by": {"type": "string", "maxLength": 40},
        },
    },
    separators=(",", ":"),
)
"""JSON Schema of an action, as the convention wants it for the datatype json."""
STATUS_WORDS = ("good", "suspect", "bad", "missing")

_ID = re.compile(r"[a-z0-9](?:[a-z0-9-]*[a-z0-9])?", re.ASCII)
_FLOAT = re.compile(r"-?[0-9]+(?:\.[0-9]+)?(?:[eE]-?[0-9]+)?", re.ASCII)
_INTEGER = re.compile(r"-?[0-9]+", re.ASCII)
_RANGE = re.compile(r"(?P<low>[^:]*):(?P<high>[^:]*)(?::(?P<step>[^:]*))?", re.ASCII)

_STATUS_OF_FLAG = {
    Flag.PASS: "good",
    # A value nobody has tested is not called good.
    Flag.NOT_EVALUATED: "suspect",
    Flag.SUSPECT: "suspect",
    Flag.FAIL: "bad",
    Flag.MISSING: "missing",
}
_STANDING = frozenset(
    {
        AlarmState.UNACKNOWLEDGED,
        AlarmState.ACKNOWLEDGED,
        AlarmState.LATCHED_UNACKNOWLEDGED,
        AlarmState.LATCHED_ACKNOWLEDGED,
    }
)
"""States in which the trouble is there and meant to be announced; shelved and suppressed ones are kept quiet."""


@dataclass(frozen=True, slots=True)
class Property:
    """One property of a vat's node. `format` and `unit` as the convention writes them."""

    id: str
    name: str
    datatype: str
    format: str = ""
    unit: str = ""


_STATUS_FORMAT = ",".join(STATUS_WORDS)
PROPERTIES = (
    Property("condition", "Condition", "enum", ",".join(VatCondition)),
    Property("ph", "pH at the liquor's temperature", "float", unit="pH"),
    Property("ph-status", "pH: quality of the reading", "enum", _STATUS_FORMAT),
    Property("ph-25c", "pH as it would be at 25 °C", "float", unit="pH"),
    Property("orp", "ORP against its own reference electrode", "float", unit="mV"),
    Property("orp-status", "ORP: quality of the reading", "enum", _STATUS_FORMAT),
    Property("eh", "Eh against the standard hydrogen electrode", "float", unit="mV"),
    Property("temperature", "Temperature", "float", unit="°C"),
    Property("temperature-status", "Temperature: quality of the reading", "enum", _STATUS_FORMAT),
    Property("reduction", "Indigo in its leuco form", "float", "0:100", "%"),
    Property("reduction-low", "Leuco form, 5 % bound", "float", "0:100", "%"),
    Property("reduction-high", "Leuco form, 95 % bound", "float", "0:100", "%"),
    Property("reduction-margin", "Margin below the half-reduced potential", "float", unit="mV"),
    Property("settled-from", "Settled from", "datetime"),
    Property("read-at", "Read at", "datetime"),
)
_PROPERTY = {prop.id: prop for prop in PROPERTIES}


def check_id(what: str, given: str) -> str:
    """The ID itself when the convention allows it as a topic level; else ConfigError."""
    if _ID.fullmatch(given) is None:
        raise ConfigError(
            f"{what} is {given!r}; a Homie ID has only a to z, 0 to 9 and hyphens, "
            "and neither begins nor ends with a hyphen"
        )
    return given


def device_topic(site_id: str, attribute: str) -> str:
    """Topic of a device attribute such as `$state`."""
    return f"{ROOT}/{site_id}/{attribute}"


def property_topic(site_id: str, vat: str, property_id: str) -> str:
    """Topic of one property of one vat."""
    return f"{ROOT}/{site_id}/{vat}/{property_id}"


def alert_topic(site_id: str, vat: str, alarm: str) -> str:
    """Topic of one alarm's alert text."""
    return f"{ROOT}/{site_id}/$alert/{vat}-{alarm}"


def description(site_name: str, cards: Iterable[VatCard], version: int, takes_actions: bool = False) -> str:
    """The `$description` document. `version` must be greater than that of any earlier, different document.

    With `takes_actions` each vat, and a node for the shed as a whole, has a property to act on its alarms.
    """
    action = {
        "name": "Answer an alarm",
        "datatype": "json",
        "format": ALARM_ACTION_FORMAT,
        "settable": True,
        "retained": False,
    }
    more = {ALARM_ACTION: action} if takes_actions else {}
    nodes: dict[str, Any] = {}
    for card in cards:
        check_id("the name of a vat", card.vat)
        nodes[card.vat] = {
            "name": card.name or card.vat,
            "type": "indigo vat",
            "properties": {prop.id: _property_entry(prop) for prop in PROPERTIES} | more,
        }
    if takes_actions:
        nodes[SHED_NODE] = {"name": "The shed as a whole", "type": "dye shed", "properties": more}
    document = {"homie": VERSION, "version": version, "name": site_name, "nodes": nodes}
    check_description(document)
    return json.dumps(document, ensure_ascii=False, separators=(",", ":"))


def scan_values(site_id: str, scan: Scan) -> dict[str, str]:
    """Topic → payload of every property of one vat. An empty payload deletes: the number is withdrawn."""
    reduction = scan.reduction
    values = {
        "condition": scan.condition.value,
        "ph": _measured(scan.ph, 2),
        "ph-status": _STATUS_OF_FLAG[scan.ph.flag],
        "ph-25c": _number(scan.ph_25c, 2),
        "orp": _measured(scan.orp_mv, 1),
        "orp-status": _STATUS_OF_FLAG[scan.orp_mv.flag],
        "eh": _number(scan.eh_mv, 1),
        "temperature": _measured(scan.temperature_c, 2),
        "temperature-status": _STATUS_OF_FLAG[scan.temperature_c.flag],
        "reduction": _number(None if reduction is None else 100.0 * reduction.share, 1),
        "reduction-low": _number(None if reduction is None else 100.0 * reduction.share_low, 1),
        "reduction-high": _number(None if reduction is None else 100.0 * reduction.share_high, 1),
        "reduction-margin": _number(None if reduction is None else reduction.margin_mv, 1),
        "settled-from": "" if scan.settled_from_ms is None else time_text(scan.settled_from_ms),
        "read-at": time_text(scan.slot_ms),
    }
    for property_id, payload in values.items():
        check_payload(_PROPERTY[property_id], payload)
    return {property_topic(site_id, scan.vat, property_id): payload for property_id, payload in values.items()}


def no_values(site_id: str, vat: str) -> dict[str, str]:
    """The same for a vat that was never read: everything withdrawn, the condition unknown."""
    values = {prop.id: "" for prop in PROPERTIES} | {"condition": VatCondition.UNKNOWN.value}
    values |= {prop.id: "missing" for prop in PROPERTIES if prop.id.endswith("-status")}
    return {property_topic(site_id, vat, property_id): payload for property_id, payload in values.items()}


def alerts(site_id: str, events: Iterable[AlarmEvent], names: Mapping[str, str]) -> dict[str, str]:
    """Topic → text of every alarm that stands. `names` maps a vat to what people call it."""
    texts: dict[str, str] = {}
    for event in events:
        if event.to_state not in _STANDING:
            continue
        whose = names.get(event.vat, event.vat) if event.vat else "The shed"
        text = f"{whose}: {event.alarm.replace('-', ' ')} since {time_text(event.slot_ms)}"
        if event.value is not None and math.isfinite(event.value):
            text += f", value {event.value:.4g}"
            if event.limit is not None and math.isfinite(event.limit):
                text += f" against a limit of {event.limit:.4g}"
        topic = alert_topic(site_id, event.vat or SHED_NODE, event.alarm)
        # Vat `a-b` with alarm `c` and vat `a` with alarm `b-c` share a topic: neither may hide the other.
        texts[topic] = f"{texts[topic]}; {text}" if topic in texts else text
    return texts


def time_text(time_ms: int) -> str:
    """ISO 8601 in UTC with milliseconds, as the datatype datetime wants it."""
    return datetime.fromtimestamp(time_ms / 1000, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def check_payload(prop: Property, payload: str) -> None:
    """Raise ValueError when a controller would refuse this payload. Empty is always legal: it deletes."""
    if payload == "":
        return
    legal = True
    if prop.datatype in ("float", "integer"):
        pattern = _FLOAT if prop.datatype == "float" else _INTEGER
        legal = pattern.fullmatch(payload) is not None and math.isfinite(float(payload))
        if legal and prop.format and (bounds := _RANGE.fullmatch(prop.format)) is not None:
            low, high = bounds["low"], bounds["high"]
            legal = (not low or float(payload) >= float(low)) and (not high or float(payload) <= float(high))
    elif prop.datatype == "boolean":
        legal = payload in ("true", "false")
    elif prop.datatype == "enum":
        legal = payload in prop.format.split(",")
    elif prop.datatype == "datetime":
        try:
            datetime.fromisoformat(payload)
        except ValueError:
            legal = False
    if not legal:
        raise ValueError(f"{payload!r} is not a {prop.datatype} payload of {prop.id} (format {prop.format!r})")


def check_description(document: Mapping[str, Any]) -> None:
    """Raise ValueError or ConfigError naming the first field the convention does not allow."""
    _expect(document.get("homie") == VERSION, "homie", document.get("homie"))
    version = document.get("version")
    _expect(isinstance(version, int) and not isinstance(version, bool) and 0 <= version < 2**63, "version", version)
    _expect(_is_text(document.get("name")), "name", document.get("name"))
    for node_id, node in document["nodes"].items():
        check_id("the name of a vat", node_id)
        _expect(_is_text(node.get("name")), f"{node_id}.name", node.get("name"))
        for property_id, entry in node["properties"].items():
            where = f"{node_id}.{property_id}"
            check_id("the name of a property", property_id)
            _expect(_is_text(entry.get("name")), f"{where}.name", entry.get("name"))
            datatype, form = entry.get("datatype"), entry.get("format")
            _expect(datatype in DATATYPES, f"{where}.datatype", datatype)
            _expect(form is None or _is_text(form), f"{where}.format", form)
            if datatype == "enum":
                words = (form or "").split(",")
                tidy = all(word and word == word.strip() for word in words) and len(set(words)) == len(words)
                _expect(tidy, f"{where}.format", form)
            elif datatype in ("float", "integer") and form is not None:
                parts = _RANGE.fullmatch(form)
                numbers = [] if parts is None else [part for part in parts.groups() if part]
                _expect(parts is not None and all(_FLOAT.fullmatch(n) for n in numbers), f"{where}.format", form)
            for key in ("settable", "retained"):
                _expect(isinstance(entry.get(key, True), bool), f"{where}.{key}", entry.get(key))
            _expect("unit" not in entry or _is_text(entry["unit"]), f"{where}.unit", entry.get("unit"))


def _property_entry(prop: Property) -> dict[str, Any]:
    entry: dict[str, Any] = {"name": prop.name, "datatype": prop.datatype, "settable": False, "retained": True}
    if prop.format:
        entry["format"] = prop.format
    if prop.unit:
        entry["unit"] = prop.unit
    return entry


def _measured(measured: Measured, digits: int) -> str:
    """A measured number, or nothing when it failed its checks: a bad number is withdrawn even where one is given."""
    return "" if measured.flag in (Flag.FAIL, Flag.MISSING) else _number(measured.value, digits)


def _number(value: float | None, digits: int) -> str:
    if value is None or not math.isfinite(value):
        return ""
    text = f"{value:.{digits}f}"
    return text[1:] if float(text) == 0.0 and text.startswith("-") else text


def _is_text(value: object) -> bool:
    return isinstance(value, str) and value != ""


def _expect(legal: bool, field: str, given: object) -> None:
    if not legal:
        raise ValueError(f"Homie description: {field} is {given!r}, which the convention does not allow")
