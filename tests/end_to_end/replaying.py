"""Judges a whole store again from its samples and journal, and compares with what was stored, down to the last bit.

The program's own back-test does the work: it starts from nothing, knows none of the daemon's restart code, and uses only
the reader and the pure step. Here even 0.0 and -0.0 must agree."""

from __future__ import annotations

from pathlib import Path

from vatwatch.season.replay import replay_vat
from vatwatch.store.reading import StoreReader
from vatwatch.trial_settings import settings_by_version


def replay_differences(path: Path, vat: str) -> tuple[int, list[str]]:
    """(slots compared, the first differences in words) for one vat's whole record."""
    with StoreReader(path) as reader:
        replay = replay_vat(
            vat,
            reader.replay_slots(vat, 0, 2**62),
            settings_by_version(reader)(vat),
            same=lambda now, then: repr(now) == repr(then),
        )
    assert bool(replay.differing) == bool(replay.examples)
    return replay.slots, list(replay.examples)
