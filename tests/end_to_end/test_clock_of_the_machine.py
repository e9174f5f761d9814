"""The real `vatwatch run` under a clock that is moved about: no network time at the start, set late, forward, back.

`faketime` (Debian: apt install faketime) stands between the process and the system's UTC; the monotonic clock is left
alone, as it is on a machine whose clock is set. Without it this fails and says what to install.
"""

from __future__ import annotations

import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.end_to_end.shed import Shed
from tests.services import HOST, Answer, HttpReceiver, find_program, wait_until
from vatwatch.errors import StoreError

HOUR_MS = 3_600_000


class Moved:
    """The time that the process is shown: seconds added to the true one."""

    def __init__(self, directory: Path) -> None:
        self._file = directory / "faketime"
        program = find_program("faketime", "faketime")
        shown = subprocess.run([program, "-m", "now", "env"], capture_output=True, text=True, check=True).stdout
        preload = [line.removeprefix("LD_PRELOAD=") for line in shown.splitlines() if line.startswith("LD_PRELOAD=")]
        self.environment = {
            "LD_PRELOAD": preload[0],
            "FAKETIME_TIMESTAMP_FILE": str(self._file),
            "FAKETIME_NO_CACHE": "1",
            "FAKETIME_DONT_FAKE_MONOTONIC": "1",
        }
        self.by(0)

    def by(self, seconds: float) -> None:
        beside = self._file.with_suffix(".new")
        beside.write_text(f"{seconds:+.3f}\n", encoding="ascii")
        beside.replace(self._file)


def true_ms() -> int:
    return time.time_ns() // 1_000_000


def stamps(database: HttpReceiver) -> list[int]:
    """The times of every scan the database was given, in the order in which they came."""
    lines = [line for heard in list(database.heard) for line in heard.body.decode().splitlines()]
    return [int(line.rsplit(" ", 1)[1]) for line in lines if line.startswith("vat_scan")]


def samples(shed: Shed) -> list[tuple[int, float]]:
    with shed.reader() as reader:
        kept = list(reader.samples("tub", -(2**62), 2**62))
    return [(sample.time_ms, sample.value or 0.0) for sample in kept if sample.probe == "tub-t"]


def newest_ms(shed: Shed) -> int:
    try:
        with shed.reader() as reader:
            span = reader.span()
    except StoreError:
        return 0  # not begun yet
    return 0 if span is None else span[1]


@contextmanager
def watched(directory: Path) -> Iterator[tuple[Shed, Moved, HttpReceiver]]:
    marker = directory / "clock-is-set"
    with HttpReceiver(lambda _heard: Answer(204)) as database:
        extra = f'[influx]\nurl = "http://{HOST}:{database.port}"\norg = "a"\nbucket = "b"\n'
        with Shed(directory, extra, interval_s=0.2) as shed:
            settings = shed.config.read_text(encoding="utf-8")
            settings = settings.replace("scan_s = 1\n", f'scan_s = 1\nclock_set_file = "{marker}"\n')
            shed.config.write_text(settings, encoding="utf-8")
            shed.plug_in("count")
            yield shed, Moved(directory), database


def assert_in_order_and_whole(shed: Shed) -> list[tuple[int, float]]:
    """The meter's lines count upwards, so that each is told from every other."""
    kept = samples(shed)
    assert [value for _, value in kept] == sorted({value for _, value in kept})
    assert [time_ms for time_ms, _ in kept] == sorted(time_ms for time_ms, _ in kept)
    return kept


def test_a_start_without_time_then_power_cut_then_network_time(tmp_path: Path) -> None:
    with watched(tmp_path) as (shed, moved, database):
        marker = tmp_path / "clock-is-set"
        moved.by(60.0 - true_ms() / 1000)  # a minute past midnight on 1 January 1970
        shed.start(**moved.environment)
        shed.wait_for_scans(4)
        assert newest_ms(shed) < HOUR_MS, "the process believes what it is shown"
        shed.kill()
        moved.by(60.0 - true_ms() / 1000)
        shed.start(**moved.environment)
        before = shed.scans()
        wait_until(lambda: shed.scans() >= before + 3, "scans in the second start without time", 30)
        assert stamps(database) == []
        assert "1970" in shed.said()
        told = shed.run("now")
        assert "clock" in told.stdout, told.stdout
        # network time comes: first the clock is set, then it is said so
        taken = samples(shed)
        moved.by(0)
        marker.touch()
        wait_until(lambda: newest_ms(shed) > true_ms() - 60_000, "the record has true times", 30)
        wait_until(lambda: len(stamps(database)) >= 5, "what was held is forwarded", 30)
        kept = assert_in_order_and_whole(shed)
        assert [value for _, value in kept][: len(taken)] == [value for _, value in taken], "nothing was lost"
        assert all(true_ms() - 10 * 60_000 < stamp <= true_ms() for stamp in stamps(database))
        assert stamps(database) == sorted(set(stamps(database)))
        assert shed.stop() == 0


def test_steps_forward_and_back_and_a_year(tmp_path: Path) -> None:
    with watched(tmp_path) as (shed, moved, database):
        (tmp_path / "clock-is-set").touch()
        shed.start(**moved.environment)
        shed.wait_for_scans(3)
        moved.by(3600)  # an hour forward: followed
        wait_until(lambda: newest_ms(shed) > true_ms() + HOUR_MS - 60_000, "the step is followed", 30)
        moved.by(3500)  # back by 100 s: never backwards, and slower until it is right
        before = shed.scans()
        wait_until(lambda: shed.scans() >= before + 5, "the watch goes on after a step back", 30)
        moved.by(366 * 86_400.0)  # a leap of a year
        wait_until(lambda: newest_ms(shed) > true_ms() + 365 * 24 * HOUR_MS, "the year is followed", 30)
        assert_in_order_and_whole(shed)
        wait_until(lambda: stamps(database) and stamps(database)[-1] > true_ms() + 365 * 24 * HOUR_MS, "forwarded", 30)
        assert stamps(database) == sorted(set(stamps(database)))
        assert shed.stop() == 0
        # switched on again with the right time, a year before the end of the record: in doubt until it is said to be set
        (tmp_path / "clock-is-set").unlink()
        moved.by(0)
        end_ms = newest_ms(shed)  # of the short slot at the stop; it goes out at the next start, its time is good
        shed.start(**moved.environment)
        before = shed.scans()
        wait_until(lambda: shed.scans() >= before + 3, "the watch goes on after the end of the record", 30)
        assert [stamp for stamp in stamps(database) if stamp > end_ms] == []
        (tmp_path / "clock-is-set").touch()
        wait_until(lambda: stamps(database)[-1] > end_ms, "what was held goes out", 30)
        assert_in_order_and_whole(shed)
        assert stamps(database) == sorted(set(stamps(database)))
        assert shed.stop() == 0


@pytest.mark.long
def test_the_hour_that_comes_twice(tmp_path: Path) -> None:
    """Lisbon puts its clocks back at 01:00 UTC on 31 October 2027: slots are UTC and do not notice."""
    with watched(tmp_path) as (shed, moved, database):
        (tmp_path / "clock-is-set").touch()
        settings = shed.config.read_text(encoding="utf-8")
        shed.config.write_text(
            settings.replace('id = "test-shed"\n', 'id = "test-shed"\ntimezone = "Europe/Lisbon"\n'), encoding="utf-8"
        )
        shed.start(**moved.environment)
        shed.wait_for_scans(2)
        turn_ms = int(datetime(2027, 10, 31, 1, tzinfo=UTC).timestamp() * 1000)
        moved.by((turn_ms - true_ms()) / 1000 - 6)
        wait_until(lambda: newest_ms(shed) >= turn_ms + 3000, "three seconds into the second hour", 60)
        assert_in_order_and_whole(shed)
        with shed.reader() as reader:
            slots = [scan.slot_ms for scan in reader.scans("tub", turn_ms - 2000, turn_ms + 3000)]
        assert slots == list(range(turn_ms - 2000, turn_ms + 3000, 1000))
        wait_until(lambda: stamps(database)[-1:] >= [turn_ms], "forwarded through the turn", 30)
        assert stamps(database) == sorted(set(stamps(database)))
        assert shed.stop() == 0
