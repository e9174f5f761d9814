"""Judges a whole store again from its samples and journal, and compares with what was stored.

Independent of the daemon's own restart code: it starts from nothing and uses only the reader and the pure step."""

from __future__ import annotations

from pathlib import Path

from vatwatch.assembly import vat_settings_from_text
from vatwatch.store.reading import StoreReader
from vatwatch.vat.doings import initial_state
from vatwatch.vat.pipeline import step


def replay_differences(path: Path, vat: str) -> tuple[int, list[str]]:
    """(slots compared, differences in words) for one vat's whole record."""
    differences: list[str] = []
    count = 0
    with StoreReader(path) as reader:
        state = None
        for slot in reader.replay_slots(vat, 0, 2**62):
            settings = vat_settings_from_text(reader.settings(slot.settings_version))[vat]
            state = state or initial_state(settings)
            state, result = step(settings, state, slot.slot_ms, slot.samples, slot.journal, slot.actions)
            count += 1
            for name, now, then in (
                ("scan", result.scan, slot.scan),
                ("samples", result.samples, slot.samples),
                ("alarm events", result.alarm_events, slot.alarm_events),
                ("pushes", result.pushes, slot.pushes),
            ):
                if repr(now) != repr(then):
                    differences.append(f"slot {slot.slot_ms}: {name}\n  now  {now!r}\n  then {then!r}")
    return count, differences
