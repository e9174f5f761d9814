"""Whether a change to the judgement's code changes any result: digests of everything it gives over a troubled span.

    python -m tests.benchmarks.replay.digest > before      # then change the code
    python -m tests.benchmarks.replay.digest | diff before -

All eight chemistries, every other one with six probes (raw pH millivolts and a Pt100 among them); faults of the vat, garbled
and missing values, spikes, frozen and shorted probes, cut cables, holes in the record, entries of every kind, people's
actions, and the state through its text form on the way. Digests are not kept in the repository: tuning a threshold changes
them, and should.
"""

from __future__ import annotations

import hashlib
import random
from collections.abc import Iterator
from dataclasses import replace

from tests.benchmarks.replay.story import Story
from vatwatch.chemistry.calibration import ISOPOTENTIAL_PH
from vatwatch.chemistry.thermometers import pt100_ohm
from vatwatch.records import AlarmAction, JournalEntry, Sample
from vatwatch.terms import ActionVerb, EntryKind, Look, Signal
from vatwatch.vat.doings import initial_state
from vatwatch.vat.pipeline import step_or_unknown
from vatwatch.vat.recipes import Chemistry
from vatwatch.vat.settings import DAY_MS, ProbeSettings, VatSettings
from vatwatch.vat.state import state_from_json, state_to_json

DAYS, SCAN_MS = 4, 30_000
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
    dated = settings_date(settings)
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


def settings_date(settings: VatSettings) -> int:
    return 1_740_000_000_000 + 7 * DAY_MS * len(settings.vat)


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


def digest_of(chemistry: str, number: int) -> str:
    """Digest of all results and of the last state; steps, slots that failed, alarm events and pushes beside it."""
    story = Story(chemistry, 40 + number, DAYS, SCAN_MS, fault_every_days=0.4)
    rng = random.Random(f"trouble/{chemistry}/{number}")
    six = number % 2 == 1
    settings = _six_probes(story.settings) if six else story.settings
    trouble = Trouble(rng)
    state = initial_state(settings)
    digest = hashlib.sha256()
    steps = failed = events = pushes = 0
    hole_until = 0
    for day in story.days():
        for slot in day:
            if rng.random() < 0.0004:
                hole_until = slot.slot_ms + int(rng.expovariate(1 / 40) * 60_000)
            if slot.slot_ms < hole_until:
                continue
            samples = list(_seconds(list(slot.samples), rng)) if six else list(slot.samples)
            samples = trouble.upon(slot.slot_ms, samples)
            journal = [*slot.journal, *trouble.said(slot.slot_ms, settings.probes)]
            state, result, error = step_or_unknown(
                settings, state, slot.slot_ms, samples, journal, trouble.done(slot.slot_ms)
            )
            digest.update(repr((result, error)).encode())
            steps, failed = steps + 1, failed + (error is not None)
            events, pushes = events + len(result.alarm_events), pushes + len(result.pushes)
            if steps % 500 == 0:
                text = state_to_json(state)
                digest.update(text.encode())
                if steps % 1000 == 0:
                    state = state_from_json(text)
    digest.update(state_to_json(state).encode())
    return f"{chemistry:18} {digest.hexdigest()[:24]} {steps} steps, {failed} failed, {events} events, {pushes} pushes"


def main() -> None:
    for number, chemistry in enumerate(Chemistry):
        print(digest_of(chemistry.value, number), flush=True)


if __name__ == "__main__":
    main()
