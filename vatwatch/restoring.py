"""A vat's state as it was after its newest stored slot: the newest snapshot, and a replay of the slots behind it.

Reads the record only. The replay judges each slot with the settings it was judged with then, so it ends in the very same
state, bit for bit.
"""

from __future__ import annotations

import logging

from vatwatch import assembly
from vatwatch.errors import ConfigError, StoreError
from vatwatch.store.reading import StoreReader
from vatwatch.vat.doings import initial_state
from vatwatch.vat.pipeline import step_or_unknown
from vatwatch.vat.settings import VatSettings
from vatwatch.vat.state import VatState, state_from_json

log = logging.getLogger(__name__)


_END_MS = 2**62


def restored(reader: StoreReader, vat: str, settings: VatSettings, through_ms: int = _END_MS) -> VatState:
    """A vat's state after its newest stored slot up to `through_ms`: the newest snapshot, and a replay of what follows.

    The snapshot must not be newer than `through_ms`.
    """
    snapshot = reader.latest_snapshot(vat)
    state, from_ms = initial_state(settings), 0
    if snapshot is not None:
        try:
            state, from_ms = state_from_json(snapshot[1]), snapshot[0] + 1
        except (ValueError, KeyError, TypeError):
            log.warning("vat %s: the kept state cannot be read; replaying from the first sample", vat)
    return replayed(reader, vat, state, from_ms, through_ms)


def replayed(reader: StoreReader, vat: str, state: VatState, from_slot_ms: int, through_ms: int = _END_MS) -> VatState:
    """`state` after every stored slot from `from_slot_ms` through `through_ms`, each judged with its own settings."""
    known: dict[int, VatSettings | None] = {}
    for slot in reader.replay_slots(vat, from_slot_ms, through_ms + 1):
        version = slot.settings_version
        if version not in known:
            try:
                known[version] = assembly.vat_settings_from_text(reader.settings(version)).get(vat)
            except (ConfigError, StoreError, ValueError, KeyError) as error:  # damaged and salvaged, or very old
                log.warning("settings version %d cannot be read any more (%s); its slots are skipped", version, error)
                known[version] = None
        settings = known[version]
        if settings is not None:
            state, _result, _failed = step_or_unknown(
                settings, state, slot.slot_ms, slot.samples, slot.journal, slot.actions
            )
    return state
