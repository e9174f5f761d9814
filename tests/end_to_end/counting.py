"""Reads a counting meter's record back: which of its lines were kept, and where one is missing."""

from __future__ import annotations

import itertools
from pathlib import Path

from vatwatch.store.reading import StoreReader

FOR_EVER = 2**62


def kept_numbers(path: Path, probe: str = "tub-t", base_c: float = 30.0) -> list[int]:
    """The number of every line of a `meter.py … count` whose temperature is in the store, in order of time."""
    with StoreReader(path) as reader:
        samples = [s for s in reader.samples("tub", 0, FOR_EVER) if s.probe == probe and s.value is not None]
    return [round((s.value - base_c) * 1e6) for s in sorted(samples, key=lambda s: s.time_ms) if s.value is not None]


def counts_by_probe(path: Path) -> dict[str, int]:
    with StoreReader(path) as reader:
        names = [s.probe for s in reader.samples("tub", 0, FOR_EVER)]
    return {name: names.count(name) for name in sorted(set(names))}


def runs(numbers: list[int]) -> list[tuple[int, int]]:
    """First and last of each unbroken run of numbers; one run means that nothing is missing."""
    found: list[tuple[int, int]] = []
    for before, number in itertools.pairwise([None, *numbers]):
        if before is None or number != before + 1:
            found.append((number or 0, number or 0))
        else:
            found[-1] = (found[-1][0], number)
    return found
