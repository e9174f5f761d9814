"""Starts without time, syncs late, power cuts between: samples kept, order kept, true times in the end, no false stamp out.

The recorder is driven slot by slot with a machine whose clocks are moved by hand; a second one, whose clock was right
all along, says how the record must look.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path

import pytest

from tests.end_to_end.replaying import replay_differences
from tests.test_clock import NOW_MS, Machine
from vatwatch import assembly
from vatwatch.arrivals import Arrivals
from vatwatch.clock import SystemClock
from vatwatch.config import load_config
from vatwatch.recorder import Recorder
from vatwatch.records import JournalEntry, Sample
from vatwatch.store import sealing
from vatwatch.store.reading import StoreReader
from vatwatch.store.writing import StoreWriter
from vatwatch.terms import EntryKind, Signal, Stream

SCAN_MS = 10_000
GIVEN = (("tub-ph", Signal.PH, 11.0), ("tub-orp", Signal.ORP_MV, -700.0), ("tub-t", Signal.TEMPERATURE_C, 30.0))
SETTINGS = """\
[site]
id = "shed"
scan_s = 10

[vat.tub]
name = "Tub"
chemistry = "hydrosulfite"
warmed = true

[port.left]
device = "/dev/null"

[[port.left.line]]
pattern = 'pH=(?P<ph>[0-9.]+);ORP=(?P<orp>-?[0-9.]+);T=(?P<t>-?[0-9.]+)'

[probe.tub-ph]
vat = "tub"
port = "left"
field = "ph"
signal = "ph"

[probe.tub-orp]
vat = "tub"
port = "left"
field = "orp"
signal = "orp_mv"
reference = "agcl_3m_kcl"

[probe.tub-t]
vat = "tub"
port = "left"
field = "t"
signal = "temperature_c"
"""


class Shed:
    """A store, a recorder without its thread, and an outlet that takes what it may at every slot."""

    def __init__(self, directory: Path, machine: Machine, true_ahead_ms: int = 0) -> None:
        """`true_ahead_ms`: how far the true time is ahead of the machine's clock at first."""
        directory.mkdir(exist_ok=True)
        (directory / "vatwatch.toml").write_text(SETTINGS)
        config = load_config(directory / "vatwatch.toml")
        self._vats = assembly.vat_settings(config, "test")
        self._settings = assembly.judgement_text(config)
        self.path = directory / "store.db"
        self.machine = machine
        self.true_ahead_ms = true_ahead_ms
        self.given: list[tuple[int, float]] = []
        """Every temperature handed in, with the true time it was read at."""
        self.forwarded: list[tuple[int, int]] = []
        self.chance = random.Random(9)
        self._position = dict.fromkeys((Stream.SCANS, Stream.ALARM_EVENTS, Stream.JOURNAL), 0)
        self._switch_on()

    def _switch_on(self) -> None:
        self.writer = StoreWriter.open(self.path)
        source_dir = self.path.parent
        with StoreReader(self.path) as reader:
            span = reader.span()
        self.clock: SystemClock = self.machine.clock(source_dir, 0 if span is None else span[1])
        cards = [settings.card() for settings in self._vats.values()]
        version = self.writer.record_settings(self.clock.now_ms(), self._settings, cards)
        self.recorder = Recorder(
            self.writer, self.path, self._vats, version, self.clock, self.path.parent / "inbox"
        )  # fmt: skip
        # What `start` and `_run` do before their first slot.
        self.recorder._thread.run = lambda: None  # type: ignore[method-assign]
        self.recorder.start()
        self.recorder._thread.join()
        now_ms = self.clock.now_ms()
        self.recorder._slot_ms = max(-(-self.recorder._slot_ms // SCAN_MS) * SCAN_MS, now_ms - now_ms % SCAN_MS)

    def power_cut(self, off_s: float) -> None:
        """Everything not on disk is gone; the machine's clock stands still meanwhile, as without a battery."""
        self.writer.close()
        del self.given[len(self.samples()) :]
        self.true_ahead_ms += int(off_s * 1000)
        self._switch_on()

    def set_clock(self) -> None:
        """Network time has come, and it is said so."""
        self.machine.utc_ms += self.true_ahead_ms
        self.true_ahead_ms = 0
        self.machine.set = True

    def true_ms(self) -> int:
        return self.machine.utc_ms + self.true_ahead_ms

    def slots(self, count: int, note_at: int = -1) -> None:
        for number in range(count):
            for _ in range(2):
                self.machine.pass_s(5)
                temperature = round(30 + 0.001 * len(self.given), 3)
                time_ms = self.clock.now_ms() - 1500
                self.given.append((self.true_ms() - 1500, temperature))
                values = [value for _, _, value in GIVEN[:2]] + [temperature]
                self.recorder.take(
                    Sample(time_ms, "tub", probe, signal, value)
                    for (probe, signal, _), value in zip(GIVEN, values, strict=True)
                )
                self.recorder._close_due_slots()
            if number == note_at:
                now_ms = self.clock.now_ms()
                self.recorder._write_down(JournalEntry(f"e{len(self.given)}", now_ms, now_ms, "tub", EntryKind.STIR))
            self._outlet()

    def _outlet(self) -> None:
        with StoreReader(self.path, sure_times_only=True) as ledger:
            for stream, position in self._position.items():
                for row in ledger.rows_after(stream, position, 10**6):
                    self._position[stream] = row.number
                    if stream is Stream.SCANS:
                        self.forwarded.append((row.record.slot_ms, self.true_ms()))  # type: ignore[union-attr]

    def samples(self) -> list[tuple[int, float]]:
        with StoreReader(self.path) as reader:
            kept = list(reader.samples("tub", -(2**62), 2**62))
        return [(s.time_ms, s.value or 0.0) for s in kept if s.probe == "tub-t"]

    def scans(self) -> dict[int, str]:
        with StoreReader(self.path) as reader:
            return {scan.slot_ms: repr(scan) for scan in reader.scans("tub", -(2**62), 2**62)}

    def assert_whole(self) -> None:
        """Every sample is there once and in order; what went out bears the time of when it was, and each slot once."""
        kept = self.samples()
        assert [value for _, value in kept] == [value for _, value in self.given[: len(kept)]]
        assert len(kept) >= len(self.given) - 2, "the last slot may not be over yet"
        slots = [slot for slot, _ in self.forwarded]
        assert slots == sorted(set(slots))
        assert all(slot_ms <= true_ms for slot_ms, true_ms in self.forwarded), "a stamp in the future"
        with StoreReader(self.path) as reader:
            numbers = [row.number for row in reader.rows_after(Stream.SCANS, 0, 10**6)]
            assert numbers == sorted(set(numbers))
            assert set(slots) == set(self.scans())
        count, differences = replay_differences(self.path, "tub")
        assert count == len(self.scans())
        assert [one for one in differences if ": pushes" not in one] == []


@contextmanager
def shed(directory: Path, machine: Machine, true_ahead_ms: int = 0) -> Iterator[Shed]:
    made = Shed(directory, machine, true_ahead_ms)
    try:
        yield made
    finally:
        made.writer.close()


@pytest.mark.parametrize("off_grid_ms", [0, 3_217])
def test_a_start_in_1970_ends_as_if_the_clock_had_been_right(tmp_path: Path, off_grid_ms: int) -> None:
    begin_ms = 40_000
    ahead_ms = NOW_MS - begin_ms + off_grid_ms
    with (
        shed(tmp_path / "late", Machine(utc_ms=begin_ms, set=False), ahead_ms) as late,
        shed(tmp_path / "right", Machine(utc_ms=NOW_MS + off_grid_ms)) as right,
    ):
        for one in (late, right):
            one.slots(30, note_at=12)
        assert late.forwarded == [], "nothing goes out while its stamp would be false"
        with StoreReader(late.path) as reader:
            last = reader.last_scan("tub")
            assert last is not None, "the page sees it all the same"
            assert last.ph.value == pytest.approx(11.0)
        assert len(late.samples()) >= 58
        late.set_clock()
        for one in (late, right):
            one.slots(30)
        late.assert_whole()
        right.assert_whole()
        shared = sorted(late.scans().keys() & right.scans().keys())
        assert len(shared) >= len(right.scans()) - 1
        if off_grid_ms == 0:
            assert [late.scans()[slot] for slot in shared] == [right.scans()[slot] for slot in shared]
        assert late.samples()[2:-2] == right.samples()[2:-2]
        assert all(abs(kept - true) <= 1 for (kept, _), (true, _) in zip(late.samples(), late.given, strict=False))


def test_set_back_behind_the_record_then_set_right(tmp_path: Path) -> None:
    machine = Machine()
    with shed(tmp_path / "one", machine) as one:
        one.slots(40)
        sure = one.scans()
        # switched off for nine hours; the machine comes up two hours before it went down
        machine.utc_ms -= 7_200_000
        machine.set = False
        one.true_ahead_ms = 7_200_000
        one.power_cut(off_s=9 * 3600)
        one.slots(20, note_at=5)
        assert len(one.forwarded) == len(sure)
        one.set_clock()
        one.slots(10)
        one.assert_whole()
        assert one.scans().items() >= sure.items(), "what was sure is left alone"
        gap = sorted(one.scans())
        assert max(after - before for before, after in pairwise(gap)) > 8.9 * 3_600_000
        with StoreReader(one.path) as reader:
            (entry,) = reader.journal("tub", 0, 2**62)
            assert abs(entry.time_ms - one.given[90][0]) < 20_000


def test_power_cuts_while_in_doubt_lose_nothing_and_keep_the_order(tmp_path: Path) -> None:
    machine = Machine(utc_ms=40_000, set=False)
    with shed(tmp_path / "one", machine, NOW_MS) as one:
        for _ in range(4):
            one.slots(7)
            machine.utc_ms = 40_000
            one.true_ahead_ms = NOW_MS
            one.power_cut(off_s=600)
        one.slots(5)
        assert one.forwarded == []
        one.set_clock()
        one.slots(5)
        one.assert_whole()
        assert min(one.scans()) > NOW_MS - 86_400_000


def test_a_start_with_the_right_time_after_a_doubtful_run(tmp_path: Path) -> None:
    machine = Machine(set=False, utc_ms=NOW_MS)
    marker_less_doubt_ms = 3_600_000
    with shed(tmp_path / "one", machine) as one:
        one.slots(10)
        machine.utc_ms -= marker_less_doubt_ms
        one.true_ahead_ms = marker_less_doubt_ms
        one.power_cut(0)
        one.slots(10)
        assert len(one.forwarded) == 9
        one.set_clock()
        one.power_cut(off_s=0)
        one.slots(10)
        one.assert_whole()


def test_a_record_that_ends_in_the_future_is_not_overlapped(tmp_path: Path) -> None:
    """An earlier run believed a clock that was a year ahead: the record goes on after it, and says so by being held."""
    machine = Machine(utc_ms=NOW_MS + 366 * 86_400_000)
    with shed(tmp_path / "one", machine) as one:
        one.slots(10)
        machine.utc_ms, machine.set = NOW_MS, False
        one.power_cut(0)
        one.slots(10)
        sure = len(one.forwarded)
        machine.set = True
        one.slots(10)
        kept = one.samples()
        assert kept == sorted(kept)
        assert len(kept) >= 58
        slots = [slot for slot, _ in one.forwarded]
        assert slots == sorted(set(slots))
        assert len(slots) > sure


def test_a_reading_stamped_before_and_handed_in_after_the_clock_was_put_right() -> None:
    now_ms = [50_000]
    arrivals = Arrivals(lambda: now_ms[0])
    early, racing, fresh = (
        Sample(time_ms, "tub", "tub-t", Signal.TEMPERATURE_C, 30.0) for time_ms in (48_000, 49_500, NOW_MS + 51_000)
    )
    arrivals.put([early])

    def correct(by_ms: int) -> None:
        now_ms[0] += by_ms

    arrivals.put_right(NOW_MS, correct)
    arrivals.put([racing, fresh])
    assert [sample.time_ms - NOW_MS for sample in arrivals.samples_before(2**62)] == [48_000, 49_500, 51_000]


def test_nothing_in_doubt_is_sealed_or_rolled_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sealing, "DAY_MS", 20 * SCAN_MS)
    monkeypatch.setattr(sealing, "HOUR_MS", 5 * SCAN_MS)
    with shed(tmp_path / "one", Machine(utc_ms=40_000, set=False), NOW_MS) as one:
        one.slots(70)
        marks = "SELECT sealed_through, rolled_through FROM marks"
        assert one.writer._connection.execute(marks).fetchone() == (0, 0)
        one.set_clock()
        one.slots(70)
        sealed, rolled = one.writer._connection.execute(marks).fetchone()
        assert sealed > 60
        assert rolled >= sealed
        one.assert_whole()


def test_the_clock_proves_right_and_nothing_is_moved(tmp_path: Path) -> None:
    """Switched on before the network: the machine's clock was right all along, and only nobody could say so."""
    machine = Machine(set=False)
    with shed(tmp_path / "one", machine) as one:
        one.clock._doubt, one.clock._doubt_until_s = "network time was asked for and has not answered yet", None
        one.writer.doubt_times()
        one.slots(10)
        before = one.scans()
        assert one.forwarded == []
        machine.set = True
        one.slots(3)
        assert one.scans().items() >= before.items()
        one.assert_whole()
