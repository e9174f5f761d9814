"""Each protocol end to end: an instrument process on a pseudo-terminal, the real daemon, and what is in the store.

One frame in twenty is damaged. SDI-12 and Modbus carry a checksum: there any damage must be seen. A line of ASCII text
carries none, so a digit that became another digit cannot be seen by anybody; its frames are cut, glued and littered
only, and what the line codec cannot promise has its own test below.
"""

from __future__ import annotations

import itertools
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.end_to_end.shed import Shed
from tests.probes.instruments import CYCLE, TRUTHS, truth
from tests.services import wait_until
from vatwatch.clock import ScaledClock
from vatwatch.config import load_config
from vatwatch.daemon import STORE_NAME, Daemon
from vatwatch.errors import StoreError
from vatwatch.probes.lines import LineCodec, LineFormat, LineReading
from vatwatch.records import PortEvent, Sample
from vatwatch.store.reading import StoreReader

HOUR_MS = 3_600_000
PROTOCOLS = ("lines", "asked", "sdi12", "modbus")
FIELDS = {"ph": "ph", "orp": "orp_mv", "t": "temperature_c"}
VATS = (*PROTOCOLS, "spare")
SHED = '[site]\nid = "test-shed"\nscan_s = {scan_s}\n[page]\nenabled = false\n' + "".join(
    f'[vat.{vat}]\nchemistry = "hydrosulfite"\n' for vat in VATS
)
PORTS = """
[port.lines]
device = "{directory}/lines"
[[port.lines.line]]
pattern = 'pH=(?P<ph>[0-9.]+);ORP=(?P<orp>-?[0-9.]+);T=(?P<t>-?[0-9.]+)'

[port.asked]
device = "{directory}/asked"
ask_every_s = {ask_every_s}
[[port.asked.line]]
ask = "R\\r"
delimiter = ","
fields = ["ph", "orp", "t"]
answer_within_s = 0.5

[port.sdi12]
device = "{directory}/sdi12"
ask_every_s = {ask_every_s}
[[port.sdi12.sdi12]]
address = "0"
fields = ["ph", "orp", "t"]
answer_within_s = 0.3

[port.modbus]
device = "{directory}/modbus"
ask_every_s = {ask_every_s}
[[port.modbus.modbus]]
field = "ph"
unit = 1
register_number = 40001
type = "float32"
answer_within_s = 0.3
[[port.modbus.modbus]]
field = "orp"
unit = 2
register_number = 30002
scale = 0.1
answer_within_s = 0.3
[[port.modbus.modbus]]
field = "t"
unit = 1
register_address = 4
function = 3
type = "float32"
answer_within_s = 0.3
"""
PROBE = """
[probe.{port}-{field}]
vat = "{port}"
port = "{port}"
field = "{field}"
signal = "{signal}"
every_s = {every_s}
"""


@contextmanager
def instruments(directory: Path, share: float, *kinds: str) -> Iterator[None]:
    """A process for each kind, on a port of its kind's name."""
    running = []
    try:
        for seed, kind in enumerate(kinds):
            command = [sys.executable, "-m", "tests.probes.instruments", kind, str(directory / kind), str(share)]
            process = subprocess.Popen([*command, str(seed)], stdout=subprocess.PIPE)
            running.append(process)
            assert process.stdout is not None
            with process.stdout as said:
                assert said.readline() == b"ready\n"
        yield
    finally:
        for process in running:
            process.kill()
            process.wait(10)


def write_config(directory: Path, scan_s: int, ask_every_s: float, every_s: float) -> Path:
    text = SHED.format(scan_s=scan_s) + PORTS.format(directory=directory, ask_every_s=ask_every_s)
    for port, (field, signal) in itertools.product(PROTOCOLS, FIELDS.items()):
        text += PROBE.format(port=port, field=field, signal=signal, every_s=every_s)
        text += 'reference = "agcl_3m_kcl"\n' if field == "orp" else ""
    path = directory / "vatwatch.toml"
    path.write_text(text, encoding="utf-8")
    return path


def check(samples: Sequence[Sample], events: Sequence[PortEvent]) -> str:
    """No wrong value among those stored, whatever their flag; after damage a value within three polls."""
    counts = []
    for port in PROTOCOLS:
        good = missing = 0
        for position, field in enumerate(FIELDS):
            own = [sample for sample in samples if sample.probe == f"{port}-{field}"]
            allowed = {value[position] for value in TRUTHS}
            values = [round(sample.value, 2) for sample in own if sample.value is not None]
            assert values, f"{port}-{field} gave nothing"
            wrong = [value for value in values if value not in allowed]
            assert not wrong, f"{port}-{field}: {len(wrong)} wrong values, such as {wrong[:3]}"
            for has_value, run in itertools.groupby(own, lambda sample: sample.value is not None):
                length = len(list(run))
                assert has_value or length <= 3, f"{port}-{field}: {length} polls in a row without a value"
            good += len(values)
            missing += len(own) - len(values)
            assert all(sample.reason for sample in own if sample.value is None)
        if port == "lines":  # refused lines leave no sample: count the lines between those that were read
            steps = [(round((s.value or 0) - 10.80, 2)) * 100 for s in samples if s.probe == "lines-ph"]
            gaps = [round(b - a) % CYCLE for a, b in itertools.pairwise(steps)]
            assert max(gaps) <= 4, f"lines: {max(gaps) - 1} lines in a row were not read"
            missing += 3 * sum(gap - 1 for gap in gaps)
        told = sum(event.event == "garbled" for event in events if event.port == port)
        assert told, f"{port}: damage went untold"
        counts.append(f"{port}: {good} values, none wrong, {missing} missing")
    return "; ".join(counts)


def stored(path: Path) -> tuple[list[Sample], list[PortEvent]]:
    try:
        with StoreReader(path) as reader:
            samples = [sample for vat in VATS for sample in reader.samples(vat, 0, 2**62)]
            return samples, list(reader.port_events(0, 2**62))
    except StoreError:
        return [], []  # not begun yet


@contextmanager
def watching(config: Path) -> Iterator[Callable[[], bool]]:
    """The real `vatwatch run`; it must still be there at the end, and stop cleanly."""
    log = config.parent / "daemon.log"
    with log.open("ab") as out:
        daemon = subprocess.Popen(
            [sys.executable, "-m", "vatwatch.cli", "run", "--config", str(config)], stdout=out, stderr=out
        )

    def is_up() -> bool:
        assert daemon.poll() is None, log.read_text()
        return True

    try:
        yield is_up
        is_up()
        daemon.terminate()
        assert daemon.wait(20) == 0, log.read_text()
    finally:
        Shed.end(daemon)


def test_with_one_frame_in_twenty_damaged_every_stored_value_is_true(tmp_path: Path) -> None:
    config = write_config(tmp_path, scan_s=1, ask_every_s=0.05, every_s=5)
    store = tmp_path / "vatwatch-data" / STORE_NAME
    with instruments(tmp_path, 0.05, *PROTOCOLS), watching(config) as is_up:
        wait_until(
            lambda: (
                is_up()
                and all(
                    sum(s.probe == f"{port}-t" for s in stored(store)[0]) >= 100
                    and any(e.port == port and e.event == "garbled" for e in stored(store)[1])
                    for port in PROTOCOLS
                )
            ),
            "100 polls and some damage on each port",
            120,
        )
    print("\n" + check(*stored(store)))


@pytest.mark.long
def test_a_day_at_speed_with_one_frame_in_twenty_damaged(tmp_path: Path) -> None:
    """24 simulated hours in six minutes: `python -m pytest -m long -s tests/end_to_end/test_protocols.py`."""
    rate = 240
    config = write_config(tmp_path, scan_s=60, ask_every_s=10, every_s=600)
    clock = ScaledClock(1_767_225_600_000, rate)
    end_ms = clock.now_ms() + 24 * HOUR_MS
    daemon = Daemon(load_config(config), str(config), clock=clock)
    with instruments(tmp_path, 0.05, *PROTOCOLS):
        clock.go()
        daemon.start()
        try:
            while clock.now_ms() < end_ms:
                assert all(worker.alive for worker in daemon.workers())
                time.sleep(1.0)
        finally:
            assert daemon.stop() == []
    print("\n" + check(*stored(tmp_path / "vatwatch-data" / STORE_NAME)))


def test_what_no_codec_can_see_on_a_line_without_a_checksum() -> None:
    """A digit that became another digit is a good line to anybody: such a cable needs SDI-12 with CRC, or Modbus."""
    codec = LineCodec(LineFormat(delimiter=",", fields=("ph", "orp", "t")))
    (read,) = codec.feed(b"10.84,-652.0,30.2\r\n".replace(b"10.84", b"10.34"))
    assert isinstance(read, LineReading)
    assert dict(read.values)["ph"] == 10.34
    assert 10.34 not in {values[0] for values in TRUTHS}


def vatwatch_ports(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "vatwatch.cli", "ports", "--listen", "1", *arguments],
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip


def test_ports_recognises_each_protocol_and_its_tables_work_as_printed(tmp_path: Path) -> None:
    config = tmp_path / "vatwatch.toml"
    config.write_text(SHED.format(scan_s=1), encoding="utf-8")
    devices = [argument for kind in PROTOCOLS for argument in ("--device", str(tmp_path / kind))]
    with instruments(tmp_path, 0.0, *PROTOCOLS):
        said = vatwatch_ports(*devices, "--ask", "--config", str(config))
        assert said.returncode == 0, said.stderr
        for expected in (
            'sends lines by itself, such as "pH=1',
            "sensor 0 is SHEDWORK ORPROD 201, SDI-12 1.4",
            "unit 1, function 3, registers from address 0: 41",
            'answers "R\\x0d" by "10.80,-650.0,30.0"',
        ):
            assert expected in said.stderr
        for kind in ("# ASCII lines at 9600 8N1", "# SDI-12 at 1200 7E1", "# Modbus RTU at 9600 8N1"):
            assert kind in said.stdout
        with config.open("a", encoding="utf-8") as settings:
            settings.write(said.stdout)
        probes = load_config(config).probe
        assert len(probes) == 3 * len(PROTOCOLS) + 3, "unit 2 of the Modbus line has three numbers of its own"
        assert {probe.vat for probe in probes.values()} == set(VATS)
        store = tmp_path / "vatwatch-data" / STORE_NAME

        def heard() -> dict[str, float]:
            return {s.probe: s.value for s in stored(store)[0] if s.value is not None}

        with watching(config) as is_up:
            wait_until(lambda: is_up() and heard().keys() == probes.keys(), "a value from every probe", 60)
        for name, value in heard().items():
            position = [field in name for field in ("-ph", "-orp", "-temp")].index(True)
            assert round(value, 2) in {truth(k)[position] for k in range(CYCLE)}, name


def test_ports_says_what_is_wrong_with_a_port(tmp_path: Path) -> None:
    """Permission denied needs another user: tests/probes/test_serial_port.py has it, and the words are the same."""
    config = write_config(tmp_path, scan_s=1, ask_every_s=1, every_s=5)
    with instruments(tmp_path, 0.0, "lines", "asked"):
        said = vatwatch_ports("--device", str(tmp_path / "asked"))
        assert said.returncode == 1
        assert "a device that waits for a text question is found with --ask" in said.stderr
        assert said.stdout == ""
        with watching(config):
            wait_until(lambda: stored(tmp_path / "vatwatch-data" / STORE_NAME)[0], "the daemon holds its ports", 30)
            said = vatwatch_ports("--device", str(tmp_path / "lines"), "--device", str(tmp_path / "nowhere"))
    assert said.returncode == 1
    assert "is in use by another program" in said.stderr
    assert "is the adapter plugged in" in said.stderr
    assert "nothing was recognised on any port" in said.stderr
