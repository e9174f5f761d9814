"""Simulated vat-months, judged and scored.

    python -m tests.benchmarks.judgement [--months N] [--days D] [--set test|tune] [--workers W] [--vat rehearsal|lumped]
                                         [--into DIR]

Seeds for tuning are 1 to 99, for the test 1001 and up: nothing was tuned on the latter. With `--into` each month's score
is written to a file of its own: a stopped run goes on where it was, and `--months 0 --into DIR` prints what there is.
"""

from __future__ import annotations

import argparse
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from tests.benchmarks.judgement.lumped import LumpedRig
from tests.benchmarks.judgement.month import MakeRig, run_month
from tests.benchmarks.judgement.rigs import RehearsalRig
from tests.benchmarks.judgement.score import Score, details, keep, kept, table
from tests.benchmarks.judgement.scoring import score
from vatwatch.vat.recipes import Chemistry

VATS: dict[str, MakeRig] = {"rehearsal": RehearsalRig, "lumped": LumpedRig}
Job = tuple[str, int, float, str, Path | None]


def one(job: Job) -> tuple[str, Score]:
    chemistry, seed, days, vat, into = job
    path = None if into is None else into / f"{vat}-{chemistry}-{seed}-{days:g}.json"
    found = None if path is None else kept(path)
    if found is None:
        found = score(run_month(chemistry, seed, days, make=VATS[vat]))
        if path is not None:
            keep(path, found)
    return chemistry, found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--months", type=int, default=64, help="vat-months in all, spread over the eight chemistries")
    parser.add_argument("--days", type=float, default=30.0, help="days of each month")
    parser.add_argument("--set", choices=("tune", "test"), default="test")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--vat", choices=sorted(VATS), default="rehearsal", help="which simulator")
    parser.add_argument("--into", type=Path, help="directory for one file a month")
    options = parser.parse_args()
    first = 1001 if options.set == "test" else 1
    kinds = [chemistry.value for chemistry in Chemistry]
    if options.into is not None:
        options.into.mkdir(parents=True, exist_ok=True)
    jobs: list[Job] = [
        (kinds[i % len(kinds)], first + i // len(kinds), options.days, options.vat, options.into)
        for i in range(options.months)
    ]
    began = time.monotonic()
    whole = Score()
    per: dict[str, Score] = {}
    with ProcessPoolExecutor(options.workers) as pool:
        for chemistry, found in pool.map(one, jobs):
            whole.merge(found)
            per.setdefault(chemistry, Score()).merge(found)
    if not jobs and options.into is not None:
        for path in sorted(options.into.glob(f"{options.vat}-*.json")):
            done = kept(path)
            if done is not None:
                whole.merge(done)
    print(table(whole))
    for name, found in per.items():
        print(
            f"{name:18} told {found.caught}/{found.excursions}, slow {found.slow_warned}/{found.slow}, "
            f"needless {found.needless}, named {found.named.total()}/{found.faults.total()}, pushes {found.pushes}"
        )
    print(details(whole))
    print(f"{time.monotonic() - began:.0f} s")


if __name__ == "__main__":
    main()
