"""The faults put upon the months: which there are, what each one does, and which words name it rightly.

A fault is named rightly when one of its alarms comes within the next thirty hours. Slow drift of a probe cannot be told
from slow chemistry by the vat's own readings (see `vat.probe_fault_names`): what is right there is to ask for a look.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass

from tests.benchmarks.judgement.rigs import WARMED, Rig
from vatwatch.records import JournalEntry
from vatwatch.rehearsal.mishaps import Mishap
from vatwatch.terms import EntryKind
from vatwatch.vat import tiring, window
from vatwatch.vat.settings import DAY_MS, HOUR_MS, MINUTE_MS

LIMED = {"fructose-lime", "iron-lime", "zinc-lime"}
_SILENT = {"silent-ph", "silent-orp", "silent-temperature"}
_TIRED = {tiring.TIRING_REDUCTION, window.OFF_REDUCTION, tiring.DOUBTFUL}
_SOUR = {tiring.TIRING_PH, window.OFF_PH_LOW}
_COLD = {tiring.COOLING, window.OFF_COLD}

NAMES: dict[str, frozenset[str]] = {
    "reductant exhausted": frozenset(_TIRED),
    "CO2 creep": frozenset(_SOUR),
    "lime cliff": frozenset(_SOUR),
    "heater stuck on": frozenset({tiring.HEATING, window.OFF_WARM, window.OVERHEAT}),
    "heater stuck off": frozenset(_COLD),
    "cold snap": frozenset(_COLD),
    "lid off": frozenset(_TIRED | _SOUR | _COLD),
    "probe drift": frozenset({tiring.DOUBTFUL, *_SILENT}),
    "fouling": frozenset(_SILENT),
    "cable": frozenset(_SILENT),
    "probe in air": frozenset(_SILENT),
    "wrong feed": frozenset({window.OFF_PH_HIGH, tiring.UNLOGGED, *_SOUR}),
    "unlogged stir": frozenset({tiring.UNLOGGED}),
    "unlogged dip": frozenset({tiring.UNLOGGED}),
    "dilution": frozenset({tiring.UNLOGGED, *_TIRED, *_SOUR, *_COLD}),
}
OF_A_PROBE = frozenset({"probe drift", "fouling", "cable", "probe in air"})
"""Faults that leave the liquor alone."""
UNLOGGED = frozenset({"unlogged stir", "unlogged dip", "dilution", "wrong feed"})
_OFTEN = {"heater stuck on": 2}


def kinds_for(chemistry: str) -> list[str]:
    """The faults that can befall this chemistry, the ones wanted more often repeated."""
    kinds = [
        kind
        for kind in NAMES
        if (chemistry in WARMED or not kind.startswith("heater")) and (chemistry in LIMED or kind != "lime cliff")
    ]
    return [kind for kind in kinds for _ in range(_OFTEN.get(kind, 1))]


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault: when it began, when it is over by itself, whether the dyer is away meanwhile (danger only)."""

    at_ms: int
    kind: str
    until_ms: int
    probe: str = ""
    amount: float = 0.0
    away: bool = False


def draw(rng: random.Random, kind: str, at_ms: int) -> Fault:
    """A fault of a kind with its own size and length."""
    hours = {
        "heater stuck on": 9.0, "heater stuck off": 20.0, "cold snap": 30.0, "lid off": 30.0, "cable": rng.uniform(0.5, 4),
        "probe in air": rng.uniform(1.0, 5.0), "probe drift": 24.0 * rng.uniform(3, 6), "fouling": 24.0 * rng.uniform(2, 4),
        "CO2 creep": 8.0, "lime cliff": 24.0, "reductant exhausted": 4.0,
    }.get(kind, 1.0)  # fmt: skip
    until_ms = at_ms + int(hours * HOUR_MS)
    match kind:
        case "probe drift":
            probe = rng.choice(("ph", "orp"))
            amount = rng.choice((-1, 1)) * (rng.uniform(0.03, 0.08) if probe == "ph" else rng.uniform(3.0, 8.0))
            return Fault(at_ms, kind, until_ms, probe, amount)
        case "fouling":
            return Fault(at_ms, kind, until_ms, rng.choice(("ph", "orp")), rng.uniform(400.0, 1200.0))
        case "probe in air" | "cable":
            return Fault(at_ms, kind, until_ms, rng.choice(("ph", "orp", "temperature")))
        case "wrong feed":
            return Fault(at_ms, kind, until_ms, amount=rng.choice((-1.0, 1.0)))
        case "heater stuck on":
            return Fault(at_ms, kind, until_ms, away=rng.random() < 0.5)
    return Fault(at_ms, kind, until_ms, amount=rng.uniform(7.0, 14.0) if kind == "cold snap" else 0.0)


Later = Callable[[int, Callable[[int], object]], None]


def befall(fault: Fault, rig: Rig, now_ms: int, later: Later) -> None:
    """Puts the fault on the vat; what comes of it afterwards is handed to `later` (time, action)."""

    def event(kind: EntryKind, what: str = "", grams: float | None = None, minutes: float | None = None) -> None:
        rig.do(JournalEntry(f"fault-{now_ms}-{what}", now_ms, now_ms, "plain", kind, what, grams, None, minutes))

    def until(mishap: Mishap) -> None:
        later(fault.until_ms, lambda at: rig.befall(at, mishap))

    match fault.kind:
        case "reductant exhausted":
            # Eaten up over some hours, not spirited away.
            for i in range(8):
                later(now_ms + i * 30 * MINUTE_MS, lambda at: rig.befall(at, Mishap.REDUCTANT_GONE, 0.4))
        case "CO2 creep":
            each = 0.4 * rig.truth().alkali_eq_l / 16
            for i in range(16):
                later(now_ms + i * 30 * MINUTE_MS, lambda at: rig.befall(at, Mishap.CO2_CREEP, each))
        case "lime cliff":
            # As much carbonic acid as there is lime left: the pH holds, and then falls.
            each = 0.5 * rig.truth().alkali_eq_l / 48
            for i in range(52):
                later(now_ms + i * 30 * MINUTE_MS, lambda at: rig.befall(at, Mishap.CO2_CREEP, each))
        case "heater stuck on":
            rig.befall(now_ms, Mishap.HEATER_STUCK_ON)
            until(Mishap.HEATER_MENDED)
        case "heater stuck off":
            rig.befall(now_ms, Mishap.HEATER_STUCK_OFF)
            until(Mishap.HEATER_MENDED)
        case "cold snap":
            rig.befall(now_ms, Mishap.COLD_SNAP, fault.amount)
            until(Mishap.COLD_SNAP_OVER)
        case "lid off":
            rig.befall(now_ms, Mishap.LID_OFF)
            until(Mishap.LID_ON)
        case "dilution":
            rig.befall(now_ms, Mishap.WATERED_DOWN, 0.15 * rig.volume_l)
        case "unlogged stir":
            event(EntryKind.STIR, minutes=4.0)
        case "unlogged dip":
            event(EntryKind.DIP, "cloth", 250.0, 3.0)
        case "wrong feed":
            # The wrong tin: as much caustic soda as the vat holds alkali, or vinegar for half of it.
            meq_l = 1000.0 * rig.truth().alkali_eq_l
            tin, grams_l = ("caustic soda", meq_l / 24.5) if fault.amount > 0 else ("vinegar", 0.5 * meq_l / 0.83)
            event(EntryKind.FEED, tin, grams_l * rig.volume_l)
        case "probe drift":
            rig.spoil(fault.probe, "drift", fault.amount)
            later(fault.until_ms, lambda _: rig.spoil(fault.probe, "sound"))
        case "fouling":
            rig.spoil(fault.probe, "coated", fault.amount)
            later(fault.until_ms, lambda _: rig.spoil(fault.probe, "sound"))
        case "probe in air":
            rig.spoil(fault.probe, "air")
            later(fault.until_ms, lambda _: rig.spoil(fault.probe, "sound"))


def plan_faults(rng: random.Random, chemistry: str, begin_ms: int, days: float, every_days: float) -> list[Fault]:
    """About one fault every `every_days`, of any kind that fits, none so late that nothing can come of it."""
    kinds = kinds_for(chemistry)
    found, at_ms = [], begin_ms + int(rng.uniform(1.5, 1.5 + every_days) * DAY_MS)
    while at_ms < begin_ms + (days - 1.5) * DAY_MS:
        found.append(draw(rng, rng.choice(kinds), at_ms))
        at_ms += int(rng.uniform(0.6, 1.4) * every_days * DAY_MS)
    return found
