"""Fault injections and clean months, scored: what was named, how soon, and what was named that was not there.

    python -m tests.benchmarks.probe_faults.scoring --cases 400 --months 24

The seeds of the test ("test/…") and of tuning ("tune/…", with --tuning) never meet.
"""

from __future__ import annotations

import argparse
import itertools
import random
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from statistics import median

from tests.benchmarks.probe_faults.shed import CHEMISTRIES, DAY, HOUR, MINUTE, SIGNALS, Shed
from tests.vat.vats import START
from vatwatch.records import JournalEntry
from vatwatch.rehearsal.liquor import VatTruth
from vatwatch.terms import EntryKind
from vatwatch.vat.probe_fault_names import FaultName, Finding
from vatwatch.vat.probe_faults import FaultMemory, step_faults
from vatwatch.vat.qartod import SeriesMemory
from vatwatch.vat.quality import flag_samples

ALKALINE_CHEMISTRIES = ("hydrosulfite", "thiourea-dioxide", "bran-madder")
WARM_CHEMISTRIES = ("hydrosulfite", "thiourea-dioxide", "woad", "bran-madder", "leaf-ash")


@dataclass(frozen=True, slots=True)
class Case:
    """One injection. `probes` are those it strikes; named within `within_ms` or missed."""

    seed: str
    chemistry: str
    name: FaultName
    variant: str
    probes: tuple[str, ...]
    onset_ms: int
    within_ms: int


@dataclass(frozen=True, slots=True)
class Verdict:
    """What became of a case: the first finding about a struck probe, and wrong ones."""

    case: Case
    named: str
    after_ms: int | None
    wrong: tuple[str, ...]

    @property
    def right(self) -> bool:
        return self.named == self.case.name and not self.wrong


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


def judged_slots(shed: Shed) -> Iterator[tuple[int, tuple[Finding, ...], VatTruth]]:
    """The judgement under test over a shed's slots: each slot's end, what stands, and the truth."""
    series: dict[str, SeriesMemory] = {}
    faults = FaultMemory()
    for slot_ms, samples, journal, truth in shed.slots():
        series, flagged = flag_samples(series, samples, slot_ms - shed.scan_ms)
        faults = step_faults(shed.settings, faults, slot_ms, flagged, journal, {})
        yield slot_ms, faults.findings, truth


def is_true(finding: Finding, truth: VatTruth) -> bool:
    """A liquor above pH 12 gives a real alkaline error, whether anybody injected one or not."""
    return finding.name is FaultName.ALKALINE_ERROR and truth.ph > 11.8


def run_case(case: Case, scan_ms: int) -> Verdict:
    days = (case.onset_ms - START + case.within_ms) / DAY
    shed = Shed(case.seed, case.chemistry, days, scan_ms, second_thermometer=True if "T2" in case.probes else None)
    if case.name is FaultName.SLOW and not moves_enough(case):
        chemistry = random.Random(f"again/{case.seed}").choice(CHEMISTRIES)
        return run_case(replace(case, seed=f"{case.seed}+", chemistry=chemistry), scan_ms)
    struck = {SIGNALS[name][0] for name in case.probes}
    before: set[FaultName] = set()
    wrong: set[str] = set()
    if case.onset_ms == START:
        strike(shed, case, shed.vat.truth())
    begun = case.onset_ms == START
    for slot_ms, findings, truth in judged_slots(shed):
        if not begun:
            before = {f.name for f in findings}
            if slot_ms >= case.onset_ms:
                if not separable(case, truth):
                    return run_case(replace(case, seed=f"{case.seed}+"), scan_ms)
                strike(shed, case, truth)
                begun = True
            continue
        for finding in findings:
            if finding.name is case.name and struck & set(finding.probes):
                return Verdict(case, finding.name, slot_ms - case.onset_ms, tuple(sorted(wrong)))
            if finding.name not in before and not is_true(finding, truth):
                wrong.add(f"{finding.name} {','.join(finding.probes)}")
    return Verdict(case, "", None, tuple(sorted(wrong)))


TELLING = {"pH": 0.06, "ORP": 15.0}
TELLING_DEEDS = 6


def moves_enough(case: Case) -> bool:
    """Whether the liquor itself answers what is done to it often enough, before and after: else no probe can be slow.

    The vat is run once by itself; a telling deed is one in the journal that moves pH or Eh clearly within ten minutes.
    """
    shed = Shed(case.seed, case.chemistry, (case.onset_ms - START + case.within_ms) / DAY)
    for entry in shed.journal:
        shed.vat.apply(entry)
    told = {"before": 0, "after": 0}
    last = START
    for entry in shed.journal:
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
            told["before" if entry.time_ms < case.onset_ms else "after"] += 1
    return min(told.values()) >= TELLING_DEEDS


def separable(case: Case, truth: VatTruth) -> bool:
    """Whether the fault makes a difference at all in this vat: a thermometer in air as warm as the vat shows nothing."""
    match case.variant:
        case "thermometer in air":
            return truth.temperature_c >= 24.0
        case "ORP in air" | "ORP shorted":
            return truth.eh_mv < 0.0
        case "pH in air":
            return truth.ph >= 8.7
        case _:
            return True


@dataclass(frozen=True, slots=True)
class CleanMonth:
    chemistry: str
    seed: str
    days: float
    false: tuple[str, ...]


def run_clean(seed: str, chemistry: str, days: float, scan_ms: int) -> CleanMonth:
    shed = Shed(seed, chemistry, days, scan_ms)
    false: list[str] = []
    last: set[tuple[FaultName, tuple[str, ...]]] = set()
    for slot_ms, findings, truth in judged_slots(shed):
        now = {(f.name, f.probes) for f in findings if not is_true(f, truth)}
        if now != last:
            false += [
                f"{name} {','.join(probes)} at {(slot_ms - START) / DAY:.3f} d" for name, probes in sorted(now - last)
            ]
            last = now
    return CleanMonth(chemistry, seed, days, tuple(false))


def _clean(job: tuple[str, str, float, int]) -> CleanMonth:
    return run_clean(*job)


def _case(job: tuple[str, int, int]) -> Verdict:
    seed, number, scan_ms = job
    return run_case(draw_case(seed, number), scan_ms)


def score(
    seed: str, cases: int, clean_days: float, per_chemistry: int, workers: int, scan_ms: int
) -> tuple[list[Verdict], list[CleanMonth]]:
    jobs = [(seed, number, scan_ms) for number in range(cases)]
    clean = [
        (f"{seed}/clean/{n}", chemistry, clean_days, scan_ms) for n in range(per_chemistry) for chemistry in CHEMISTRIES
    ]
    if workers == 1:
        return [_case(job) for job in jobs], [_clean(job) for job in clean]
    with ProcessPoolExecutor(workers) as pool:
        return list(pool.map(_case, jobs, chunksize=4)), list(pool.map(_clean, clean))


def table(verdicts: list[Verdict], months: list[CleanMonth]) -> str:
    lines = [
        f"{'fault':26} {'injected as':28} {'cases':>5} {'right':>5}  {'median':>8}  {'slowest':>8}  otherwise named"
    ]
    groups: dict[tuple[str, str], list[Verdict]] = defaultdict(list)
    for v in verdicts:
        groups[v.case.name, v.case.variant].append(v)
    for (name, variant), group in groups.items():
        times = [v.after_ms / MINUTE for v in group if v.after_ms is not None]
        other = Counter(w for v in group if not v.right for w in (v.wrong or ("nothing",)))
        said = ", ".join(f"{what} ×{n}" for what, n in other.items())
        middle, slowest = (f"{median(times):.0f} min", f"{max(times):.0f} min") if times else ("–", "–")
        lines.append(
            f"{name:26} {variant:28} {len(group):5} {sum(v.right for v in group):5}  {middle:>8}  {slowest:>8}  {said}"
        )
    right = sum(v.right for v in verdicts)
    if verdicts:
        lines.append(f"named correctly: {right} of {len(verdicts)} = {100 * right / len(verdicts):.1f} %")
    days = sum(m.days for m in months)
    if days:
        false = [f for m in months for f in m.false]
        lines.append(
            f"clean: {days / 30:.1f} vat-months, {len(false)} false faults = {len(false) / days * 30:.2f} per vat-month"
        )
        for m in months:
            lines += [f"  {m.chemistry} {m.seed}: {f}" for f in m.false]
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cases", type=int, default=400)
    parser.add_argument("--months", type=int, default=24, help="clean vat-months, a multiple of 8")
    parser.add_argument("--tuning", action="store_true", help="the seeds kept for tuning")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--scan-ms", type=int, default=10_000)
    given = parser.parse_args()
    begin = time.perf_counter()
    seed = "tune" if given.tuning else "test"
    print(table(*score(seed, given.cases, 30.0, given.months // len(CHEMISTRIES), given.workers, given.scan_ms)))
    print(f"{time.perf_counter() - begin:.0f} s")


if __name__ == "__main__":
    main()
