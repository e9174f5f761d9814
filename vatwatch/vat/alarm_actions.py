"""What a person may do to an alarm, told before it is done: unknown alarms and what a danger does not allow. Pure.

The alarm's own life (`alarms.py`) holds the same bounds whatever comes; here they are said in words to whoever asks.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from vatwatch.records import AlarmAction
from vatwatch.terms import ActionVerb, Urgency
from vatwatch.vat.alarms import LONGEST_DANGER_SHELVE_MS, LONGEST_SHELVE_MS, AlarmDefinition


def complaint(action: AlarmAction, definitions: Mapping[str, AlarmDefinition], whose: str) -> str:
    """Why this cannot be done to that alarm, for the person who wants it; empty when it can."""
    definition = definitions.get(action.alarm)
    if definition is None:
        return f"{whose} has no alarm {action.alarm[:64]!r}; its alarms: {', '.join(sorted(definitions))}"
    if action.verb is ActionVerb.OUT_OF_SERVICE and definition.urgency is Urgency.DANGER:
        return f"{action.alarm} tells of danger and is never out of service; shelve it, for an hour at most"
    if action.verb is ActionVerb.SHELVE and action.until_ms is not None and action.until_ms <= action.time_ms:
        return "the time until which it is to be shelved is over already"
    return ""


def bounded(action: AlarmAction, definition: AlarmDefinition, now_ms: int) -> AlarmAction:
    """The action with the end of its shelving as it will be: 24 h at most, a danger's an hour."""
    if action.verb is not ActionVerb.SHELVE:
        return action
    longest_ms = LONGEST_DANGER_SHELVE_MS if definition.urgency is Urgency.DANGER else LONGEST_SHELVE_MS
    wished_ms = now_ms + longest_ms if action.until_ms is None else action.until_ms
    return replace(action, until_ms=min(wished_ms, now_ms + longest_ms))
