"""A long export beside a short one: how fast the record streams out, and that memory does not grow with it.

    python -m tests.benchmarks.export --into DIR [--samples 60000000] [--as csv|line-protocol|parquet]

The record is made once and found again: one vat whose meter sends pH, ORP and temperature each second, a scan a minute,
180 samples in each. Every tenth of the way the rows written so far, the rate and the process's largest memory are printed.
"""

from __future__ import annotations

import argparse
import math
import resource
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

from rich.console import Console
from rich.progress import Progress

from tests.store.batches import card_of
from vatwatch.records import Batch, Measured, Sample, Scan, StepResult
from vatwatch.season.export_forms import FORMS
from vatwatch.season.exporting import export_files
from vatwatch.store.reading import StoreReader
from vatwatch.store.writing import StoreWriter
from vatwatch.terms import Flag, Signal, VatCondition

START_MS, SLOT_MS = 1_777_593_600_000, 60_000
SECONDS = range(1000, SLOT_MS + 1, 1000)
PROBES = (
    ("ph", Signal.PH, 10.6, 0.2, 2),
    ("orp", Signal.ORP_MV, -655.0, 20.0, 1),
    ("t", Signal.TEMPERATURE_C, 39.0, 1.0, 2),
)
A_SLOT = len(SECONDS) * len(PROBES)
BATCH_SLOTS = 60


def rss_mb() -> float:
    """The most this process ever held, MB (Linux gives KiB)."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def steps(slots: int) -> Iterator[StepResult]:
    """A vat that swings through its day, a little rougher than any meter shows it."""
    for number in range(1, slots + 1):
        slot_ms = START_MS + number * SLOT_MS
        samples = tuple(
            Sample(
                slot_ms - SLOT_MS + second,
                "tub",
                f"tub-{name}",
                signal,
                round(
                    middle + swing * math.sin((slot_ms + 37 * second) / 1.3e7) + 1e-3 * swing * (second // 1000 % 7),
                    digits,
                ),
                Flag.PASS,
            )
            for second in SECONDS
            for name, signal, middle, swing, digits in PROBES
        )
        ph, orp, temperature = (Measured(one.value, 0.1, Flag.PASS, "", one.time_ms) for one in samples[-3:])
        scan = Scan(slot_ms, "tub", ph, orp, temperature, None, None, None, None, VatCondition.DYEABLE)
        yield StepResult(scan, samples)


def make(path: Path, slots: int) -> None:
    with StoreWriter.open(path) as writer:
        version = writer.record_settings(START_MS, "{}", [card_of("tub")])
        waiting: list[StepResult] = []
        for step in steps(slots):
            waiting.append(step)
            if len(waiting) == BATCH_SLOTS:
                writer.append(Batch(step.scan.slot_ms, version, tuple(waiting)))
                waiting = []
        if waiting:
            writer.append(Batch(waiting[-1].scan.slot_ms, version, tuple(waiting)))
        writer.seal_all()


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--into", type=Path, required=True, help="directory for the record and the files")
    parser.add_argument("--samples", type=int, default=60_000_000)
    parser.add_argument("--as", dest="form", choices=sorted(FORMS), default="csv")
    given = parser.parse_args(arguments)
    slots = -(-given.samples // A_SLOT)
    path = given.into / f"record-{slots * A_SLOT}.db"
    if not path.exists():
        given.into.mkdir(parents=True, exist_ok=True)
        print(f"making {path} …", flush=True)
        part, began = path.with_suffix(".part"), time.process_time()
        make(part, slots)
        part.rename(path)
        print(f"made in {time.process_time() - began:.0f} s of processor; run again to export it", flush=True)
        return  # what making it took must not stand in the memory of the export
    tenth, last_ms = 0, START_MS + slots * SLOT_MS
    began = time.process_time()
    console = Console(stderr=True)
    with StoreReader(path) as reader, Progress(console=console, transient=True) as progress:
        bar = progress.add_task("exporting", total=last_ms - START_MS)

        def told(slot_ms: int) -> None:
            nonlocal tenth
            progress.update(bar, completed=slot_ms - START_MS)
            done = min(slots, (slot_ms - START_MS) // SLOT_MS)
            while tenth < 10 and done >= (tenth + 1) * slots // 10:
                tenth += 1
                rate = done * A_SLOT / max(time.process_time() - began, 1e-9)
                print(
                    f"{done * A_SLOT:12,} samples, {rate:10,.0f} a second, held at most {rss_mb():.0f} MB", flush=True
                )

        files = export_files(reader, given.into / given.form, 0, last_ms + 1, told, FORMS[given.form])
    size = sum(file.stat().st_size for file in files)
    print(f"{size / 1e6:,.0f} MB of {given.form} from a record of {path.stat().st_size / 1e6:,.0f} MB", file=sys.stdout)


if __name__ == "__main__":
    main()
