"""Fixtures of the probes' tests: one device on a pty, one inbox, readers that are stopped at the end."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.probes.pty_bench import FAST, LISTED, ORP, PH, Device, Inbox, StartReader
from vatwatch.probes.lines import LineFormat
from vatwatch.probes.reader import PortReader
from vatwatch.probes.settings import PortSettings, ProbeWiring


@pytest.fixture
def device(tmp_path: Path) -> Iterator[Device]:
    made = Device(tmp_path / "probe")
    made.plug()
    yield made
    made.unplug()


@pytest.fixture
def inbox() -> Inbox:
    return Inbox()


@pytest.fixture
def start_reader(device: Device, inbox: Inbox) -> Iterator[StartReader]:
    started: list[PortReader] = []

    def start(
        *questions: LineFormat,
        probes: tuple[ProbeWiring, ...] = (PH, ORP),
        rate: float = FAST,
        deliver: Inbox = inbox,
        clock_ms: Callable[[], int] = lambda: 1_000,
    ) -> PortReader:
        settings = PortSettings(
            port="shed",
            device=str(device.name),
            questions=questions or (LISTED,),
            silent_after_s=60,
            probes=probes,
        )
        reader = PortReader(settings, clock_ms, deliver, rate)
        reader.start()
        started.append(reader)
        return reader

    yield start
    ended = [reader.stop(10.0) for reader in started]
    assert all(ended)
