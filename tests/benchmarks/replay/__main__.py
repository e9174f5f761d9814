"""How fast one vat's judgement replays: 30 days at a 10 s scan, samples and journal made beforehand.

    python -m tests.benchmarks.replay [--days N] [--chemistry NAME] [--seed N] [--profile]

Prints processor seconds (another program on the machine does not count), times real time and microseconds per step. With
`--profile` a second pass over the last day says where the time goes, by module and by function: read its shares, not its
seconds, since looking on slows the step down.
"""

from __future__ import annotations

import argparse
import cProfile
import gc
import os
import pstats
import time
from collections import Counter
from pathlib import Path

from tests.benchmarks.replay.story import SCAN_MS, Slot, Story
from vatwatch.vat.doings import initial_state
from vatwatch.vat.pipeline import step
from vatwatch.vat.recipes import Chemistry
from vatwatch.vat.settings import VatSettings
from vatwatch.vat.state import VatState

SHOWN_FUNCTIONS = 25


def replayed(settings: VatSettings, state: VatState, slots: list[Slot]) -> tuple[VatState, float, Counter[str]]:
    """The state after these slots, the processor seconds they took, and what they gave."""
    gave: Counter[str] = Counter()
    began = time.process_time()
    for slot in slots:
        state, result = step(settings, state, slot.slot_ms, slot.samples, slot.journal)
        if result.alarm_events:
            gave["alarm events"] += len(result.alarm_events)
            gave["pushes"] += len(result.pushes)
    return state, time.process_time() - began, gave


def profiled(settings: VatSettings, state: VatState, slots: list[Slot]) -> None:
    """One more pass over some slots under cProfile, by module and by function (own time)."""
    profile = cProfile.Profile()
    profile.enable()
    for slot in slots:
        state, _ = step(settings, state, slot.slot_ms, slot.samples, slot.journal)
    profile.disable()
    stats = pstats.Stats(profile).stats  # type: ignore[attr-defined]
    whole = sum(own for _, _, own, _, _ in stats.values())
    modules: Counter[str] = Counter()
    functions: list[tuple[float, float, str]] = []
    for (file, line, name), (_, calls, own, _, _) in stats.items():
        module = Path(file).stem if file.endswith(".py") else "built in"
        modules[module] += own
        functions.append((own, calls / len(slots), f"{module}:{line} {name}"))
    print("\nshare  module")
    for module, own in modules.most_common(20):
        print(f"{100 * own / whole:5.1f}  {module}")
    print("\nshare  calls a step  function")
    for own, calls, name in sorted(functions, reverse=True)[:SHOWN_FUNCTIONS]:
        print(f"{100 * own / whole:5.1f}  {calls:12.2f}  {name}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--days", type=int, default=30)
    parser.add_argument("--chemistry", choices=[c.value for c in Chemistry], default=Chemistry.HYDROSULFITE.value)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--profile", action="store_true", help="a second pass over the last day, under the profiler")
    options = parser.parse_args()
    story = Story(options.chemistry, options.seed, options.days)
    settings, state = story.settings, initial_state(story.settings)
    seconds, steps = 0.0, 0
    gave: Counter[str] = Counter()
    before_last, slots = state, []
    for slots in story.days():
        before_last = state
        # What the story leaves behind is not the judgement's to clear away.
        gc.collect()
        state, took, day_gave = replayed(settings, state, slots)
        seconds += took
        steps += len(slots)
        gave += day_gave
    each_us = 1e6 * seconds / steps
    print(
        f"{options.chemistry}, seed {options.seed}: {options.days} days, {steps} steps, {dict(gave)}\n"
        f"{seconds:.2f} s of processor time, {SCAN_MS * 1000 / each_us:,.0f} x real time, {each_us:.1f} us a step "
        f"(load {os.getloadavg()[0]:.1f})"
    )
    if options.profile:
        profiled(settings, before_last, slots)


if __name__ == "__main__":
    main()
