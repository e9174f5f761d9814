"""Whether a probe shows one and the same number for longer than it ever rests. Pure.

How long a sound probe rests is its own affair: a fine meter never for a minute, a coarse one for an hour in a quiet vat.
So the longest rest it has come out of by itself is learnt, and only a far longer one counts.
"""

from __future__ import annotations

from typing import NamedTuple

from vatwatch.terms import Quantity
from vatwatch.vat.probe_signs import Minute

LEAST_MS = {Quantity.PH: 30 * 60_000, Quantity.ORP: 20 * 60_000, Quantity.TEMPERATURE: 120 * 60_000}
UNLEARNT_MS = {Quantity.PH: 12 * 3_600_000, Quantity.ORP: 6 * 3_600_000, Quantity.TEMPERATURE: 24 * 3_600_000}
"""Shortest rest that counts, and the one that counts while little is known of the probe. Judgement."""
TIMES_LONGEST = 8
LEARNT_CHANGES = 20
GENTLE_STEPS = 3.5


class Run(NamedTuple):
    """`value` has been shown since `changed_ms`; `longest_ms` is the longest rest that ended by a small step, `step` the
    smallest step seen, `changes` how often the number has changed (counted up to `LEARNT_CHANGES`).
    """

    value: float | None = None
    changed_ms: int | None = None
    longest_ms: int = 0
    step: float | None = None
    changes: int = 0


NEW_RUN = Run()


def extend_run(run: Run, minute: Minute, slot_ms: int) -> Run:
    """The run with one minute more. Minutes without a sample of their own neither end nor lengthen it."""
    if not minute.good:
        return run
    one_value = minute.low == minute.high
    if one_value and minute.low == run.value:
        return run
    value, changed_ms, longest_ms, step, changes = run
    moved = minute.high - minute.low if not one_value else abs(minute.low - value) if value is not None else 0.0
    if moved > 0.0 and (step is None or moved < step):
        step = moved
    if value is not None and changed_ms is not None:
        away = max(abs(minute.high - value), abs(minute.low - value))
        if step is not None and away <= GENTLE_STEPS * step:
            longest_ms = max(longest_ms, slot_ms - changed_ms)
    return Run(minute.low if one_value else None, slot_ms, longest_ms, step, min(changes + 1, LEARNT_CHANGES))


def is_stuck(run: Run, quantity: Quantity, slot_ms: int) -> bool:
    if run.value is None or run.changed_ms is None:
        return False
    least = LEAST_MS if run.changes >= LEARNT_CHANGES else UNLEARNT_MS
    return slot_ms - run.changed_ms >= max(least[quantity], TIMES_LONGEST * run.longest_ms)
