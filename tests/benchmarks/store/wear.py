"""What a day of watching writes to a card: `python -m tests.benchmarks.store.wear --into DIRECTORY [--scan-s 10]`.

Six vats, three quantities; every scan of a day is committed one by one, the day is sealed at its end, and an outlet of
history notes its place once a minute as the forwarder does. Bytes are counted twice: what the process gave to storage
(/proc/self/io), and what the block device under DIRECTORY wrote, the file system's own journal included. The second is
worth something only on a device of its own:

    truncate -s 1G card.img && mkfs.ext4 -q card.img && mount -o loop card.img /mnt && python -m … --into /mnt
"""

from __future__ import annotations

import argparse
import os
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from tests.benchmarks.store.season import DAY_MS, Plan, scans_of
from vatwatch.records import Batch, Delivery, StepResult
from vatwatch.store import rows
from vatwatch.store.chunk_making import packed_whole
from vatwatch.store.chunks import Chunk
from vatwatch.store.writing import StoreWriter
from vatwatch.terms import Stream

HOUR_SCANS_S = 3600


@dataclass(frozen=True, slots=True)
class Wear:
    """A day's writes. `payload` is what of it stays: the file after sealing."""

    scan_s: int
    scans: int
    outlet: bool
    process_bytes: int
    device_bytes: int
    file_bytes: int
    seconds: float


def batches(plan: Plan, day: int, count: int) -> Iterator[Batch]:
    """One batch per scan, as the recorder would hand them in, with a vat's state kept every hour."""
    chunks = []
    for vat in range(plan.vats):
        parts = packed_whole(scans_of(plan, vat, day))
        chunk = Chunk(plan.vat(vat), plan.scans, parts.frame)
        chunk.give_scans(parts.scans)
        chunk.give_samples(parts.samples)
        chunks.append(chunk)
    every = HOUR_SCANS_S * 1000 // plan.step_ms
    for index in range(count):
        steps = tuple(
            StepResult(rows.scan_of(chunk.scan_row(index)), tuple(map(rows.sample_of, chunk.samples_of(index))))
            for chunk in chunks
        )
        # A state as the pipeline keeps it takes about 4 kB of JSON.
        kept = {} if index % every else {chunk.vat: "x" * 4000 for chunk in chunks}
        yield Batch(steps[0].scan.slot_ms, 1, steps, state_snapshots=kept)


def process_bytes() -> int:
    """What this process has caused to be sent to the storage layer, so far."""
    lines = Path("/proc/self/io").read_text(encoding="ascii").splitlines()
    return int(next(line for line in lines if line.startswith("write_bytes")).split()[1])


def device_bytes(place: Path) -> int:
    """What the block device that holds `place` has written, so far; 0 where there is none (tmpfs)."""
    device = place.stat().st_dev
    found = Path(f"/sys/dev/block/{os.major(device)}:{os.minor(device)}/stat")
    # Field 7 counts sectors of 512 bytes, whatever the device's own (kernel documentation, block/stat).
    return int(found.read_text(encoding="ascii").split()[6]) * 512 if found.exists() else 0


def a_day(place: Path, scan_s: int, outlet: bool, scans: int | None = None) -> Wear:
    """Write a day, the first scan of the next one, and all that is due then."""
    plan = Plan(days=2, step_ms=scan_s * 1000)
    count = plan.scans if scans is None else scans
    path = place / f"wear-{scan_s}-{int(outlet)}.db"
    for leftover in place.glob(f"{path.name}*"):
        leftover.unlink()
    with StoreWriter.open(path) as writer:
        writer.record_settings(0, "{}", [])
        before = process_bytes(), device_bytes(place)
        start = time.perf_counter()
        for number, batch in enumerate(batches(plan, 0, count), start=1):
            writer.append(batch)
            if outlet and number % max(1, 60 // scan_s) == 0:
                writer.record_delivery(Delivery("influxdb", Stream.SCANS, number * plan.vats, number))
        for batch in batches(plan, 1, 1):
            writer.append(batch)
        writer.seal_all()
    # One sync stands for the flushes of a day that are still on their way.
    os.sync()
    seconds = time.perf_counter() - start
    spent = process_bytes() - before[0], device_bytes(place) - before[1]
    return Wear(scan_s, count, outlet, *spent, path.stat().st_size, seconds)


def shown(wear: Wear) -> str:
    """A row of the table, for a whole day."""
    days = wear.scans * wear.scan_s * 1000 / DAY_MS
    cells = [
        f"{wear.scan_s} s", "yes" if wear.outlet else "no", f"{wear.process_bytes / days / 1e6:.0f}",
        f"{wear.device_bytes / days / 1e6:.0f}", f"{wear.file_bytes / 1e6:.1f}",
        f"{wear.device_bytes / wear.scans / 1024:.1f}", f"{wear.device_bytes / days * 200 / 1e9:.0f}",
    ]  # fmt: skip
    return f"| {' | '.join(cells)} |"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--into", type=Path, required=True)
    parser.add_argument("--scan-s", type=int, nargs="*", default=[10, 1])
    parser.add_argument("--scans", type=int, help="so many instead of a whole day")
    given = parser.parse_args()
    print(
        "| scan | outlet of history | process, MB/day | device, MB/day | file then, MB | device, KiB/scan | 200 days, GB |"
    )
    print("|---|---|---|---|---|---|---|")
    for scan_s in given.scan_s:
        for outlet in (False, True):
            print(shown(a_day(given.into, scan_s, outlet, given.scans)), flush=True)


if __name__ == "__main__":
    main()
