"""Cables pulled and put back: readings resume under the same name, and nothing leaks."""

from __future__ import annotations

import threading
import time
from pathlib import Path

import pytest

from tests.probes.pty_bench import Device, Inbox, StartReader, opened, until
from vatwatch.records import PortEvent


def test_a_pulled_cable_is_told_once_and_readings_resume_under_the_same_name(
    device: Device, inbox: Inbox, start_reader: StartReader
) -> None:
    start_reader()
    opened(inbox)
    device.unplug()
    until(lambda: len(inbox.events("cannot-open")) == 1, "cannot open")
    time.sleep(0.5)
    device.plug()
    opened(inbox, 2)
    device.say(b"\r\n10.85,-1302\r\n")
    until(lambda: len(inbox.samples) == 2, "samples after replugging")
    story = [record.event for record in inbox.all if isinstance(record, PortEvent)]
    assert story == ["opened", "lost", "cannot-open", "opened"]
    assert "was the cable pulled" in inbox.events("lost")[0].detail
    assert "is the adapter plugged in" in inbox.events("cannot-open")[0].detail


def test_at_real_time_a_returned_device_is_taken_up_without_sitting_out_a_long_wait(
    device: Device, inbox: Inbox, start_reader: StartReader
) -> None:
    device.unplug()
    reader = start_reader(rate=1.0)
    until(lambda: len(inbox.events("cannot-open")) == 1, "cannot open")
    reader._retry_s = 30.0  # as after minutes away
    time.sleep(1.2)
    device.plug()
    returned = time.monotonic()
    opened(inbox)
    assert time.monotonic() - returned < 5.0


WARM_CYCLES = 100
"""After so many the allocator has what it needs; memory is held against that."""


def resident_kb() -> int:
    """What this process has in memory, kB (Linux, /proc/self/status)."""
    lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    return int(next(line for line in lines if line.startswith("VmRSS:")).split()[1])


def unplug_and_replug(cycles: int, device: Device, inbox: Inbox, start_reader: StartReader) -> float:
    """Longest time from plugging in to opened, in s; checks descriptors, threads and memory against those after the start."""
    start_reader(rate=1.0)
    opened(inbox)
    longest = 0.0
    descriptors = len(list(Path("/proc/self/fd").iterdir()))
    threads = threading.active_count()
    settled_kb = resident_kb()
    for cycle in range(1, cycles + 1):
        if cycle == WARM_CYCLES:
            settled_kb = resident_kb()
        device.unplug()
        until(lambda: len(inbox.events("lost")) == cycle, f"lost in cycle {cycle}")  # noqa: B023
        device.plug()
        plugged = time.monotonic()
        opened(inbox, cycle + 1)
        longest = max(longest, time.monotonic() - plugged)
        device.say(b"\r\n10.85,-1302\r\n")
        until(lambda: len(inbox.samples) == 2 * cycle, f"samples in cycle {cycle}")  # noqa: B023
        assert len(list(Path("/proc/self/fd").iterdir())) == descriptors
        assert threading.active_count() == threads
    grown_kb = resident_kb() - settled_kb
    print(f"\n{cycles} cycles: longest {longest:.2f} s, memory {grown_kb:+d} kB")
    # The inbox of this test keeps every record, about 1 kB a cycle; a port object left behind would be ten times that.
    assert grown_kb < 2000 + 4 * cycles
    return longest


def test_thirty_pulled_cables_leak_neither_descriptors_nor_threads(
    device: Device, inbox: Inbox, start_reader: StartReader
) -> None:
    assert unplug_and_replug(30, device, inbox, start_reader) < 5.0


@pytest.mark.long
def test_a_thousand_pulled_cables(device: Device, inbox: Inbox, start_reader: StartReader) -> None:
    """The long form, about nine minutes: `python -m pytest -m long tests/probes/test_replug.py`."""
    assert unplug_and_replug(1000, device, inbox, start_reader) < 5.0
