"""The bench on real pseudo-terminals, read with pyserial."""

from __future__ import annotations

import csv
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import serial

from vatwatch.errors import VatwatchError
from vatwatch.records import JournalEntry
from vatwatch.rehearsal.bench import Bench
from vatwatch.rehearsal.electrodes import probe_set
from vatwatch.rehearsal.instruments import AskAnswer, FreeRunning
from vatwatch.rehearsal.liquor import SimulatedVat
from vatwatch.rehearsal.recipes import default_recipe
from vatwatch.terms import EntryKind

START_MS = 1_760_000_000_000


class HandClock:
    """A clock that stands still until it is moved."""

    def __init__(self) -> None:
        self.ms = START_MS

    def __call__(self) -> int:
        return self.ms


def scaled(speed: float) -> Callable[[], int]:
    began = time.monotonic()
    return lambda: START_MS + int((time.monotonic() - began) * 1000.0 * speed)


def until(condition: Callable[[], bool], seconds: float = 5.0) -> None:
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline, "waited in vain"
        time.sleep(0.002)


def bench_with(directory: Path, clock: Callable[[], int], interval_ms: int = 5000) -> Bench:
    bench = Bench(directory, clock)
    for number, name in enumerate(("free", "asked")):
        vat = SimulatedVat(default_recipe("hydrosulfite"), number, START_MS)
        bench.add_vat(name, vat)
        meter = FreeRunning(vat, probe_set(1), interval_ms) if name == "free" else AskAnswer(vat, probe_set(2))
        bench.add_line(name, meter)
    return bench


@pytest.fixture
def descriptors() -> Iterator[None]:
    before = set(Path("/proc/self/fd").iterdir())
    yield
    assert set(Path("/proc/self/fd").iterdir()) <= before


def test_free_running_line_arrives_whole(tmp_path: Path, descriptors: None) -> None:
    clock = HandClock()
    with bench_with(tmp_path, clock) as bench, serial.Serial(bench.port("free"), 9600, timeout=2) as port:
        for _ in range(20):
            clock.ms += 5000
            line = port.readline()
            assert line.startswith(b"pH=1")
            assert line.endswith(b"\r\n")
            assert line.count(b"=") == 3
        assert bench.counts()["free"].sent == 20


def test_question_is_answered(tmp_path: Path, descriptors: None) -> None:
    with bench_with(tmp_path, HandClock()) as bench:
        with serial.Serial(bench.port("asked"), 9600, timeout=2, exclusive=True) as port:
            for _ in range(20):
                port.write(b"R\r")
                ph, orp_mv, temperature_c = (float(x) for x in port.read_until(b"\r").split(b","))
                assert ph == pytest.approx(11.0, abs=0.1)
                assert -900.0 < orp_mv < -500.0
                assert temperature_c == pytest.approx(40.0, abs=0.3)
        assert bench.counts()["asked"].sent == 20


def test_a_reader_that_does_not_read_harms_nobody(tmp_path: Path, descriptors: None) -> None:
    clock = HandClock()
    with bench_with(tmp_path, clock) as bench:
        with serial.Serial(bench.port("free"), 9600, timeout=0.2) as port:
            clock.ms += 4 * 3_600_000
            until(lambda: bench.counts()["free"].sent + bench.counts()["free"].dropped == 2880)
            assert bench.counts()["free"].dropped > 1000
            got = port.read(1 << 20)
            first_lines = got.split(b"\r\n")
            assert all(line.count(b"=") == 3 for line in first_lines[:-1])
            clock.ms += 5000
            until(lambda: bench.counts()["free"].sent + bench.counts()["free"].dropped == 2881)
            assert port.read_until(b"\r\n").endswith(b"\r\n")
        with serial.Serial(bench.port("asked"), 9600, timeout=2) as port:
            port.write(b"R\r")
            assert port.read_until(b"\r").count(b",") == 2


def test_unplug_gives_the_reader_an_error_and_replug_the_same_name(tmp_path: Path, descriptors: None) -> None:
    clock = HandClock()
    with bench_with(tmp_path, clock) as bench:
        path = bench.port("free")
        old = Path(path).resolve()
        port = serial.Serial(path, 9600, timeout=2)
        clock.ms += 5000
        assert port.readline()
        failed = threading.Event()

        def read_on() -> None:
            try:
                while port.read(1) or True:
                    pass
            except (serial.SerialException, OSError):
                failed.set()

        reader = threading.Thread(target=read_on)
        reader.start()
        bench.unplug("free")
        assert failed.wait(3.0)
        reader.join()
        port.close()
        assert not Path(path).exists()
        with pytest.raises(serial.SerialException):
            serial.Serial(path, 9600)
        clock.ms += 50_000
        until(lambda: bench.counts()["free"].unplugged >= 10)
        bench.unplug("free")
        bench.replug("free")
        bench.replug("free")
        assert Path(path).is_symlink()
        with serial.Serial(path, 9600, timeout=2) as again:
            clock.ms += 5000
            assert again.readline().endswith(b"\r\n")
        assert old.name
    assert list(tmp_path.iterdir()) == []


def test_script_and_truth_are_the_same_at_any_speed(tmp_path: Path, descriptors: None) -> None:
    found = []
    for number, speed in enumerate((20_000.0, 90_000.0)):
        bench = bench_with(tmp_path / str(number), scaled(speed))
        done: list[int] = []
        stir = JournalEntry("s", START_MS + 1_800_000, START_MS + 1_800_000, "free", EntryKind.STIR)

        def stir_it(bench: Bench = bench, stir: JournalEntry = stir, done: list[int] = done) -> None:
            bench.apply(stir)
            done.append(1)

        bench.at(stir.time_ms, stir_it)
        with bench:
            until(lambda bench=bench: len(bench.truths("free")) > 120)  # type: ignore[misc]
        assert done == [1]
        found.append({(name, t.time_ms): t for name in ("free", "asked") for t in bench.truths(name)})
        rows = bench.write_truth(tmp_path / f"{number}.csv")
        with (tmp_path / f"{number}.csv").open(encoding="utf-8") as file:
            read = list(csv.DictReader(file))
        assert len(read) == rows
        assert read[0].keys() >= {"vat", "time_ms", "ph", "eh_mv", "leuco_share", "oxygen_mg_l"}
        stirred = [t for t in bench.truths("free") if t.loose_pigment > 0.5]
        assert stirred
        assert 0 <= stirred[0].time_ms - stir.time_ms <= 70_000
    shared = found[0].keys() & found[1].keys()
    assert len(shared) > 200
    assert all(found[0][key] == found[1][key] for key in shared)


def test_what_fails_in_the_script_is_not_swallowed(tmp_path: Path, descriptors: None) -> None:
    clock = HandClock()
    bench = bench_with(tmp_path, clock)
    bench.at(START_MS + 1000, lambda: bench.unplug("nothing"))
    bench.start()
    clock.ms += 20_000
    until(lambda: bench.counts()["free"].sent >= 4)
    with pytest.raises(VatwatchError, match="nothing"):
        bench.stop()
    bench.stop()
    with pytest.raises(VatwatchError, match="new one"):
        bench.start()


def test_setting_up_wrongly_is_said_plainly(tmp_path: Path) -> None:
    bench = bench_with(tmp_path, HandClock())
    with pytest.raises(VatwatchError, match="already"):
        bench.add_vat("free", SimulatedVat(default_recipe("woad")))
    with pytest.raises(VatwatchError, match="cannot name"):
        bench.add_line("a/b", AskAnswer(SimulatedVat(default_recipe("woad")), probe_set(1)))
    with pytest.raises(VatwatchError, match="no line"):
        bench.port("c")
    with pytest.raises(VatwatchError, match="no vat"):
        bench.apply(JournalEntry("s", 0, 0, "crow", EntryKind.STIR))
