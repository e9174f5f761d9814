"""What watching costs, beside collectd in the same minutes: `python -m tests.benchmarks.watch --into DIRECTORY`.

The real `vatwatch run` with three quantities per vat at 1 Hz over real pseudo-terminals, a scan per second, store, MQTT
and page on; collectd (Debian: apt install collectd-core) takes as many values from a program and gives them to csv
files and the same broker. Both run at once, so that a busy machine is busy for both. Needs mosquitto.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from urllib.request import urlopen

from tests.services import HOST, Mosquitto, find_program, free_port, wait_until
from vatwatch.errors import StoreError
from vatwatch.store.reading import StoreReader

METERS = Path(__file__).with_name("meters.py")
TICKS = os.sysconf("SC_CLK_TCK")
PAGE = os.sysconf("SC_PAGE_SIZE")
VAT = """
[vat.vat{n}]
name = "Vat {n}"
chemistry = "hydrosulfite"

[port.port{n}]
device = "{device}"

[[port.port{n}.line]]
pattern = 'pH=(?P<ph>[0-9.]+);ORP=(?P<orp>-?[0-9.]+);T=(?P<t>-?[0-9.]+)'
"""
PROBE = """
[probe.vat{n}-{field}]
vat = "vat{n}"
port = "port{n}"
field = "{field}"
signal = "{signal}"
every_s = 1
stale_after_s = 5
"""
COLLECTD = """
BaseDir "{place}"
PIDFile "{place}/pid"
PluginDir "/usr/lib/collectd"
TypesDB "/usr/share/collectd/types.db"
Interval 1
FQDNLookup false
Hostname "shed"
LoadPlugin exec
LoadPlugin csv
LoadPlugin mqtt
<Plugin csv>
  DataDir "{place}/csv"
</Plugin>
<Plugin mqtt>
  <Publish "broker">
    Host "{host}"
    Port "{port}"
    Prefix "collectd"
    Retain true
    QoS 2
  </Publish>
</Plugin>
<Plugin exec>
  Exec "nobody" "{python}" "{meters}" "putval" "{vats}"
</Plugin>
"""


@dataclass(frozen=True, slots=True)
class Look:
    """A process at one moment."""

    time_s: float
    cpu_s: float
    rss_mb: float
    written_bytes: int
    threads: int
    descriptors: int


def look(pid: int) -> Look:
    place = Path(f"/proc/{pid}")
    fields = (place / "stat").read_text(encoding="ascii").rpartition(")")[2].split()
    written = next(
        int(line.split()[1])
        for line in (place / "io").read_text(encoding="ascii").splitlines()
        if line.startswith("write_bytes")
    )
    pages = int((place / "statm").read_text(encoding="ascii").split()[1])
    return Look(
        time.monotonic(),
        (int(fields[11]) + int(fields[12])) / TICKS,
        pages * PAGE / 1e6,
        written,
        int(fields[17]),
        len(list((place / "fd").iterdir())),
    )


@dataclass(frozen=True, slots=True)
class Cost:
    """A process over a span."""

    name: str
    cpu_share: float
    rss_mb: float
    written_mb_per_day: float
    threads: int
    descriptors: int

    def row(self) -> str:
        return (
            f"| {self.name} | {100 * self.cpu_share:.2f} | {self.rss_mb:.1f} | {self.written_mb_per_day:.0f}"
            f" | {self.threads} | {self.descriptors} |"
        )


def cost(name: str, first: Look, last: Look) -> Cost:
    seconds = last.time_s - first.time_s
    return Cost(
        name,
        (last.cpu_s - first.cpu_s) / seconds,
        last.rss_mb,
        (last.written_bytes - first.written_bytes) / seconds * 86_400 / 1e6,
        last.threads,
        last.descriptors,
    )


@contextmanager
def started(command: list[str], log: Path, **more: object) -> Iterator[subprocess.Popen[bytes]]:
    with log.open("ab") as out:
        process = subprocess.Popen(command, stdout=out, stderr=out, **more)  # type: ignore[call-overload]
    try:
        yield process
    finally:
        process.terminate()
        try:
            process.wait(20)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(20)


@contextmanager
def meters(place: Path, vats: int) -> Iterator[None]:
    with subprocess.Popen([sys.executable, str(METERS), str(place), str(vats)], stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"ready\n"
        try:
            yield
        finally:
            process.kill()


@contextmanager
def vatwatch(place: Path, vats: int, broker: Mosquitto) -> Iterator[subprocess.Popen[bytes]]:
    """The daemon, once every vat has a scan with a value in it."""
    page_port = free_port()
    signals = {"ph": "ph", "orp": "orp_mv", "t": "temperature_c"}
    settings = (
        f'[site]\nid = "bench"\nscan_s = 1\n[page]\nport = {page_port}\n[mqtt]\nhost = "{HOST}"\nport = {broker.port}\n'
    )
    for n in range(vats):
        settings += VAT.format(n=n, device=place / f"port-{n}")
        for field, signal in signals.items():
            settings += PROBE.format(n=n, field=field, signal=signal)
            if field == "orp":
                settings += 'reference = "agcl_3m_kcl"\n'
    config = place / "vatwatch.toml"
    config.write_text(settings, encoding="utf-8")
    command = [sys.executable, "-m", "vatwatch.cli", "run", "--config", str(config)]
    with started(command, place / "vatwatch.log") as process:

        def watched() -> bool:
            assert process.poll() is None, (place / "vatwatch.log").read_text()[-2000:]
            try:
                with StoreReader(place / "vatwatch-data" / "vatwatch.db") as reader:
                    scan = reader.last_scan(f"vat{vats - 1}")
            except StoreError:
                return False
            return scan is not None and scan.ph.value is not None

        wait_until(watched, "every vat is watched", 180)
        with urlopen(f"http://{HOST}:{page_port}/", timeout=30) as answer:
            assert answer.status == 200
        yield process


@contextmanager
def collectd(place: Path, vats: int, broker: Mosquitto) -> Iterator[subprocess.Popen[bytes]]:
    program = find_program("collectd", "collectd-core")
    place.chmod(0o755)
    copy = place / "meters.py"
    shutil.copyfile(METERS, copy)
    copy.chmod(0o644)
    python = shutil.which("python3", path="/usr/bin:/usr/local/bin:/bin") or sys.executable
    config = place / "collectd.conf"
    config.write_text(
        COLLECTD.format(place=place, host=HOST, port=broker.port, python=python, meters=copy, vats=vats),
        encoding="utf-8",
    )
    with started([program, "-f", "-C", str(config)], place / "collectd.log") as process:

        def fed() -> bool:
            assert process.poll() is None, (place / "collectd.log").read_text()[-2000:]
            return len(list((place / "csv").rglob("gauge-*"))) >= 3 * vats

        wait_until(fed, f"collectd has every value; see {place / 'collectd.log'}", 60)
        yield process


def measure(place: Path, vats: int, seconds: float, settle_s: float, beside: bool) -> list[Cost]:
    """Both for so long, at once; the first `settle_s` seconds do not count."""
    place.mkdir(parents=True)
    with ExitStack() as stack:
        broker = Mosquitto()
        stack.enter_context(broker)
        stack.enter_context(meters(place, vats))
        processes = {"vatwatch": stack.enter_context(vatwatch(place, vats, broker))}
        if beside:
            processes["collectd"] = stack.enter_context(collectd(place, vats, broker))
        time.sleep(settle_s)
        first = {name: look(process.pid) for name, process in processes.items()}
        time.sleep(seconds)
        last = {name: look(process.pid) for name, process in processes.items()}
        for name, process in processes.items():
            assert process.poll() is None, f"{name} ended"
        with StoreReader(place / "vatwatch-data" / "vatwatch.db") as reader:
            span = reader.span()
            scans = sum(1 for _ in reader.scans("vat0", 0, 2**62))
            assert span is not None
            assert scans >= 0.98 * (span[1] - span[0]) / 1000, "a scan per second"
    return [cost(f"{name}, {vats} vats", first[name], last[name]) for name in processes]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--into", type=Path, required=True, help="an empty directory on a disk, not a tmpfs")
    parser.add_argument("--vats", type=int, nargs="*", default=[6, 100])
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--settle-s", type=float, default=30.0)
    given = parser.parse_args()
    print(
        "| process | CPU, % of a core | RSS, MB | written, MB/day | threads | descriptors |\n|---|---|---|---|---|---|"
    )
    for vats in given.vats:
        found = measure(given.into / f"{vats}-vats", vats, 60 * given.minutes, given.settle_s, True)
        for one in found:
            print(one.row(), flush=True)
        ours, theirs = found
        print(
            f"\n{vats} vats: CPU {ours.cpu_share / max(theirs.cpu_share, 1e-9):.1f} × collectd's; "
            f"load {os.getloadavg()[0]:.1f}\n",
            flush=True,
        )


if __name__ == "__main__":
    main()
