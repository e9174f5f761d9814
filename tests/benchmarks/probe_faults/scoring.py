"""Fault injections and clean months, scored: what was named, how soon, and what was named that was not there.

    python -m tests.benchmarks.probe_faults.scoring --cases 400 --months 24

What is done is kept in a file, so a run that was broken off goes on where it was; the table is printed as it grows.
The seeds of the test ("test/…") and of tuning ("tune/…", with --tuning) never meet.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import random
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from statistics import median
from typing import Any

from tests.benchmarks.probe_faults.cases import Case, draw_case, moves_enough, separable, strike
from tests.benchmarks.probe_faults.shed import CHEMISTRIES, DAY, MINUTE, SIGNALS, Shed
from tests.vat.vats import START
from vatwatch.rehearsal.liquor import VatTruth
from vatwatch.vat.probe_fault_names import FaultName, Finding
from vatwatch.vat.probe_faults import FaultMemory, step_faults
from vatwatch.vat.qartod import SeriesMemory
from vatwatch.vat.quality import flag_samples

ROOT = Path(__file__).parents[3]
STANDS_MS = 10 * MINUTE
"""A right name must still stand this much later, and no wrong one have come up meanwhile."""
WHOLE_TABLE_EVERY = 100


@dataclass(frozen=True, slots=True)
class Verdict:
    """What became of a case: whether and when it was named as it was injected, and whatever else was named."""

    case: Case
    named: str
    after_ms: int | None
    wrong: tuple[str, ...]

    @property
    def right(self) -> bool:
        return self.named == self.case.name and not self.wrong


@dataclass(frozen=True, slots=True)
class CleanMonth:
    chemistry: str
    seed: str
    days: float
    false: tuple[str, ...]


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


def is_right(finding: Finding, case: Case) -> bool:
    """The injected fault, of probes it struck and no other; of two that disagree, both are named."""
    struck = {SIGNALS[name][0] for name in case.probes}
    named = set(finding.probes)
    return finding.name is case.name and (named <= struck or (case.name is FaultName.DISAGREE and bool(struck & named)))


def run_case(case: Case, scan_ms: int) -> Verdict:
    while case.name is FaultName.SLOW and not moves_enough(case):
        chemistry = random.Random(f"again/{case.seed}").choice(CHEMISTRIES)
        case = replace(case, seed=f"{case.seed}+", chemistry=chemistry)
    days = (case.onset_ms - START + case.within_ms + STANDS_MS) / DAY
    second = True if "T2" in case.probes else None
    shed = Shed(case.seed, case.chemistry, days, scan_ms, second_thermometer=second)
    begun = case.onset_ms == START
    if begun:
        strike(shed, case, shed.vat.truth())
    standing: frozenset[tuple[FaultName, tuple[str, ...]]] = frozenset()
    named_ms: int | None = None
    wrong: set[str] = set()
    for slot_ms, findings, truth in judged_slots(shed):
        if not begun:
            # What was found wrongly before anything happened is counted with the clean months, not here.
            standing = frozenset((f.name, f.probes) for f in findings)
            if slot_ms >= case.onset_ms:
                if not separable(case, truth):
                    return run_case(replace(case, seed=f"{case.seed}+"), scan_ms)
                strike(shed, case, truth)
                begun = True
            continue
        if standing:
            standing &= {(f.name, f.probes) for f in findings}
        right = False
        for finding in findings:
            if (finding.name, finding.probes) in standing:
                continue
            if is_true(finding, truth) and finding.name is not case.name:
                continue
            if is_right(finding, case):
                right = True
            else:
                wrong.add(f"{finding.name} {','.join(finding.probes)}")
        if right and named_ms is None:
            named_ms = slot_ms
        if named_ms is not None and slot_ms >= named_ms + STANDS_MS:
            if not right:
                wrong.add("taken back")
            break
        if named_ms is None and slot_ms > case.onset_ms + case.within_ms:
            break
    if named_ms is None:
        return Verdict(case, "", None, tuple(sorted(wrong)))
    return Verdict(case, case.name, named_ms - case.onset_ms, tuple(sorted(wrong)))


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


@dataclass(frozen=True, slots=True)
class Job:
    """One case (`number` of `seed`, unless `case` is given), or one vat left alone for `days` (0: it is a case)."""

    seed: str
    number: int
    scan_ms: int
    days: float = 0.0
    case: Case | None = None

    @property
    def key(self) -> str:
        return f"{'clean' if self.days else 'case'} {self.seed}/{self.number} {self.scan_ms} {self.days:g}"

    def run(self) -> Verdict | CleanMonth:
        if not self.days:
            return run_case(self.case or draw_case(self.seed, self.number), self.scan_ms)
        turn, kind = divmod(self.number, len(CHEMISTRIES))
        return run_clean(f"{self.seed}/clean/{turn}", CHEMISTRIES[kind], self.days, self.scan_ms)


def jobs_of(seed: str, cases: int, clean_days: float, clean_vats: int, scan_ms: int, long_scan_ms: int) -> list[Job]:
    """The quick ones first, so that the table says something soon; what takes days is read every `long_scan_ms`.

    Everything is looked at once a minute, so a coarser scan means fewer readings behind each look, not fewer looks: it
    makes the clean months and the slow probes no easier to tell, and it costs a third of the time.
    """
    cased = sorted((draw_case(seed, number).within_ms, number) for number in range(cases))
    todo = [Job(seed, number, long_scan_ms if within_ms > 2 * DAY else scan_ms) for within_ms, number in cased]
    return todo + [Job(seed, number, long_scan_ms, clean_days) for number in range(clean_vats)]


def score(jobs: Sequence[Job], workers: int = 1, kept: Path | None = None) -> tuple[list[Verdict], list[CleanMonth]]:
    """Runs what `kept` does not hold already. With more than one worker the table is printed as it grows."""
    done: dict[str, Verdict | CleanMonth] = {} if kept is None else read_kept(kept)
    todo = [job for job in jobs if job.key not in done]
    if workers == 1:
        for job in todo:
            _keep(done, job, job.run(), kept)
    else:
        with ProcessPoolExecutor(workers) as pool:
            running = {pool.submit(Job.run, job): job for job in todo}
            for future in as_completed(running):
                _keep(done, running[future], future.result(), kept)
                if len(done) % WHOLE_TABLE_EVERY == 0:
                    print(f"--- {len(done)} of {len(jobs)} done\n{table(*_sorted(jobs, done))}", flush=True)
    return _sorted(jobs, done)


def _sorted(jobs: Sequence[Job], done: dict[str, Verdict | CleanMonth]) -> tuple[list[Verdict], list[CleanMonth]]:
    ended = [done[job.key] for job in sorted(jobs, key=lambda job: job.number) if job.key in done]
    return [one for one in ended if isinstance(one, Verdict)], [one for one in ended if isinstance(one, CleanMonth)]


def _keep(done: dict[str, Verdict | CleanMonth], job: Job, result: Verdict | CleanMonth, kept: Path | None) -> None:
    done[job.key] = result
    if kept is not None:
        with kept.open("a", encoding="utf-8") as file:
            file.write(json.dumps({"key": job.key, **asdict(result)}) + "\n")


def read_kept(path: Path) -> dict[str, Verdict | CleanMonth]:
    done: dict[str, Verdict | CleanMonth] = {}
    for line in path.read_text(encoding="utf-8").splitlines() if path.exists() else ():
        raw: dict[str, Any] = json.loads(line)
        key = raw.pop("key")
        if "case" in raw:
            given = raw["case"]
            case = Case(**{**given, "name": FaultName(given["name"]), "probes": tuple(given["probes"])})
            done[key] = Verdict(case, raw["named"], raw["after_ms"], tuple(raw["wrong"]))
        else:
            done[key] = CleanMonth(raw["chemistry"], raw["seed"], raw["days"], tuple(raw["false"]))
    return done


def kept_for_this_program() -> Path:
    """A file of its own for every state of the code that decides: results of two are never mixed."""
    digest = hashlib.sha256()
    for room in ("vatwatch/vat", "vatwatch/chemistry", "vatwatch/rehearsal", "tests/benchmarks/probe_faults"):
        for path in sorted((ROOT / room).glob("*.py")):
            digest.update(path.read_bytes())
    return Path(tempfile.gettempdir()) / f"vatwatch-probe-faults-{digest.hexdigest()[:12]}.jsonl"


def table(verdicts: Sequence[Verdict], months: Sequence[CleanMonth]) -> str:
    head = (
        f"{'fault':26} {'injected as':28} {'cases':>5} {'right':>5}  {'median':>8}  {'slowest':>8}  {'drawn anew':>10}"
    )
    lines = [f"{head}  otherwise named"]
    groups: dict[tuple[str, str], list[Verdict]] = defaultdict(list)
    for v in verdicts:
        groups[v.case.name, v.case.variant].append(v)
    for (name, variant), group in sorted(groups.items()):
        times = [v.after_ms / MINUTE for v in group if v.after_ms is not None]
        other = Counter(w for v in group if not v.right for w in (v.wrong or ("nothing",)))
        said = ", ".join(f"{what} ×{n}" for what, n in other.items())
        middle, slowest = (f"{median(times):.0f} min", f"{max(times):.0f} min") if times else ("–", "–")
        lines.append(
            f"{name:26} {variant:28} {len(group):5} {sum(v.right for v in group):5}  {middle:>8}  {slowest:>8}  "
            f"{sum(v.case.redrawn for v in group):10}  {said}"
        )
    lines += [
        f"  not as injected: {v.case.seed} {v.case.chemistry}, {v.case.variant}: {v.named or 'nothing'}; "
        f"{', '.join(v.wrong)}"
        for v in verdicts
        if not v.right
    ]
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
    parser.add_argument(
        "--months", type=int, default=24, help="clean vat-months of 30 days, over the chemistries in turn"
    )
    parser.add_argument("--tuning", action="store_true", help="the seeds kept for tuning")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--scan-ms", type=int, default=10_000)
    parser.add_argument("--long-scan-ms", type=int, default=30_000, help="of clean months and of slow probes")
    parser.add_argument("--kept", type=Path, help="where results are kept (default: a file named after the code)")
    given = parser.parse_args()
    begin = time.perf_counter()
    kept = given.kept or kept_for_this_program()
    print(f"results are kept in {kept}", flush=True)
    seed = "tune" if given.tuning else "test"
    jobs = jobs_of(seed, given.cases, 30.0, given.months, given.scan_ms, given.long_scan_ms)
    print(table(*score(jobs, given.workers, kept)))
    print(f"{time.perf_counter() - begin:.0f} s")


if __name__ == "__main__":
    main()
