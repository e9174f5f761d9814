"""What is about the shed as a whole, once per slot: evening and morning messages, and the shed's own alarms.

Used by the recorder's thread alone. Looks at the machine through `facts`, once a minute; judges nothing itself.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo

from vatwatch.calibration_due import overdue
from vatwatch.records import AlarmAction, AlarmEvent, Push
from vatwatch.store.reading import StoreReader
from vatwatch.vat.settings import MINUTE_MS, VatSettings
from vatwatch.vat.shed_alarms import ShedFacts, ShedState, moved, shed_from_json, shed_to_json, step_shed

log = logging.getLogger(__name__)

LOOK_EVERY_MS = MINUTE_MS
OF_SHED = ""
"""Stands for the shed where a vat's name stands."""


@dataclass(frozen=True, slots=True)
class ShedStep:
    """What is to be kept of one step. `snapshots` holds the shed's state whenever it has changed."""

    events: tuple[AlarmEvent, ...]
    pushes: tuple[Push, ...]
    snapshots: dict[str, str]


class ShedWatch:
    """The shed's alarms with their state. `facts` may be left out: then only calibrations are looked at."""

    def __init__(self, zone: tzinfo, facts: Callable[[], ShedFacts] | None = None) -> None:
        self._zone = zone
        self._look = facts
        self._facts = ShedFacts()
        self._looked_ms: int | None = None
        self._state = ShedState()
        self._actions: list[AlarmAction] = []
        self._unkept = False

    def restore(self, reader: StoreReader) -> None:
        """Take up the state where it was kept, with what was handed in since. Raises StoreError."""
        kept = reader.latest_snapshot(OF_SHED)
        if kept is not None:
            try:
                self._state = shed_from_json(kept[1])
            except (ValueError, KeyError, TypeError):
                log.warning("the kept state of the shed's alarms cannot be read; they begin afresh")
        self._actions = reader.waiting(OF_SHED, -1 if kept is None else kept[0])[1]

    def put_right(self, by_ms: int) -> None:
        """The clock was wrong by so much: the timers that run were begun that much later (or earlier)."""
        self._state = moved(self._state, by_ms)
        self._looked_ms = None
        self._unkept = True

    def step(self, slot_ms: int, vats: Mapping[str, VatSettings], actions: Sequence[AlarmAction]) -> ShedStep:
        """Judge the shed at the end of a slot."""
        if self._looked_ms is None or slot_ms - self._looked_ms >= LOOK_EVERY_MS:
            self._looked_ms = slot_ms
            self._facts = self._found(slot_ms, vats)
        taken = [*self._actions, *actions]
        self._actions = []
        state, events, pushes = step_shed(self._state, slot_ms, self._facts, taken, self._zone)
        # With the slot, in one transaction: there is no replay that would give it again.
        snapshots = {OF_SHED: shed_to_json(state)} if state != self._state or taken or self._unkept else {}
        self._state, self._unkept = state, False
        return ShedStep(tuple(events), tuple(pushes), snapshots)

    def _found(self, slot_ms: int, vats: Mapping[str, VatSettings]) -> ShedFacts:
        facts = ShedFacts()
        if self._look is not None:
            try:
                facts = self._look()
            except Exception:  # a machine that cannot be looked at must not end the watch of the vats
                log.exception("the machine could not be looked at")
        return replace(facts, overdue=overdue(vats.values(), slot_ms, self._zone))
