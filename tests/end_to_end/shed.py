"""A shed for end-to-end tests: settings file, a meter process on a pty, and the real `vatwatch run` beside it."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from types import TracebackType
from typing import Self

from tests.services import free_port, wait_until
from vatwatch.errors import StoreError
from vatwatch.store.reading import StoreReader

METER = Path(__file__).with_name("meter.py")
SETTINGS = """\
[site]
id = "test-shed"
scan_s = 1

[page]
port = {page_port}

[vat.tub]
name = "Tub"
chemistry = "hydrosulfite"
volume_l = 30
warmed = true

[vat.tub.alarms]
off_after_min = {off_after_min}
back_after_min = 0.05
overheat_after_s = 2
silent_after_s = 2

[port.left]
device = "{device}"

[[port.left.line]]
pattern = 'pH=(?P<ph>[0-9.]+);ORP=(?P<orp>-?[0-9.]+);T=(?P<t>-?[0-9.]+)'

[probe.tub-ph]
vat = "tub"
port = "left"
field = "ph"
signal = "ph"
every_s = 1
stale_after_s = 3
calibration = {{ buffers_ph = [7.00, 10.01], readings_ph = [7.05, 10.00] }}

[probe.tub-orp]
vat = "tub"
port = "left"
field = "orp"
signal = "orp_mv"
reference = "agcl_3m_kcl"
every_s = 1
stale_after_s = 3

[probe.tub-t]
vat = "tub"
port = "left"
field = "t"
signal = "temperature_c"
every_s = 1
stale_after_s = 3
"""
GOOD = "11.00 -700.0 30.00"


class Shed:
    """Owns a directory, one meter and one daemon; ends what it started, by pid."""

    def __init__(self, directory: Path, extra: str = "", interval_s: float = 0.2, off_after_min: float = 0.05) -> None:
        self.directory = directory
        self.device = directory / "port-left"
        self.state = directory / "liquor"
        self.config = directory / "vatwatch.toml"
        self.page_port = free_port()
        self.interval_s = interval_s
        self.set_liquor(GOOD)
        text = SETTINGS.format(page_port=self.page_port, device=self.device, off_after_min=off_after_min)
        self.config.write_text(text + extra, encoding="utf-8")
        self.store_path = directory / "vatwatch-data" / "vatwatch.db"
        self.log = directory / "daemon.log"
        self.daemon: subprocess.Popen[bytes] | None = None
        self.meter: subprocess.Popen[bytes] | None = None
        self.program = [sys.executable, "-X", "faulthandler", "-m", "vatwatch.cli"]

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.end(self.daemon)
        self.end(self.meter)

    @staticmethod
    def end(process: subprocess.Popen[bytes] | None, how: signal.Signals = signal.SIGKILL) -> None:
        if process is not None and process.poll() is None:
            process.send_signal(how)
            process.wait(20)

    def set_liquor(self, numbers: str) -> None:
        scratch = self.state.with_suffix(".new")
        scratch.write_text(numbers)
        scratch.replace(self.state)

    def plug_in(self, *how: str) -> None:
        self.meter = subprocess.Popen(
            [sys.executable, str(METER), str(self.device), str(self.state), str(self.interval_s), *how],
            stdout=subprocess.PIPE,
        )
        assert self.meter.stdout is not None
        with self.meter.stdout as said:
            assert said.readline() == b"ready\n"

    def pull_the_cable(self) -> None:
        """The name goes first: a freed pseudo-terminal may be another test's before the daemon has noticed."""
        self.device.unlink()
        self.end(self.meter)

    def run(self, *command: str) -> subprocess.CompletedProcess[str]:
        """One command of the program, to its end."""
        return subprocess.run(
            [*self.program, *command, "--config", str(self.config)],
            capture_output=True, text=True, timeout=60, check=False,
        )  # fmt: skip

    def start(self, **environment: str) -> None:
        with self.log.open("ab") as log:
            self.daemon = subprocess.Popen(
                [*self.program, "run", "--config", str(self.config)],
                stderr=log, stdout=log, env={**os.environ, **environment},
            )  # fmt: skip

    def kill(self) -> None:
        self.end(self.daemon, signal.SIGKILL)

    def stop(self) -> int:
        assert self.daemon is not None
        self.end(self.daemon, signal.SIGTERM)
        return self.daemon.returncode

    def said(self) -> str:
        return self.log.read_text(encoding="utf-8", errors="replace") if self.log.exists() else ""

    def reader(self) -> StoreReader:
        return StoreReader(self.store_path)

    def scans(self) -> int:
        try:
            with self.reader() as reader:
                return sum(1 for _ in reader.scans("tub", 0, 2**62))
        except StoreError:
            return 0  # not begun, or just being made

    def wait_for_scans(self, count: int, within_s: float = 30.0) -> None:
        assert self.daemon is not None
        wait_until(lambda: self._alive() and self.scans() >= count, f"{count} scans in the store", within_s)

    def _alive(self) -> bool:
        assert self.daemon is not None
        assert self.daemon.poll() is None, f"vatwatch ended with {self.daemon.returncode}:\n{self.said()[-3000:]}"
        return True


def pause(seconds: float) -> None:
    """Let real time pass where real time itself is the matter (a random moment to kill at)."""
    time.sleep(seconds)
