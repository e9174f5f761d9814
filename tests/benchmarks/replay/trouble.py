"""A vat's slots with everything in them that can go wrong between the probe and the judgement, or be said and done.

Garbled and missing values, spikes, frozen and shorted probes, late and crowded samples, holes in the record, entries of
every kind, people's actions. Everything follows from chemistry and number; every other number has six probes, raw pH
millivolts and a Pt100 among them.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import replace

from tests.benchmarks.replay.story import Story
from vatwatch.chemistry.calibration import ISOPOTENTIAL_PH
from vatwatch.chemistry.thermometers import pt100_ohm
from vatwatch.records import AlarmAction, JournalEntry, Sample
from vatwatch.terms import ActionVerb, EntryKind, Look, Signal
from vatwatch.vat.settings import DAY_MS, ProbeSettings, VatSettings

SCAN_MS = 30_000
Given = tuple[int, list[Sample], list[JournalEntry], list[AlarmAction]]
"""What one slot takes in: its end, samples, journal, actions."""
_ALARMS = (
    "overheat",
    "heating",
    "off-ph-low",
    "off-reduction",
    "silent-ph",
    "silent-temperature",
    "doubtful",
    "unlogged",
)


class Trouble:
    """What happens to the samples between the probe and the judgement; seeded."""

    def __init__(self, rng: random.Random) -> None:
        self._rng = rng
        self._frozen: dict[str, tuple[int, float | None]] = {}

    def upon(self, slot_ms: int, samples: list[Sample]) -> list[Sample]:
        rng, found = self._rng, []
        for sample in samples:
            frozen = self._frozen.get(sample.probe)
            if frozen is not None and frozen[0] > slot_ms:
                sample = replace(sample, value=frozen[1])
            elif rng.random() < 0.0004:
                stands = rng.choice([sample.value, None, 0.0, 7.0, 14.0, 85.0, -127.0, 104.0, 390.0])
                self._frozen[sample.probe] = (slot_ms + int(rng.expovariate(1 / 3.0) * 3_600_000), stands)
            chance = rng.random()
            if chance < 0.003:
                continue
            if chance < 0.005:
                sample = replace(sample, value=None, reason=rng.choice(["", "no answer"]))
            elif chance < 0.008:
                sample = replace(
                    sample, value=rng.choice([float("nan"), float("inf"), 85.0, 60.05, -5.0, 99.0, -1600.0])
                )
            elif chance < 0.015 and sample.value is not None:
                sample = replace(sample, value=sample.value * rng.choice([0.9, 1.05, 1.2]))
            elif chance < 0.02:
                sample = replace(sample, time_ms=sample.time_ms - 90_000)
            found.append(sample)
            if rng.random() < 0.02:  # a probe that talks more often than the grid
                found += [replace(sample, time_ms=sample.time_ms + 700 * i) for i in range(1, rng.randrange(2, 7))]
        return found

    def said(self, slot_ms: int, probes: tuple[ProbeSettings, ...]) -> list[JournalEntry]:
        rng = self._rng
        if rng.random() > 0.004:
            return []
        kind = rng.choice([*EntryKind])
        what = rng.choice([p.probe for p in probes]) if kind.value.startswith("probe") else rng.choice([*Look]).value
        if kind is EntryKind.UNDO:
            what = f"t{slot_ms - 30_000 * rng.randrange(1, 400)}"
        at = slot_ms - rng.choice([0, 0, 60_000, 600_000, 7_200_000])
        return [JournalEntry(f"t{slot_ms}", at, slot_ms, "plain", kind, what, rng.choice([None, 20.0]), None, 5.0)]

    def done(self, slot_ms: int) -> list[AlarmAction]:
        rng = self._rng
        if rng.random() > 0.004:
            return []
        verb = rng.choice([*ActionVerb])
        return [
            AlarmAction(f"a{slot_ms}", slot_ms, "plain", rng.choice(_ALARMS), verb, rng.choice([None, slot_ms + 9**7]))
        ]


def _six_probes(settings: VatSettings) -> VatSettings:
    ph, orp, t = settings.probes
    dated = 1_740_000_000_000 + 35 * DAY_MS
    return replace(
        settings,
        probes=(
            replace(ph, calibrated_ms=dated),
            replace(ph, probe="p-ph2", signal=Signal.PH_MV, calibrated_ms=dated),
            replace(orp, calibrated_ms=dated),
            replace(orp, probe="p-orp2"),
            replace(t, temperature_offset_c=0.1, calibrated_ms=dated),
            replace(t, probe="p-t2", signal=Signal.PT100_OHM),
        ),
    )


def _seconds(samples: list[Sample], rng: random.Random) -> Iterator[Sample]:
    """Second probes that follow the first: a raw electrode, another ORP, a Pt100."""
    for one in samples:
        yield one
        match one.signal, one.value:
            case Signal.PH, float(value):
                mv = (ISOPOTENTIAL_PH - value) * 59.0 + rng.gauss(0, 0.3)
                yield replace(one, probe="p-ph2", signal=Signal.PH_MV, value=mv)
            case Signal.ORP_MV, float(value):
                yield replace(one, probe="p-orp2", value=round(value + rng.gauss(3, 1), 1))
            case _, float(value):
                yield replace(one, probe="p-t2", signal=Signal.PT100_OHM, value=round(pt100_ohm(value), 2))


class Troubled:
    """One vat's troubled span. May be walked once."""

    def __init__(self, chemistry: str, number: int, days: int) -> None:
        self._story = Story(chemistry, 40 + number, days, SCAN_MS, fault_every_days=0.4)
        self._rng = random.Random(f"trouble/{chemistry}/{number}")
        self._six = number % 2 == 1
        self.settings = _six_probes(self._story.settings) if self._six else self._story.settings

    def slots(self) -> Iterator[Given]:
        rng, trouble, hole_until = self._rng, Trouble(self._rng), 0
        for day in self._story.days():
            for slot in day:
                now = slot.slot_ms
                if rng.random() < 0.0004:
                    hole_until = now + int(rng.expovariate(1 / 40) * 60_000)
                if now < hole_until:
                    continue
                samples = list(_seconds(list(slot.samples), rng)) if self._six else list(slot.samples)
                samples = trouble.upon(now, samples)
                journal = [*slot.journal, *trouble.said(now, self.settings.probes)]
                yield now, samples, journal, trouble.done(now)
