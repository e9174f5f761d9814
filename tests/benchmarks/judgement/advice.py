"""The advice followed to the letter on tired vats: are they back in time, without too much alkali, and none in danger?

    python -m tests.benchmarks.judgement.advice [--cases N] [--set tune|test] [--vat rehearsal|lumped]

Each case is a sound vat made tired: its reductant used up until the share is below the limit, or soured by carbonic acid
until the pH is. The dyer looks, then gives half of the upper end of the range the advice names, stirs, covers, rests, reads
again, and follows whatever the advice then is. `back`: share and pH inside the vat's window at the time the advice states.
Overshoot: the highest true pH (25 °C) above where it stood or the dose aimed, whichever is higher. Danger: any feed of acid,
pH beyond what lime can show (12.6), more than 3 g/l of reductant powder within an hour, or beyond the ceiling.
"""

from __future__ import annotations

import argparse
import random
from collections import Counter
from dataclasses import dataclass

from tests.benchmarks.judgement.dyer import Dyer
from tests.benchmarks.judgement.lumped import LumpedRig
from tests.benchmarks.judgement.month import MakeRig, samples_of
from tests.benchmarks.judgement.rigs import RehearsalRig, Rig
from tests.benchmarks.judgement.setting import SCAN_MS, START_MS, made_ready, settings_for
from vatwatch.rehearsal.mishaps import Mishap
from vatwatch.vat import window
from vatwatch.vat.amounts import aim_ph_25c
from vatwatch.vat.doings import initial_state
from vatwatch.vat.pipeline import step
from vatwatch.vat.recipes import Chemistry
from vatwatch.vat.settings import DAY_MS, HOUR_MS, MINUTE_MS, VatSettings
from vatwatch.vat.state import VatState

KINDS = ("spent", "soured")
READ_AGAIN_MS = 75 * MINUTE_MS
MOST_OVERSHOOT_PH = 0.3
STRONGEST_PH = 12.6
MOST_POWDER_G_L_H = 3.0
VATS: dict[str, MakeRig] = {"rehearsal": RehearsalRig, "lumped": LumpedRig}


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of one tired vat."""

    chemistry: str
    seed: int
    kind: str
    back: bool
    within_h: float
    share: float
    ph_over_low: float
    overshoot: float
    dangers: tuple[str, ...]
    fed: tuple[str, ...]


def follow_advice(chemistry: str, seed: int, kind: str, make: MakeRig = RehearsalRig) -> Outcome | None:
    """One case; None when this vat could not be made tired in a week."""
    rng = random.Random(f"advice/{chemistry}/{seed}/{kind}")
    rig = make(chemistry, seed, START_MS, SCAN_MS)
    begin = START_MS + DAY_MS
    made_ready(rig, chemistry, START_MS, begin)
    settings = settings_for(chemistry, rig)
    dyer = Dyer(rng, settings, rig)
    state = _watched(settings, initial_state(settings), rig, dyer, begin, HOUR_MS, look_ms=begin + 30 * MINUTE_MS)
    tired_ms = _tired(rig, settings, kind, rng, begin + HOUR_MS)
    if tired_ms is None:
        return None
    state = _watched(settings, state, rig, dyer, tired_ms, HOUR_MS, look_ms=tired_ms + 30 * MINUTE_MS)
    return _advised(chemistry, seed, kind, settings, state, rig, dyer, tired_ms + HOUR_MS)


def _watched(
    settings: VatSettings, state: VatState, rig: Rig, dyer: Dyer, from_ms: int, for_ms: int, look_ms: int = 0
) -> VatState:
    """The vat judged for a while, with one look."""
    for now in range(from_ms + SCAN_MS, from_ms + for_ms + 1, SCAN_MS):
        rig.advance(now)
        if now == look_ms:
            dyer.look(now)
        state, result = step(settings, state, now, samples_of(rig, now), dyer.take_due(now))
        dyer.state, dyer.scan = state, result.scan
    return state


def _tired(rig: Rig, settings: VatSettings, kind: str, rng: random.Random, from_ms: int) -> int | None:
    """When the vat has come below its limit."""
    share, ph = rng.uniform(0.6, 0.88), settings.window.ph_low - rng.uniform(0.05, 0.4)
    carbon = rig.truth().alkali_eq_l / 80
    for now in range(from_ms, from_ms + 7 * DAY_MS, 15 * MINUTE_MS):
        rig.advance(now)
        truth = rig.truth()
        if (truth.share < share) if kind == "spent" else (truth.ph_25c < ph):
            rig.befall(now, Mishap.LID_ON)
            return now - now % SCAN_MS
        if kind == "spent":
            rig.befall(now, Mishap.REDUCTANT_GONE, 0.3)
            rig.befall(now, Mishap.LID_OFF)
        else:
            rig.befall(now, Mishap.CO2_CREEP, carbon)
    return None


def _advised(
    chemistry: str, seed: int, kind: str, settings: VatSettings, state: VatState, rig: Rig, dyer: Dyer, from_ms: int
) -> Outcome:
    own, within_h = settings.window, settings.recipe.answers_h
    start = max(rig.truth().ph_25c, aim_ph_25c(settings))
    highest, fed_ms = start, 0
    dangers: set[str] = set()
    last: dict[str, int] = {}
    given: list[tuple[int, str, float]] = []
    for now in range(from_ms + SCAN_MS, from_ms + int(within_h * HOUR_MS) + 1, SCAN_MS):
        rig.advance(now)
        if dyer.scan is not None and now - fed_ms >= READ_AGAIN_MS:
            for doing, limit in (("sharpen", window.OFF_PH_LOW), ("feed", window.OFF_REDUCTION)):
                wait = max(READ_AGAIN_MS, int(within_h * HOUR_MS / 3)) if doing == "feed" else READ_AGAIN_MS
                if limit in dyer.scan.shortfalls and now - last.get(doing, 0) >= wait:
                    grams = dyer.feed_half(now, doing)
                    if grams:
                        given.append((now, doing, grams))
                        last[doing] = fed_ms = now
        truth = rig.truth()
        highest = max(highest, truth.ph_25c)
        if truth.ph_25c > max(STRONGEST_PH, start):
            dangers.add(f"pH {truth.ph_25c:.1f}")
        if truth.temperature_c > own.ceiling_c:
            dangers.add("too hot")
        state, result = step(settings, state, now, samples_of(rig, now), dyer.take_due(now))
        dyer.state, dyer.scan = state, result.scan
    powder = Counter(now // HOUR_MS for now, doing, _ in given if doing == "feed")
    for hour in powder:
        grams = sum(g for now, doing, g in given if doing == "feed" and now // HOUR_MS == hour)
        if grams > MOST_POWDER_G_L_H * rig.volume_l and settings.recipe.reductant != "bran":
            dangers.add(f"{grams / rig.volume_l:.1f} g/l of powder in an hour")
    truth = rig.truth()
    back = truth.share >= own.reduction_low and own.ph_low <= truth.ph_25c <= own.ph_high
    words = tuple(f"{doing} {grams:.0f} g after {(now - from_ms) / HOUR_MS:.1f} h" for now, doing, grams in given)
    return Outcome(
        chemistry, seed, kind, back, within_h, truth.share, truth.ph_25c - own.ph_low, highest - start,
        tuple(sorted(dangers)), words,
    )  # fmt: skip


def table(outcomes: list[Outcome]) -> str:
    """The figures, and each case that fell short."""
    n = len(outcomes) or 1
    back, over = sum(o.back for o in outcomes), [o for o in outcomes if o.overshoot > MOST_OVERSHOOT_PH]
    danger = [o for o in outcomes if o.dangers]
    lines = [
        f"tired vats                                   {len(outcomes)}",
        f"back in the window within the stated time    {back} ({100 * back / n:.0f} %)   [>= 90 %]",
        f"pH overshot by more than 0.3                 {len(over)}   [0]",
        f"made dangerous                               {len(danger)}   [0]",
    ]
    for chemistry in Chemistry:
        mine = [o for o in outcomes if o.chemistry == chemistry.value]
        if mine:
            lines.append(
                f"    {chemistry.value:18} {sum(o.back for o in mine)} of {len(mine)} within {mine[0].within_h:g} h"
            )
    for o in outcomes:
        if not o.back or o.overshoot > MOST_OVERSHOOT_PH or o.dangers:
            lines.append(
                f"  {o.chemistry} {o.seed} {o.kind}: share {o.share:.2f}, pH {o.ph_over_low:+.2f} over its limit, "
                f"overshoot {o.overshoot:.2f}, {o.dangers or ''} fed {o.fed}"
            )
    return "\n".join(lines)


def outcomes(cases: int, first: int, make: MakeRig = RehearsalRig) -> list[Outcome]:
    """`cases` vats, spread over the chemistries and both ways of tiring."""
    kinds = [(chemistry.value, kind) for kind in KINDS for chemistry in Chemistry]
    found = [follow_advice(*_of(kinds, i, first), make) for i in range(cases)]
    return [one for one in found if one is not None]


def _of(kinds: list[tuple[str, str]], i: int, first: int) -> tuple[str, int, str]:
    chemistry, kind = kinds[i % len(kinds)]
    return chemistry, first + i // len(kinds), kind


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cases", type=int, default=160)
    parser.add_argument("--set", choices=("tune", "test"), default="test")
    parser.add_argument("--vat", choices=sorted(VATS), default="rehearsal")
    options = parser.parse_args()
    print(table(outcomes(options.cases, 1001 if options.set == "test" else 1, VATS[options.vat])))


if __name__ == "__main__":
    main()
