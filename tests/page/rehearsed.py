"""The real daemon on two rehearsed vats, with its page: what a dyer's phone meets, at real speed."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import httpx

from tests.services import free_port, wait_until
from vatwatch.clock import SystemClock
from vatwatch.config import load_config
from vatwatch.daemon import Daemon
from vatwatch.page.passphrase import hash_passphrase, write_passphrase
from vatwatch.records import JournalEntry
from vatwatch.rehearsal.night import HERON, QUINCE, NightRehearsal, build_night

PASSPHRASE = "three blue herons"  # noqa: S105 - of the rehearsal only
SETTINGS = """\
[site]
id = "rehearsal"
name = "The rehearsal shed"
timezone = "Europe/Lisbon"
data = "record"
scan_s = {scan_s}

[page]
port = {port}
{page}

[vat.quince]
name = "Quince"
chemistry = "fructose-lime"
fibre = "cellulose"
volume_l = 40

[vat.heron]
name = "Heron"
chemistry = "hydrosulfite"
fibre = "protein"
volume_l = 25
warmed = true
alarms = {{ silent_after_s = 2, off_after_min = 0.02 }}

[port.quince]
device = "{quince}"

[[port.quince.line]]
pattern = 'pH=(?P<ph>-?[0-9.]+);ORP=(?P<orp>-?[0-9.]+);T=(?P<temperature>-?[0-9.]+)'

[port.heron]
device = "{heron}"
ask_every_s = 1

[[port.heron.line]]
ask = "R\\r"
terminator = "\\r"
delimiter = ","
fields = ["ph", "orp", "temperature"]
"""
PROBE = """
[probe.{vat}-{field}]
vat = "{vat}"
port = "{vat}"
field = "{field}"
signal = "{signal}"
every_s = 1
stale_after_s = 4
{reference}
"""


@dataclass
class Rehearsed:
    """The daemon, its page, and the vats behind it."""

    daemon: Daemon
    night: NightRehearsal
    url: str

    def journal(self) -> list[JournalEntry]:
        with self.daemon.open_reader() as reader:
            return reader.journal(None, 0, 2**62)

    def vats(self) -> dict[str, dict[str, object]]:
        return {vat["vat"]: vat for vat in httpx.get(f"{self.url}/api/vats").json()}


@contextmanager
def rehearsed(directory: Path, locked: bool = False, scan_s: int = 1) -> Iterator[Rehearsed]:
    """Begin the rehearsal, wait until both vats are judged, and end it all."""
    clock = SystemClock()
    ports = directory / "ports"
    ports.mkdir()
    night = build_night(clock.now_ms, clock.now_ms(), ports, interval_ms=500)
    port = free_port()
    page = ""
    if locked:
        write_passphrase(directory / "passphrase", hash_passphrase(PASSPHRASE, n=2**6))
        page = f'host = "0.0.0.0"\npassphrase_file = "{directory / "passphrase"}"\nguests = true'
    text = SETTINGS.format(scan_s=scan_s, port=port, page=page, quince=night.ports[QUINCE], heron=night.ports[HERON])
    for vat in (QUINCE, HERON):
        for field, signal in (("ph", "ph"), ("orp", "orp_mv"), ("temperature", "temperature_c")):
            reference = f'reference = "{night.electrode}"' if field == "orp" else ""
            text += PROBE.format(vat=vat, field=field, signal=signal, reference=reference)
    settings = directory / "vatwatch.toml"
    settings.write_text(text, encoding="utf-8")
    daemon = Daemon(load_config(settings), str(settings), clock)
    night.start()
    try:
        daemon.start()
        built = Rehearsed(daemon, night, f"http://127.0.0.1:{port}")
        try:
            wait_until(lambda: _judged(daemon), "both vats are judged", 30)
            yield built
        finally:
            late = daemon.stop(20)
    finally:
        night.stop()
    assert late == []


def _judged(daemon: Daemon) -> bool:
    with daemon.open_reader() as reader:
        scans = [reader.last_scan(vat) for vat in (QUINCE, HERON)]
        return all(scan is not None and scan.ph.value is not None and scan.reduction is not None for scan in scans)


def let_time_pass(seconds: float) -> None:
    """Real time is the matter itself where a timer is watched."""
    time.sleep(seconds)
