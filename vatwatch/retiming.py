"""Scans taken while the clock was in doubt, judged once more with their true times, as if it had been right all along.

Samples, entries and actions are what was measured and done: only their times move, all by the same step, since the
clock ran evenly meanwhile. What was judged from them is judged anew. Used by the pipeline thread alone.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from vatwatch.clock import Clock
from vatwatch.judging import Judging
from vatwatch.records import AlarmAction, Batch, JournalEntry, PortEvent, Sample
from vatwatch.store.doubt import Doubt
from vatwatch.store.reading import StoreReader
from vatwatch.store.writing import StoreWriter
from vatwatch.vat.settings import VatSettings

log = logging.getLogger(__name__)

LEAST_MS = 1_000
"""A difference up to this is none: the clock was right, though nobody could say so."""
_END_MS = 2**62
_SLOTS_TOGETHER = 60


@dataclass(frozen=True, slots=True)
class Retimed:
    """What came of it: the states after the last slot, that slot, samples that belong to slots to come."""

    judging: Judging
    slot_ms: int
    left_over: tuple[Sample, ...]


def moved_sample(sample: Sample, by_ms: int) -> Sample:
    return replace(sample, time_ms=sample.time_ms + by_ms)


def moved_entry(entry: JournalEntry, by_ms: int) -> JournalEntry:
    return replace(entry, time_ms=entry.time_ms + by_ms, logged_ms=entry.logged_ms + by_ms)


def moved_action(action: AlarmAction, by_ms: int) -> AlarmAction:
    until_ms = None if action.until_ms is None else action.until_ms + by_ms
    return replace(action, time_ms=action.time_ms + by_ms, until_ms=until_ms)


def moved_event(event: PortEvent, by_ms: int) -> PortEvent:
    return replace(event, time_ms=event.time_ms + by_ms)


def step_of(reader: StoreReader, stands: Doubt, by_ms: int, scan_ms: int, now_ms: int) -> int:
    """By how much to move scans in doubt and the clock with them: `by_ms`, as far as order and the present allow.

    Nothing may come to lie in the sure part of the record, nor later than `now_ms`, the true time.
    """
    span = reader.span()
    if span is None or span[1] <= stands.after_slot_ms:
        return max(by_ms, by_ms + stands.after_slot_ms - now_ms)
    first = [next(reader.replay_slots(vat, stands.after_slot_ms + 1, _END_MS), None) for vat in reader.vats()]
    first_ms = min(slot.slot_ms for slot in first if slot is not None)
    return max(min(by_ms, now_ms - span[1]), stands.after_slot_ms + scan_ms - first_ms)


def retime(
    writer: StoreWriter,
    reader: StoreReader,
    judging: Judging,
    version: int,
    stands: Doubt,
    by_ms: int,
    through_ms: int,
) -> Retimed:
    """Judge everything in doubt once more, `by_ms` later, up to the slot `through_ms`, and put it in place of the old.

    Errors: StoreError and StoreFull; then all is as before.
    """
    scan_ms = judging.scan_ms
    vats: dict[str, VatSettings] = judging.vats
    slots = {vat: list(reader.replay_slots(vat, stands.after_slot_ms + 1, _END_MS)) for vat in vats}
    again = Judging(vats)
    again.night = judging.night
    again.restore(reader, stands.after_slot_ms)
    samples = sorted(
        (moved_sample(sample, by_ms) for taken in slots.values() for slot in taken for sample in slot.samples),
        key=lambda sample: sample.time_ms,
    )
    given: dict[int, tuple[list[JournalEntry], list[AlarmAction]]] = {}
    for slot in (slot for taken in slots.values() for slot in taken):
        journal, actions = given.setdefault(on_grid(slot.slot_ms + by_ms, scan_ms), ([], []))
        journal += [moved_entry(entry, by_ms) for entry in slot.journal]
        actions += [moved_action(action, by_ms) for action in slot.actions]
    batches: list[Batch] = []
    slot_ms, place = stands.after_slot_ms, 0
    for slot_ms in sorted(slot for slot in given if stands.after_slot_ms < slot <= through_ms):
        begin = place
        while place < len(samples) and samples[place].time_ms < slot_ms:
            place += 1
        judged = again.judge(slot_ms - scan_ms, slot_ms, samples[begin:place], *given[slot_ms])
        batches.append(Batch(slot_ms, version, judged.steps))
    if batches:
        batches[-1] = replace(batches[-1], state_snapshots=again.snapshots())
    writer.retime(stands, by_ms, scan_ms, list(_together(batches)))
    log.warning("%d slots taken while the clock was not set were moved by %.1f s", len(batches), by_ms / 1000)
    return Retimed(again, slot_ms, tuple(samples[place:]))


def begin_in_doubt(writer: StoreWriter, path: Path, judging: Judging, version: int, clock: Clock) -> None:
    """At the start, before the states are restored: note that the clock is in doubt, or end an earlier run's doubt.

    How long the machine was off after that run nobody knows: its scans keep their times, unless these lie in the future.
    """
    if not clock.synchronised:
        log.warning("the clock is not set: %s. Nothing but messages is forwarded until it is", clock.doubt)
        writer.doubt_times()
        return
    now_ms = clock.now_ms()
    step_ms = planned_step(path, 0, judging.scan_ms, now_ms)
    if step_ms is not None:
        end_doubt(writer, path, judging, version, step_ms, now_ms)


def planned_step(path: Path, by_ms: int, scan_ms: int, now_ms: int) -> int | None:
    """`step_of` for the store at `path`; None when no times are in doubt there."""
    with StoreReader(path) as reader:
        stands = reader.doubt()
        return None if stands is None else step_of(reader, stands, by_ms, scan_ms, now_ms)


def end_doubt(
    writer: StoreWriter, path: Path, judging: Judging, version: int, step_ms: int, now_ms: int
) -> Retimed | None:
    """Move what is in doubt by a planned step; None when all stays as it is."""
    with StoreReader(path) as reader:
        stands = reader.doubt()
        if stands is not None and abs(step_ms) > LEAST_MS:
            return retime(writer, reader, judging, version, stands, step_ms, now_ms - now_ms % judging.scan_ms)
    writer.trust_times()
    return None


def clock_set_words(by_ms: int) -> str:
    """What happened to the clock, for the record."""
    if abs(by_ms) <= LEAST_MS:
        return "this machine's clock is known to be right; what was kept back meanwhile is forwarded"
    return f"this machine's clock was set by {by_ms / 1000:+.0f} s; what was recorded meanwhile has its true times now"


def on_grid(time_ms: int, scan_ms: int) -> int:
    """The first slot of the grid that ends at `time_ms` or later."""
    return -(-time_ms // scan_ms) * scan_ms


def _together(batches: Sequence[Batch]) -> Iterable[Batch]:
    """Fewer, larger rows: slots that are written together are read together."""
    for start in range(0, len(batches), _SLOTS_TOGETHER):
        part = batches[start : start + _SLOTS_TOGETHER]
        yield replace(part[-1], steps=tuple(step for batch in part for step in batch.steps))
