"""The real `vatwatch run` under a test that plays the service manager: ready, alive, stopping, and a clean end."""

from __future__ import annotations

import itertools
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.end_to_end.shed import Shed
from tests.services import free_port, wait_until

WATCHDOG_S = 2.0
STOP_WITHIN_S = 5.0
WEDGED = Path(__file__).with_name("wedged.py")


class Manager:
    """The receiving end of NOTIFY_SOCKET: every datagram with the monotonic second it came at."""

    def __init__(self, address: str) -> None:
        self.address = address
        self.heard: list[tuple[float, str]] = []
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind("\0" + address[1:] if address.startswith("@") else address)
        self._socket.setblocking(False)

    @property
    def environment(self) -> dict[str, str]:
        return {"NOTIFY_SOCKET": self.address, "WATCHDOG_USEC": str(int(WATCHDOG_S * 1_000_000))}

    def listen(self) -> list[str]:
        """Take what has come; all messages so far."""
        while True:
            try:
                message = self._socket.recv(4096).decode()
            except BlockingIOError:
                return [text for _, text in self.heard]
            self.heard.append((time.monotonic(), message))

    def pings(self) -> list[float]:
        self.listen()
        return [at for at, text in self.heard if text == "WATCHDOG=1"]

    def close(self) -> None:
        self._socket.close()


@pytest.fixture(params=["a file", "an abstract name"])
def manager(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Manager]:
    address = str(tmp_path / "notify")
    made = Manager(address if request.param == "a file" else f"@vatwatch-test-{os.getpid()}-{time.monotonic_ns()}")
    yield made
    made.close()


def test_ready_alive_stopping(manager: Manager, tmp_path: Path) -> None:
    with Shed(tmp_path) as shed:
        shed.plug_in()
        shed.start(**manager.environment)
        assert shed.daemon is not None
        wait_until(lambda: "READY=1" in manager.listen(), "READY=1", 30)
        assert manager.heard[0][1] == "READY=1", "nothing is said before it is ready"
        wait_until(lambda: len(manager.pings()) >= 5, "five pings", 20)
        times = [manager.heard[0][0], *manager.pings()]
        gaps = [after - before for before, after in itertools.pairwise(times)]
        assert max(gaps) < WATCHDOG_S, f"every ping in time: {gaps}"
        assert sum(gaps) / len(gaps) > WATCHDOG_S / 4, f"about one per half interval, not a flood: {gaps}"
        shed.wait_for_scans(2)

        began = time.monotonic()
        shed.daemon.send_signal(signal.SIGTERM)
        assert shed.daemon.wait(STOP_WITHIN_S) == 0, shed.said()
        assert time.monotonic() - began < STOP_WITHIN_S
        assert manager.listen()[-1] == "STOPPING=1"
        assert [text for text in manager.listen() if text != "WATCHDOG=1"] == ["READY=1", "STOPPING=1"]


def test_ready_without_port_broker_database_or_phone(tmp_path: Path) -> None:
    """A shed after a power cut: nothing answers yet, and the watch begins all the same."""
    nowhere = free_port()
    token = tmp_path / "token"
    token.write_text("t\n")
    extra = f"""
[mqtt]
host = "127.0.0.1"
port = {nowhere}

[influx]
url = "http://127.0.0.1:{nowhere}"
org = "o"
bucket = "b"
token_file = "{token}"

[phone.pocket]
url = "json://127.0.0.1:{nowhere}/push"
"""
    manager = Manager(str(tmp_path / "notify"))
    with Shed(tmp_path, extra) as shed:  # no meter is plugged in
        shed.start(**manager.environment)
        assert shed.daemon is not None
        wait_until(lambda: len(manager.pings()) >= 3, "ready and alive with everything away", 30)
        assert manager.listen()[0] == "READY=1"
        shed.daemon.send_signal(signal.SIGTERM)
        assert shed.daemon.wait(STOP_WITHIN_S) == 0, shed.said()
    manager.close()


def test_not_ready_with_settings_it_cannot_use(tmp_path: Path) -> None:
    manager = Manager(str(tmp_path / "notify"))
    with Shed(tmp_path, "\n[vat.second]\n") as shed:
        shed.start(**manager.environment)
        assert shed.daemon is not None
        assert shed.daemon.wait(30) == 2
        assert "chemistry" in shed.said()
    assert manager.listen() == []
    manager.close()


def test_a_watchdog_meant_for_another_process_is_not_fed_faster(tmp_path: Path) -> None:
    """WATCHDOG_PID names who is watched; sd_watchdog_enabled(3)."""
    said = subprocess.run(
        [sys.executable, "-c", "from vatwatch.service_manager import watchdog_interval_s as w; print(w())"],
        env={**os.environ, "WATCHDOG_USEC": "2000000", "WATCHDOG_PID": "1"},
        capture_output=True, text=True, timeout=30, check=True,
    )  # fmt: skip
    assert said.stdout.strip() == "None"


@pytest.mark.parametrize("worker", ["port", "recorder", "outlet"])
def test_one_wedged_worker_stops_the_pings(worker: str, tmp_path: Path) -> None:
    """`wedged.py` is `vatwatch run` in which one worker hangs for ever once a file appears."""
    manager = Manager(str(tmp_path / "notify"))
    trigger = tmp_path / "hang-now"
    with Shed(tmp_path, f'\n[phone.pocket]\nurl = "json://127.0.0.1:{free_port()}/push"\n') as shed:
        shed.plug_in()
        with shed.log.open("ab") as log:
            shed.daemon = subprocess.Popen(
                [sys.executable, str(WEDGED), worker, str(trigger), "run", "--config", str(shed.config)],
                stderr=log, stdout=log, env={**os.environ, **manager.environment, "PYTHONPATH": str(WEDGED.parents[2])},
            )  # fmt: skip
        wait_until(lambda: len(manager.pings()) >= 3, "alive at first", 30)
        trigger.touch()
        wait_until(lambda: "stuck: " in shed.said(), "the stuck worker is named", 20)
        assert f"stuck: {worker}" in shed.said()
        so_far = len(manager.pings())
        wait_until(lambda: time.monotonic() - manager.heard[-1][0] > 2 * WATCHDOG_S, "two intervals of silence", 20)
        assert len(manager.pings()) == so_far, "a stuck vatwatch must not be kept alive"

        # The service manager now aborts it; a plain stop must not hang on the stuck worker either.
        shed.daemon.send_signal(signal.SIGTERM)
        assert shed.daemon.wait(STOP_WITHIN_S + 2) == 1
        assert "did not end in time" in shed.said()
    manager.close()
