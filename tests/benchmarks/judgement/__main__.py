"""Simulated vat-months, judged and scored.  python -m tests.benchmarks.judgement [--months N] [--days D] [--set test|tune]

Seeds for tuning are 1 to 99, for the test 1001 and up: nothing was tuned on the latter. Uses two processes.
"""

from __future__ import annotations

import argparse
import time
from concurrent.futures import ProcessPoolExecutor

from tests.benchmarks.judgement.month import run_month
from tests.benchmarks.judgement.scoring import Score, score, table
from vatwatch.vat.recipes import Chemistry


def one(job: tuple[str, int, float]) -> tuple[str, Score]:
    chemistry, seed, days = job
    return chemistry, score(run_month(chemistry, seed, days))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--months", type=int, default=64, help="vat-months in all, spread over the eight chemistries")
    parser.add_argument("--days", type=float, default=30.0, help="days of each month")
    parser.add_argument("--set", choices=("tune", "test"), default="test")
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    first = 1001 if options.set == "test" else 1
    kinds = [chemistry.value for chemistry in Chemistry]
    jobs = [(kinds[i % len(kinds)], first + i // len(kinds), options.days) for i in range(options.months)]
    began = time.monotonic()
    whole = Score()
    per: dict[str, Score] = {}
    with ProcessPoolExecutor(options.workers) as pool:
        for chemistry, found in pool.map(one, jobs):
            whole.merge(found)
            per.setdefault(chemistry, Score()).merge(found)
    print(table(whole))
    for name, found in per.items():
        print(
            f"{name:18} told {found.caught}/{found.excursions}, slow {found.slow_warned}/{found.slow}, "
            f"needless {found.needless}, named {found.named}/{found.faults}, pushes {found.pushes}"
        )
    for title, lines in (
        ("not told", whole.missed),
        ("not warned in time", whole.unwarned),
        ("cause not named", whole.unnamed),
        ("needless", whole.needless_lines),
    ):
        print(f"{title}:", *lines, sep="\n   ")
    print(f"{time.monotonic() - began:.0f} s")


if __name__ == "__main__":
    main()
