"""The daemon's clock by itself: a fake machine clock and a fake monotonic one. What the record makes of it: test_retiming."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import pytest

from vatwatch.clock import SystemClock
from vatwatch.clock_sync import RELEASED_MS, WAIT_S, ClockSource

NOW_MS = int(datetime(2026, 7, 1, tzinfo=UTC).timestamp() * 1000)


@dataclass
class Machine:
    """Two clocks to be moved by hand."""

    utc_ms: int = NOW_MS
    monotonic_ms: int = 5_000_000
    set: bool = True

    def clock(self, tmp_path: Path, begin_after_ms: int = 0) -> SystemClock:
        source = ClockSource(kernel=lambda: self.set, timesyncd=tmp_path / "none")
        clock = SystemClock(source, lambda: self.utc_ms * 1_000_000, lambda: self.monotonic_ms * 1_000_000)
        clock.begin(begin_after_ms)
        return clock

    def pass_s(self, seconds: float) -> None:
        self.utc_ms += round(seconds * 1000)
        self.monotonic_ms += round(seconds * 1000)


def test_a_right_clock_runs_as_the_machine_does(tmp_path: Path) -> None:
    machine = Machine()
    clock = machine.clock(tmp_path)
    assert (clock.now_ms(), clock.synchronised, clock.correction_ms()) == (NOW_MS, True, None)
    machine.pass_s(86_400)
    assert clock.now_ms() == NOW_MS + 86_400_000


@pytest.mark.parametrize("step_s", [3600.0, 86_400.0 * 366, 2.0])
def test_a_step_forward_is_followed_an_hour_a_leap_of_a_year(tmp_path: Path, step_s: float) -> None:
    machine = Machine()
    clock = machine.clock(tmp_path)
    machine.utc_ms += int(step_s * 1000)
    assert clock.now_ms() == machine.utc_ms


@pytest.mark.parametrize("step_s", [40.0, 3600.0])
def test_after_a_step_back_the_clock_never_goes_back_and_is_right_again(tmp_path: Path, step_s: float) -> None:
    machine = Machine()
    clock = machine.clock(tmp_path)
    last_ms = clock.now_ms()
    machine.utc_ms -= int(step_s * 1000)
    for _ in range(int(step_s * 11)):
        machine.pass_s(1.0)
        now_ms = clock.now_ms()
        assert last_ms <= now_ms <= last_ms + 1000
        last_ms = now_ms
    assert abs(last_ms - machine.utc_ms) <= 1000


def test_however_often_it_is_asked_after_a_step_back_it_slows_all_the_same(tmp_path: Path) -> None:
    machine = Machine()
    clock = machine.clock(tmp_path)
    clock.now_ms()
    machine.utc_ms -= 60_000
    for _ in range(200_000):
        machine.utc_ms += 3
        machine.monotonic_ms += 3
        clock.now_ms()
    assert clock.now_ms() - machine.utc_ms <= 60_000 - 0.09 * 600_000


def test_summer_time_is_no_step_of_utc(tmp_path: Path) -> None:
    """Through the hour that comes twice: UTC runs on, and so do slots; only screens show local time."""
    machine = Machine(utc_ms=int(datetime(2026, 10, 25, 0, 30, tzinfo=UTC).timestamp() * 1000))
    clock = machine.clock(tmp_path)
    begin_ms = clock.now_ms()
    for minute in range(1, 121):
        machine.pass_s(60)
        assert clock.now_ms() == begin_ms + minute * 60_000


def test_a_start_in_1970_is_in_doubt_for_ever_and_runs_evenly_meanwhile(tmp_path: Path) -> None:
    machine = Machine(utc_ms=30_000, set=False)
    clock = machine.clock(tmp_path)
    assert "1970-01-01" in clock.doubt
    assert not clock.synchronised
    for _ in range(100):
        machine.pass_s(3600)
        assert clock.correction_ms() is None
    # the machine's clock is set some seconds before anyone says that it is right
    before_ms = clock.now_ms()
    machine.utc_ms = NOW_MS
    assert clock.now_ms() == before_ms
    machine.pass_s(5)
    machine.set = True
    by_ms = clock.correction_ms()
    assert by_ms == NOW_MS - before_ms
    clock.correct(by_ms)
    assert (clock.now_ms(), clock.doubt, clock.correction_ms()) == (machine.utc_ms, "", None)


def test_a_clock_behind_the_record_begins_at_its_end_in_doubt(tmp_path: Path) -> None:
    machine = Machine(set=False)
    clock = machine.clock(tmp_path, begin_after_ms=NOW_MS + 7_000_000)
    assert clock.now_ms() == NOW_MS + 7_000_000
    assert "the record goes on to" in clock.doubt
    machine.set = True
    machine.pass_s(2)
    machine.utc_ms += 50_000_000
    assert clock.correction_ms() == 43_000_000


def test_a_clock_that_looks_right_without_any_network_is_believed(tmp_path: Path) -> None:
    assert Machine(set=False).clock(tmp_path, NOW_MS - 1000).synchronised


def test_network_time_that_was_asked_for_is_waited_for_ten_minutes(tmp_path: Path) -> None:
    machine = Machine(set=False)
    source = ClockSource(kernel=lambda: False, timesyncd=tmp_path)
    clock = SystemClock(source, lambda: machine.utc_ms * 1_000_000, lambda: machine.monotonic_ms * 1_000_000)
    clock.begin(NOW_MS - 1000)
    assert "network time" in clock.doubt
    machine.pass_s(WAIT_S - 2)
    assert clock.correction_ms() is None
    machine.pass_s(3)
    assert clock.correction_ms() == 0
    (tmp_path / "synchronized").touch()
    assert source.synchronised()


def test_not_to_be_told_is_neither_set_nor_unset(tmp_path: Path) -> None:
    source = ClockSource(kernel=lambda: None, timesyncd=tmp_path / "none")
    assert source.says() is None
    assert not source.synchronised()
    assert SystemClock(source).machine_is_set() is None
    assert SystemClock(ClockSource(kernel=lambda: False, timesyncd=tmp_path / "none")).machine_is_set() is False


def test_a_file_of_the_users_choice_counts_alone(tmp_path: Path) -> None:
    marker = tmp_path / "set"
    source = ClockSource(marker, kernel=lambda: True)
    assert source.doubt(NOW_MS, 0) == (f"{marker} is not there yet", None)
    marker.touch()
    assert source.doubt(NOW_MS, 0) == ("", 0.0)
    assert ClockSource(marker).doubt(RELEASED_MS - 1, 0) == ("", 0.0)
