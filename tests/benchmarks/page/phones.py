"""What the page costs: 50 open phones, how soon an entry is on all of them, and server time with a season behind it.

    python -m tests.benchmarks.page.phones                       50 phones for 60 s, 1 s scans; season of 20 days
    python -m tests.benchmarks.page.phones --scan 10 --days 200  the usual scan, and 200 days of two vats

The daemon is the real one on two rehearsed vats, in a process of its own: its processor time is read from /proc with
no phone and with all of them, so that the simulation and the judgement are not counted to the phones. Two thirds of
the phones look at a vat, one third at all vats. An entry is handed in by JSON; the clock runs from its answer, which
comes after the commit, to the drawing with that entry in it. Nothing here passes or fails: it prints a table.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from functools import partial
from pathlib import Path
from urllib.parse import urlsplit
from uuid import uuid4

import httpx

from tests.page.house import CARDS, NOW_MS, STALE_AFTER_MS, House, Writer, free_port, scan_of
from tests.page.rehearsed import rehearsed
from vatwatch.page.app import create_app
from vatwatch.page.server import PageServer
from vatwatch.records import Batch, JournalEntry, StepResult
from vatwatch.store.writing import StoreWriter
from vatwatch.terms import EntryKind

ENTRIES = 20


def serve(scan_s: int) -> None:
    """The child: the daemon until its standard input ends."""
    with tempfile.TemporaryDirectory() as directory, rehearsed(Path(directory), scan_s=scan_s) as shed:
        print(shed.url, flush=True)
        sys.stdin.read()


def cpu_s(pid: int) -> float:
    """Processor time a process has used so far."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


class Phone:
    """One open stream: counts bytes, remembers when it first saw each mark."""

    def __init__(self, url: str, path: str) -> None:
        self.parts, self.path = urlsplit(url), path
        self.bytes = 0
        self.seen: dict[str, float] = {}

    async def look(self, marks: set[str]) -> None:
        reader, writer = await asyncio.open_connection(self.parts.hostname, self.parts.port, limit=2**20)
        writer.write(f"GET {self.path} HTTP/1.1\r\nHost: {self.parts.netloc}\r\n\r\n".encode())
        try:
            while line := await reader.readline():
                self.bytes += len(line)
                text = line.decode()
                for mark in marks - self.seen.keys():
                    if mark in text:
                        self.seen[mark] = time.perf_counter()
        finally:
            writer.close()


async def with_phones(url: str, pid: int, count: int, seconds: float) -> dict[str, float]:
    """The cost of `count` phones over `seconds`, and how soon entries reach them."""
    marks: set[str] = set()
    phones = [Phone(url, "/live" if number % 3 == 0 else "/live?vat=heron") for number in range(count)]
    tasks = [asyncio.create_task(phone.look(marks)) for phone in phones]
    await asyncio.sleep(5)
    before, began, bytes_before = cpu_s(pid), time.perf_counter(), sum(phone.bytes for phone in phones)
    await asyncio.sleep(seconds)
    spent, lasted = cpu_s(pid) - before, time.perf_counter() - began
    sent = sum(phone.bytes for phone in phones) - bytes_before
    delays = []
    async with httpx.AsyncClient(base_url=url) as client:
        for _ in range(ENTRIES):
            mark = f"mark {uuid4().hex}"
            body = {"entry_id": uuid4().hex, "vat": "heron", "kind": "note", "text": mark}
            marks.add(mark)
            answer = await client.post("/api/journal", json=body)
            committed = time.perf_counter()
            assert answer.status_code == 201
            await asyncio.sleep(1.5)
            seen = [phone.seen.get(mark) for phone in phones if "heron" in phone.path]
            assert all(seen), "a phone did not get it within 1.5 s"
            delays += [at - committed for at in seen if at is not None]
    for task in tasks:
        task.cancel()
    delays.sort()
    return {
        "core_percent": 100 * spent / lasted,
        "kb_per_phone_minute": sent / count / lasted * 60 / 1000,
        "p50_ms": 1000 * statistics.median(delays),
        "p99_ms": 1000 * delays[int(0.99 * (len(delays) - 1))],
        "most_ms": 1000 * delays[-1],
    }


def phones_table(scan_s: int, count: int, seconds: float) -> None:
    child = subprocess.Popen(
        [sys.executable, "-m", "tests.benchmarks.page.phones", "--serve", "--scan", str(scan_s)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert child.stdin is not None
    assert child.stdout is not None
    try:
        url = child.stdout.readline().strip()
        before, began = cpu_s(child.pid), time.perf_counter()
        time.sleep(seconds / 2)
        quiet = 100 * (cpu_s(child.pid) - before) / (time.perf_counter() - began)
        found = asyncio.run(with_phones(url, child.pid, count, seconds))
    finally:
        child.stdin.close()
        child.wait(30)
    print(f"{count} phones, scan {scan_s} s, {seconds:g} s long")
    print(f"  core without a phone      {quiet:6.2f} %   (two vats judged, simulated and read)")
    print(f"  core with all of them     {found['core_percent']:6.2f} %")
    print(f"  core for the phones alone {found['core_percent'] - quiet:6.2f} %   (budget 10 %)")
    print(f"  sent to each phone        {found['kb_per_phone_minute']:6.0f} kB a minute")
    print(
        f"  commit to drawing         p50 {found['p50_ms']:.0f} ms, p99 {found['p99_ms']:.0f} ms, "
        f"most {found['most_ms']:.0f} ms   (budget 1000 ms)"
    )


def season_table(days: int) -> None:
    """Server time and bytes of each screen with `days` of 10 s scans of two vats and 200 days of journal behind it."""
    with tempfile.TemporaryDirectory() as directory:
        path = Path(directory) / "season.vatwatch"
        writer = Writer(path, CARDS, NOW_MS - 201 * 86_400_000)
        fill(writer, days)
        port = free_port()
        url = f"http://127.0.0.1:{port}"
        house = House(writer, path, url, None)  # type: ignore[arg-type]
        app = create_app(house.reader, house.submit, house.clock, "Europe/Berlin", STALE_AFTER_MS, url)
        server = PageServer(app, "127.0.0.1", port, app.close)
        server.start()
        try:
            print(f"\nserver time with {days} days of two vats ({path.stat().st_size / 1e6:.0f} MB) and 8000 entries")
            with httpx.Client(base_url=url, timeout=120) as client:
                for screen in ("/", "/vat/copper", "/pieces", "/piece?name=Cloth+7", "/vat/copper/chart?span=week",
                               "/vat/copper/chart?span=season"):  # fmt: skip
                    first, *rest = [timed(client, screen) for _ in range(2 if "season" in screen else 11)]
                    print(
                        f"  {screen:32} first {first[0]:6.0f} ms, then {statistics.median(t for t, _ in rest):6.0f} ms, "
                        f"{first[1] / 1000:5.1f} kB"
                    )
                files = ("cloth.css", "touch.js", "kept.js", "live.js", "dipped.svg")
                whole = timed(client, "/")[1] + sum(timed(client, f"/static/{name}")[1] for name in files)
                print(f"  first screen with its files      {whole / 1000:.1f} kB   (budget 100 kB)")
            print(
                f"  most memory of this process      {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB"
            )
        finally:
            server.stop(10)
            writer.stop()


def timed(client: httpx.Client, path: str) -> tuple[float, int]:
    began = time.perf_counter()
    answer = client.get(path)
    assert answer.status_code == 200
    return 1000 * (time.perf_counter() - began), len(answer.content)


def fill(writer: Writer, days: int) -> None:
    slots = range(NOW_MS - days * 86_400_000, NOW_MS - 1000, 10_000)
    for at in range(0, len(slots), 4000):
        steps = tuple(StepResult(scan_of(card.vat, slot)) for slot in slots[at : at + 4000] for card in CARDS)
        batch = Batch(steps[-1].scan.slot_ms, writer.version, steps)
        writer.do(partial(StoreWriter.append, batch=batch))
    entries = []
    for number in range(8000):
        time_ms = NOW_MS - (8000 - number) * 2_160_000
        kind, what = EntryKind.STIR, ""
        details: tuple[tuple[str, str], ...] = ()
        if number % 4 == 0:
            kind, what, details = EntryKind.DIP, f"Cloth {number // 12}", (("part", "in"),)
        elif number % 4 == 1:
            kind, what = EntryKind.DIP, f"Cloth {number // 12}"
            details = (("of", f"entry-{number - 1:06d}"), ("part", "out"))
        entries.append(JournalEntry(f"entry-{number:06d}", time_ms, time_ms, "copper", kind, what, details=details))
    writer.do(partial(StoreWriter.append, batch=Batch(NOW_MS, writer.version, journal=tuple(entries))))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--serve", action="store_true", help=argparse.SUPPRESS)
    parser.add_argument("--scan", type=int, default=1, help="seconds of one scan")
    parser.add_argument("--phones", type=int, default=50)
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--days", type=int, default=20, help="days of scans behind the season's screens; 0 leaves them")
    given = parser.parse_args()
    if given.serve:
        serve(given.scan)
        return
    phones_table(given.scan, given.phones, given.seconds)
    if given.days:
        season_table(given.days)


if __name__ == "__main__":
    main()
