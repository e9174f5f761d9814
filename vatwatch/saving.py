"""Judged slots on their way to the store: committed in order, kept in memory while the disk is full, nothing lost.

While they cannot be committed, pushes cannot travel through the store either; urgent ones are then handed to
`send_unsaved`, which sends them straight to the phones. Each push keeps its id, so the phone shows a repetition as one.
"""

from __future__ import annotations

import logging
from collections import deque
from collections.abc import Callable, Sequence

from vatwatch.errors import StoreError, StoreFull
from vatwatch.records import Batch, Push
from vatwatch.store.writing import StoreWriter
from vatwatch.terms import Urgency

log = logging.getLogger(__name__)

MOST_UNSAVED_BATCHES = 20_000
"""Judged slots waiting for a full disk: about two days of 10 s scans. The oldest go, counted."""
TRIES_BEFORE_SETTING_ASIDE = 3


class Saver:
    """Used by the recorder's thread alone; `trouble`, `lost_batches` and `waiting` may be read from any."""

    def __init__(self, writer: StoreWriter, send_unsaved: Callable[[Sequence[Push]], None]) -> None:
        self._writer = writer
        self._send_unsaved = send_unsaved
        self._unsaved: deque[Batch] = deque()
        self._failed_tries = 0
        self._sent: set[str] = set()
        self.lost_batches = 0
        self.trouble = ""

    @property
    def waiting(self) -> int:
        return len(self._unsaved)

    def add(self, batch: Batch) -> None:
        self._unsaved.append(batch)
        while len(self._unsaved) > MOST_UNSAVED_BATCHES:
            self._unsaved.popleft()
            self.lost_batches += 1

    def save(self) -> bool:
        """Commit every waiting batch in order, stopping at the first that cannot be. True if something was committed."""
        saved = False
        while self._unsaved:
            try:
                self._writer.append(self._unsaved[0])
            except StoreFull as error:
                self._tell_trouble(str(error))
                break
            except StoreError as error:
                self._failed_tries += 1
                self._tell_trouble(str(error))
                if self._failed_tries < TRIES_BEFORE_SETTING_ASIDE:
                    break
                self._unsaved.popleft()
                self.lost_batches += 1
                self._failed_tries = 0
                continue
            self._unsaved.popleft()
            self._failed_tries = 0
            saved = True
        if not self._unsaved and self.trouble:
            log.warning("the store takes writes again; everything kept in memory is saved")
            self.trouble = ""
            self._sent.clear()
        return saved

    def _tell_trouble(self, text: str) -> None:
        if text != self.trouble:
            log.error("the record is kept in memory only (%d slots): %s", len(self._unsaved), text)
            if not self.trouble:
                self._send([self._trouble_push(text)])
            self.trouble = text
        self._send(
            [
                push
                for batch in self._unsaved
                for step in batch.steps
                for push in step.pushes
                if push.urgency is Urgency.DANGER and push.push_id not in self._sent
            ]
        )

    def _send(self, pushes: Sequence[Push]) -> None:
        if pushes:
            self._sent.update(push.push_id for push in pushes)
            self._send_unsaved(pushes)

    def _trouble_push(self, text: str) -> Push:
        slot_ms = self._unsaved[0].slot_ms
        return Push(
            push_id=f"store-trouble-{slot_ms}",
            slot_ms=slot_ms,
            vat="",
            alarm="store-trouble",
            urgency=Urgency.DANGER,
            title="vatwatch cannot write its record",
            body=f"{text}\nThe vats are still watched and danger is still told, but other messages wait until there is room.",
        )
