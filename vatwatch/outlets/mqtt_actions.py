"""Alarm actions that come from the broker: what one message says, or why it is refused. Pure; hears and sends nothing.

One property per vat that can be set (Homie 5, datatype json, not retained), and one of a node for the shed as a whole:
`homie/5/SITE/VAT/alarm-action/set` with `{"verb": "shelve", "alarm": "off-cold", "minutes": 30, "by": "ida"}`.
"""

from __future__ import annotations

import json
import math
import re
from typing import Any, NoReturn

from vatwatch.errors import Refused
from vatwatch.outlets.homie import ALARM_ACTION, ROOT, SHED_NODE
from vatwatch.records import AlarmAction
from vatwatch.terms import ActionVerb

LARGEST_BYTES = 512
MOST_MINUTES = 24 * 60
_KEYS = {"verb", "alarm", "minutes", "by"}
_ALARM = re.compile(r"[a-z0-9-]{1,64}", re.ASCII)
_BY_MOST = 40


def set_topic(site_id: str, node: str) -> str:
    """Where actions on the alarms of one node are published; `+` for every node."""
    return f"{ROOT}/{site_id}/{node}/{ALARM_ACTION}/set"


def node_of(site_id: str, topic: str) -> str | None:
    """The node whose action topic this is; None for any other topic."""
    begin, end = f"{ROOT}/{site_id}/", f"/{ALARM_ACTION}/set"
    node = topic[len(begin) : -len(end)] if topic.startswith(begin) and topic.endswith(end) else ""
    return node if node and "/" not in node else None


def read_action(node: str, payload: bytes, retained: bool, action_id: str, now_ms: int) -> AlarmAction:
    """The action a message asks for. Raises Refused with a sentence; whether there is such an alarm is looked at later."""
    if retained:
        raise Refused("it is retained: an old command must not act again with every connection; send it unretained")
    if len(payload) > LARGEST_BYTES:
        raise Refused(f"it is longer than {LARGEST_BYTES} bytes")
    try:
        given = json.loads(payload.decode("utf-8"), parse_constant=_no_constant)
    except (ValueError, RecursionError) as error:
        raise Refused("it is not JSON in UTF-8") from error
    if not isinstance(given, dict) or not {"verb", "alarm"} <= given.keys() <= _KEYS:
        raise Refused('expected an object with "verb" and "alarm", and perhaps "minutes" and "by"')
    verb, alarm = given["verb"], given["alarm"]
    if not isinstance(verb, str) or verb not in set(ActionVerb):
        raise Refused(f"verb: expected one of {', '.join(ActionVerb)}")
    if not isinstance(alarm, str) or _ALARM.fullmatch(alarm) is None:
        raise Refused("alarm: expected a name of small letters, digits and hyphens")
    until_ms = _until(given, ActionVerb(verb), now_ms)
    by = given.get("by", "")
    if not isinstance(by, str) or len(by) > _BY_MOST or not (by == "" or by.isprintable()):
        raise Refused(f"by: expected a name of at most {_BY_MOST} letters")
    vat = "" if node == SHED_NODE else node
    return AlarmAction(action_id, now_ms, vat, alarm, ActionVerb(verb), until_ms, by or "mqtt")


def _until(given: dict[str, Any], verb: ActionVerb, now_ms: int) -> int | None:
    minutes = given.get("minutes")
    if minutes is None:
        return None
    if verb is not ActionVerb.SHELVE:
        raise Refused(f"minutes: belongs to shelve, given with {verb.value}")
    number = isinstance(minutes, (int, float)) and not isinstance(minutes, bool)
    if not number or not math.isfinite(minutes) or not 0 < minutes <= MOST_MINUTES:
        raise Refused(f"minutes: expected a number above 0, up to {MOST_MINUTES}")
    return now_ms + max(1, int(minutes * 60_000))


def _no_constant(word: str) -> NoReturn:
    raise ValueError(f"{word} is not a number")
