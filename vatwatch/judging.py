"""Every vat's judgement, slot by slot: holds the settings in force and the states, and says what each slot gives.

Belongs to the pipeline thread alone. Knows no clock, thread or queue, and writes nothing: the recorder does.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass

from vatwatch.records import AlarmAction, JournalEntry, Outlook, Push, Sample, StepResult
from vatwatch.restoring import restored
from vatwatch.store.reading import StoreReader
from vatwatch.vat.night import NightSettings, VatNow, night_pushes
from vatwatch.vat.outlook import is_news, outlook
from vatwatch.vat.pipeline import step_or_unknown
from vatwatch.vat.settings import VatSettings
from vatwatch.vat.state import VatState, state_to_json

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Judged:
    """What one slot gave: a step per vat, messages about the whole shed, and what has come into sight or gone from it."""

    steps: tuple[StepResult, ...]
    shed_pushes: tuple[Push, ...]
    outlooks: dict[str, Outlook | None]


class Judging:
    """Vats under watch and the state of each."""

    def __init__(self, vats: dict[str, VatSettings]) -> None:
        self.vats = vats
        self.night = NightSettings(next(iter(vats.values())).timezone, None, None)
        self.failing: set[str] = set()
        self._states: dict[str, VatState] = {}
        self._in_sight: dict[str, Outlook | None] = {}

    @property
    def scan_ms(self) -> int:
        return next(iter(self.vats.values())).scan_ms

    def restore(
        self, reader: StoreReader, through_ms: int = 2**62
    ) -> tuple[int, list[JournalEntry], list[AlarmAction]]:
        """Each vat's state as it was after its newest stored slot; gives that slot and what was handed in after it.

        Slots after `through_ms` are passed over.
        """
        newest_ms = 0
        journal: list[JournalEntry] = []
        actions: list[AlarmAction] = []
        for vat, settings in self.vats.items():
            state = restored(reader, vat, settings, through_ms)
            self._states[vat] = state
            newest_ms = max(newest_ms, state.slot_ms or 0)
            waiting_journal, waiting_actions = reader.waiting(vat)
            journal.extend(waiting_journal)
            actions.extend(waiting_actions)
        return newest_ms, journal, actions

    def judge(
        self,
        before_ms: int,
        slot_ms: int,
        samples: Sequence[Sample],
        journal: Sequence[JournalEntry],
        actions: Sequence[AlarmAction],
    ) -> Judged:
        """One slot of every vat, the one in (before, slot]; the states move on."""
        now = []
        steps = []
        for vat, settings in self.vats.items():
            self._states[vat], result, failed = step_or_unknown(
                settings,
                self._states[vat],
                slot_ms,
                [sample for sample in samples if sample.vat == vat],
                [entry for entry in journal if entry.vat == vat],
                [action for action in actions if action.vat == vat],
            )
            if failed is not None and vat not in self.failing:
                log.error("vat %s cannot be judged and is shown as unknown", vat, exc_info=failed)
            (self.failing.discard if failed is None else self.failing.add)(vat)
            steps.append(result)
            now.append(VatNow(settings, self._states[vat], result.scan))
        return Judged(tuple(steps), tuple(night_pushes(self.night, now, before_ms, slot_ms)), self._news_in_sight(now))

    def snapshots(self) -> dict[str, str]:
        """Every vat's state as text, for a restart."""
        return {vat: state_to_json(state) for vat, state in self._states.items()}

    def _news_in_sight(self, vats: Sequence[VatNow]) -> dict[str, Outlook | None]:
        """What is in sight for each vat, where that is another word than the one that stands."""
        found = {}
        for now in vats:
            vat = now.settings.vat
            after = outlook(now.settings, now.state, now.scan)
            if vat not in self._in_sight or is_news(self._in_sight[vat], after):
                self._in_sight[vat] = found[vat] = after
        return found
