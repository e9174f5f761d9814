"""A vat's slots at full pace, made before the clock runs: a simulated vat, its probes, a dyer's round, and faults.

The months of `tests.benchmarks.judgement` judge a scan a minute; here every slot of a 10 s grid has its samples. The vat
itself moves on once a minute, the electrodes are read in every slot. Everything follows from chemistry and seed.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass, replace

from tests.benchmarks.judgement.dyer import Dyer, daily_round
from tests.benchmarks.judgement.faults import befall, plan_faults
from tests.benchmarks.judgement.month import samples_of
from tests.benchmarks.judgement.rigs import RehearsalRig
from tests.benchmarks.judgement.setting import START_MS, made_ready, settings_for
from vatwatch.records import JournalEntry, Sample
from vatwatch.vat.recipes import RECIPES, Chemistry
from vatwatch.vat.settings import DAY_MS, HOUR_MS, MINUTE_MS, VatSettings

SCAN_MS = 10_000
FED_EVERY_MS = 2 * DAY_MS


@dataclass(frozen=True, slots=True)
class Slot:
    """What one slot of the grid takes in."""

    slot_ms: int
    samples: tuple[Sample, ...]
    journal: tuple[JournalEntry, ...]


class Story:
    """One vat, day by day. `settings` are what its dyer would have set; `begin_ms` is the end of the day it was made."""

    def __init__(
        self, chemistry: str, seed: int, days: int, scan_ms: int = SCAN_MS, fault_every_days: float = 5.0
    ) -> None:
        self._rng = rng = random.Random(f"replay/{chemistry}/{seed}")
        self._rig = rig = RehearsalRig(chemistry, seed, START_MS, MINUTE_MS)
        self.begin_ms = begin = START_MS + DAY_MS
        self._days, self._scan_ms = days, scan_ms
        made_ready(rig, chemistry, START_MS, begin)
        self.settings: VatSettings = replace(settings_for(chemistry, rig), scan_ms=scan_ms)
        self._dyer = dyer = Dyer(rng, self.settings, rig)
        recipe = RECIPES[Chemistry(chemistry)]
        does = {"stir": dyer.stir, "dip": dyer.dip, "look": dyer.look}
        for at, what in daily_round(rng, begin, days):
            dyer.later(at, does[what])
        for at in range(begin + 20 * HOUR_MS, begin + days * DAY_MS, FED_EVERY_MS):
            grams = 0.25 * recipe.feed_g_l[1] * rig.volume_l
            dyer.later(at, lambda now, grams=grams: dyer.give(now, "feed", recipe.reductant, grams))  # type: ignore[misc]
        faults = plan_faults(rng, chemistry, begin, days, fault_every_days)
        self._unplugged = [(f.at_ms, f.until_ms, f.probe) for f in faults if f.kind == "cable"]
        for fault in faults:
            dyer.later(fault.at_ms, lambda now, fault=fault: befall(fault, rig, now, dyer.later))  # type: ignore[misc]

    def days(self) -> Iterator[list[Slot]]:
        """Each day's slots in turn: a season would not fit into memory at once. May be walked once."""
        for day in range(self._days):
            start = self.begin_ms + day * DAY_MS
            yield [self._slot(now) for now in range(start + self._scan_ms, start + DAY_MS + 1, self._scan_ms)]

    def _slot(self, now_ms: int) -> Slot:
        journal: list[JournalEntry] = []
        if now_ms % MINUTE_MS == 0:
            self._rig.advance(now_ms)
            journal = self._dyer.take_due(now_ms)
        cut = {which for start, end, which in self._unplugged if start <= now_ms < end}
        return Slot(now_ms, tuple(samples_of(self._rig, now_ms, cut)), tuple(journal))
