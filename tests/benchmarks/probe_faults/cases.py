"""The faults that are injected: which, into which vat, when, and what makes a case one that can be told at all.

A fault that changes nothing a probe shows (a thermometer in air as warm as the vat, a coated electrode in a liquor that
never moves) cannot be named by anybody: such a vat is drawn anew, and how often is counted and printed.
"""

from __future__ import annotations

import itertools
import random
from collections.abc import Callable
from dataclasses import dataclass

from tests.benchmarks.probe_faults.shed import CHEMISTRIES, DAY, HOUR, MINUTE, Shed
from tests.vat.vats import START
from vatwatch.records import JournalEntry
from vatwatch.rehearsal.liquor import VatTruth
from vatwatch.terms import EntryKind
from vatwatch.vat.probe_fault_names import FaultName

ALKALINE_CHEMISTRIES = ("hydrosulfite", "thiourea-dioxide", "bran-madder")
WARM_CHEMISTRIES = ("hydrosulfite", "thiourea-dioxide", "woad", "bran-madder", "leaf-ash")


@dataclass(frozen=True, slots=True)
class Case:
    """One injection. `probes` are those it strikes, by their names on the line; named within `within_ms` or missed."""

    seed: str
    chemistry: str
    name: FaultName
    variant: str
    probes: tuple[str, ...]
    onset_ms: int
    within_ms: int

    @property
    def redrawn(self) -> int:
        """How many vats were put aside because the fault would have changed nothing in them."""
        return self.seed.count("+")


VARIANTS: dict[FaultName, tuple[tuple[str, tuple[str, ...]], ...]] = {
    FaultName.OUT_OF_LIQUOR: (
        ("all in air", ("pH", "ORP", "T")),
        ("pH and ORP in air", ("pH", "ORP")),
        ("pH in air", ("pH",)),
        ("ORP in air", ("ORP",)),
        ("thermometer in air", ("T",)),
    ),
    FaultName.SHORTED: (("pH shorted", ("pH",)), ("ORP shorted", ("ORP",))),
    FaultName.OPEN: (
        ("pH at the rail", ("pH",)),
        ("ORP at the rail", ("ORP",)),
        ("pH wild", ("pH",)),
        ("ORP wild", ("ORP",)),
    ),
    FaultName.FAULT_VALUE: (("unplugged", ("T",)), ("powered on again and again", ("T",))),
    FaultName.STUCK: (("pH frozen", ("pH",)), ("ORP frozen", ("ORP",)), ("temperature frozen", ("T",))),
    FaultName.SLOW: (("pH coated", ("pH",)), ("ORP coated", ("ORP",))),
    FaultName.DISAGREE: (("second thermometer off", ("T2",)), ("second thermometer creeps", ("T2",))),
    FaultName.ALKALINE_ERROR: (("caustic over pH 12", ("pH",)),),
    FaultName.WRONG_UNIT: (("switched to °F", ("T",)), ("°F from the start", ("T",))),
}


def draw_case(seed: str, number: int) -> Case:
    """One case; the classes take turns, everything else is drawn."""
    rng = random.Random(f"case/{seed}/{number}")
    names = tuple(VARIANTS)
    name = names[number % len(names)]
    variants = VARIANTS[name]
    variant, probes = variants[number // len(names) % len(variants)]
    chemistry = rng.choice(CHEMISTRIES)
    onset = START + round(rng.uniform(10, 30) * 60) * MINUTE
    within = 15 * MINUTE
    match name:
        case FaultName.OUT_OF_LIQUOR if variant == "thermometer in air":
            chemistry = rng.choice(WARM_CHEMISTRIES)
        case FaultName.STUCK:
            within = 3 * HOUR + (15 * HOUR if probes == ("T",) else 0)
        case FaultName.SLOW:
            onset, within = START + 6 * DAY, 10 * DAY
        case FaultName.DISAGREE:
            within = (1 if variant.endswith("off") else 24) * HOUR
        case FaultName.ALKALINE_ERROR:
            chemistry, within = rng.choice(ALKALINE_CHEMISTRIES), HOUR
        case FaultName.WRONG_UNIT if variant.endswith("start"):
            chemistry, onset = rng.choice(WARM_CHEMISTRIES), START
        case _:
            pass
    return Case(f"{seed}/{number}", chemistry, name, variant, probes, onset, within)


def strike(shed: Shed, case: Case, truth: VatTruth) -> None:
    """The fault begins."""
    rng = random.Random(f"strike/{case.seed}")
    for name in case.probes:
        probe = shed.probes[name]
        match case.variant:
            case "pH shorted":
                probe.disturb(slope_share=0.0, offset=rng.uniform(-0.1, 0.1))
            case "ORP shorted":
                shed.wrong[name] = lambda _v: rng.gauss(0.0, 0.8)
            case "pH at the rail" | "ORP at the rail" | "unplugged":
                probe.connected = False
            case "pH wild":
                probe.disturb(noise_sigma=rng.uniform(0.8, 2.0))
            case "ORP wild":
                probe.disturb(noise_sigma=rng.uniform(80.0, 250.0))
            case "powered on again and again":
                shed.wrong[name] = lambda _v: 85.0
            case "pH frozen" | "ORP frozen" | "temperature frozen":
                held: list[float] = []
                shed.wrong[name] = lambda v, held=held: held[0] if held else (held.append(v) or v)  # type: ignore[misc]
            case "pH coated" | "ORP coated":
                probe.disturb(lag_s=rng.uniform(600.0, 1500.0))
            case "second thermometer off":
                probe.disturb(offset=rng.choice((-1, 1)) * rng.uniform(2.5, 4.5))
            case "second thermometer creeps":
                shed.wrong[name] = _creeping(rng.choice((-1, 1)) * rng.uniform(4.0, 8.0) * shed.scan_ms / DAY)
            case "caustic over pH 12":
                grams = (
                    40.0
                    * shed.vat.mixture.volume_l
                    * (0.05 + 10.0 ** (12.6 - 14.0 + 0.02 * (truth.temperature_c - 25)))
                )
                shed.vat.apply(
                    JournalEntry(
                        "caustic", case.onset_ms, case.onset_ms, "plain", EntryKind.FEED, "caustic soda", grams
                    )
                )
                probe.disturb(offset=probe.traits.offset - 0.05)
            case "switched to °F" | "°F from the start":
                shed.wrong[name] = lambda v: v * 1.8 + 32.0
            case _:
                probe.in_air = True


def _creeping(per_reading: float) -> Callable[[float], float]:
    count = itertools.count(1)
    return lambda value: value + per_reading * next(count)


TELLING = {"pH": 0.06, "ORP": 15.0}
TELLING_DEEDS = 6


def moves_enough(case: Case) -> bool:
    """Whether the liquor itself answers what is done to it often enough, before and after: else no probe can be slow.

    The vat is run once by itself; a telling deed is one in the journal that moves pH or Eh clearly within ten minutes.
    """
    shed = Shed(case.seed, case.chemistry, (case.onset_ms - START + case.within_ms) / DAY)
    for entry in shed.journal:
        shed.vat.apply(entry)
    before = after = 0
    last = START
    for entry in shed.journal:
        if entry.time_ms >= case.onset_ms and (before < TELLING_DEEDS or after >= TELLING_DEEDS):
            break
        if entry.logged_ms < 0 or entry.kind is EntryKind.COVER or entry.time_ms - last < 12 * MINUTE:
            continue
        last = entry.time_ms
        shed.vat.advance(entry.time_ms)
        was = shed.vat.truth()
        moved = 0.0
        for minute in (2, 5, 10):
            shed.vat.advance(entry.time_ms + minute * MINUTE)
            now = shed.vat.truth()
            change = now.ph - was.ph if case.probes == ("pH",) else now.eh_mv - was.eh_mv
            moved = max(moved, abs(change))
        if moved >= TELLING[case.probes[0]]:
            if entry.time_ms < case.onset_ms:
                before += 1
            else:
                after += 1
    return before >= TELLING_DEEDS and after >= TELLING_DEEDS


def separable(case: Case, truth: VatTruth) -> bool:
    """Whether the fault makes a difference at all in this vat: a thermometer in air as warm as the vat shows nothing."""
    match case.variant:
        case "thermometer in air":
            return truth.temperature_c >= 24.0
        case "ORP in air" | "ORP shorted":
            return truth.eh_mv < 0.0
        case "pH in air":
            return truth.ph >= 8.7
        case "caustic over pH 12":
            return truth.ph <= 11.8
        case _:
            return True
