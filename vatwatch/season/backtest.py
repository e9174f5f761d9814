"""The span as it was beside the span with other settings: pushes, excursions, and what differs between the two. Pure.

Takes what `replay` kept; reads no store. Excursions are counted by two yardsticks where the limits differ: by the limits as
they were and by the changed ones, each held against the pushes of both.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from vatwatch.season.replay import Told, VatReplay
from vatwatch.season.telling import Worth, worth_of
from vatwatch.vat.settings import HOUR_MS

SAME_PUSH_WITHIN_MS = 12 * HOUR_MS
"""A push of the same alarm and kind this near is the same one, come earlier or later."""


@dataclass(frozen=True, slots=True)
class Moved:
    """One push that differs between the two: `then_ms` None where it is new, `now_ms` None where it would not have come."""

    told: Told
    then_ms: int | None
    now_ms: int | None


@dataclass(frozen=True, slots=True)
class VatBacktest:
    """One vat. `recorded` and `changed` by the limits as they were; `…_by_changed` by the changed ones, if they differ."""

    vat: str
    slots: int
    span_ms: int
    differing: int
    examples: tuple[str, ...]
    recorded: Worth
    changed: Worth | None = None
    recorded_by_changed: Worth | None = None
    changed_by_changed: Worth | None = None
    moved: tuple[Moved, ...] = ()


def backtest_of(replay: VatReplay, trial: int = 1) -> VatBacktest:
    """The unchanged track beside track `trial`; alone where there is no other."""
    from_ms, to_ms = replay.first_ms - 1, replay.last_ms
    span_ms = replay.slots * replay.scan_ms
    base = replay.tracks[0]

    def worth(track: int, yardstick: int) -> Worth:
        return worth_of(replay.tracks[track].told, replay.tracks[yardstick].stays, replay.journal, from_ms, to_ms)

    recorded = worth(0, 0)
    if trial >= len(replay.tracks):
        return VatBacktest(replay.vat, replay.slots, span_ms, replay.differing, replay.examples, recorded)
    other = replay.tracks[trial]
    same_limits = other.stays == base.stays
    return VatBacktest(
        vat=replay.vat,
        slots=replay.slots,
        span_ms=span_ms,
        differing=replay.differing,
        examples=replay.examples,
        recorded=recorded,
        changed=worth(trial, 0),
        recorded_by_changed=None if same_limits else worth(0, trial),
        changed_by_changed=None if same_limits else worth(trial, trial),
        moved=tuple(moved(base.told, other.told)),
    )


def moved(then: Sequence[Told], now: Sequence[Told]) -> list[Moved]:
    """Every push that is new, gone, or told at another time, in the order of time. Both in slot order."""
    found: list[Moved] = []
    kinds = {(one.alarm, one.transition) for one in (*then, *now)}
    for kind in sorted(kinds):
        old = [one for one in then if (one.alarm, one.transition) == kind]
        new = [one for one in now if (one.alarm, one.transition) == kind]
        found += _paired(old, new)
    return sorted(found, key=lambda one: one.then_ms if one.now_ms is None else one.now_ms)  # type: ignore[arg-type,return-value]


def _paired(old: list[Told], new: list[Told]) -> list[Moved]:
    """Equal times first, so that one push more does not shift all that follow; then the nearest of what is left."""
    same = {one.slot_ms for one in old} & {one.slot_ms for one in new}
    old = [one for one in old if one.slot_ms not in same]
    new = [one for one in new if one.slot_ms not in same]
    found: list[Moved] = []
    while old or new:
        if old and new and abs(old[0].slot_ms - new[0].slot_ms) <= SAME_PUSH_WITHIN_MS:
            found.append(Moved(new[0], old.pop(0).slot_ms, new.pop(0).slot_ms))
        elif old and (not new or old[0].slot_ms < new[0].slot_ms):
            gone = old.pop(0)
            found.append(Moved(gone, gone.slot_ms, None))
        else:
            come = new.pop(0)
            found.append(Moved(come, None, come.slot_ms))
    return found
