"""A day of the whole watch at speed: memory, threads and descriptors stay what they are.

Six meters on real pseudo-terminals, store, broker, database, phone and page; a broker that is frozen now and then and a
database that refuses for a while. 24 hours in ten minutes, an hour and a half of it counts as warming up:

    python -m pytest -m long -s tests/end_to_end/test_day_at_speed.py
"""

from __future__ import annotations

import subprocess
import sys
import time
from contextlib import ExitStack
from pathlib import Path
from urllib.request import urlopen

import pytest

from tests.benchmarks.watch.__main__ import PROBE, VAT, Look, look
from tests.end_to_end.shed import METER
from tests.services import HOST, Answer, HttpReceiver, Mosquitto, free_port, port_answers, wait_until
from vatwatch.errors import StoreError
from vatwatch.store.reading import StoreReader
from vatwatch.terms import Stream

ROOT = Path(__file__).parents[2]
RATE = 144
VATS = 6
SCAN_S = 60


def settings_of(place: Path, ports: dict[str, int]) -> str:
    text = (
        f'[site]\nid = "soak"\nscan_s = {SCAN_S}\n[page]\nport = {ports["page"]}\n'
        f'[mqtt]\nhost = "{HOST}"\nport = {ports["broker"]}\n'
        f'[influx]\nurl = "http://{HOST}:{ports["database"]}"\norg = "a"\nbucket = "b"\n'
        f'[phone.pocket]\nurl = "json://{HOST}:{ports["phone"]}/push"\n'
    )
    for n in range(VATS):
        text += VAT.format(n=n, device=place / f"port-{n}")
        for field, signal in {"ph": "ph", "orp": "orp_mv", "t": "temperature_c"}.items():
            probe = PROBE.format(n=n, field=field, signal=signal)
            text += probe.replace("every_s = 1", "every_s = 30").replace("stale_after_s = 5", "stale_after_s = 600")
            if field == "orp":
                text += 'reference = "agcl_3m_kcl"\n'
    return text


def run(place: Path, hours: float, warm_up_hours: float) -> tuple[list[Look], int]:
    """Looks at the daemon, one per simulated quarter of an hour; and the scans kept of each vat."""
    real_s = hours * 3600 / RATE
    refusing = [False]

    def respond(_heard: object) -> Answer:
        return Answer(503) if refusing[0] else Answer(204)

    with ExitStack() as stack:
        broker = Mosquitto()
        stack.enter_context(broker)
        database = stack.enter_context(HttpReceiver(respond))
        phone = stack.enter_context(HttpReceiver())
        ports = {"page": free_port(), "broker": broker.port, "database": database.port, "phone": phone.port}
        config = place / "vatwatch.toml"
        config.write_text(settings_of(place, ports), encoding="utf-8")
        for n in range(VATS):
            state = place / f"liquor-{n}"
            state.write_text("11.00 -690.0 30.00")
            meter = subprocess.Popen(
                [sys.executable, str(METER), str(place / f"port-{n}"), str(state), "0.2", "count"],
                stdout=subprocess.PIPE,
            )
            stack.callback(meter.wait, 20)
            stack.callback(meter.kill)
            assert meter.stdout is not None
            with meter.stdout as said:
                assert said.readline() == b"ready\n"
        log = stack.enter_context((place / "daemon.log").open("wb"))
        daemon = subprocess.Popen(
            [sys.executable, "-m", "tests.end_to_end.fast_daemon", str(config), str(RATE)],
            cwd=ROOT, stdout=log, stderr=log,
        )  # fmt: skip
        stack.callback(daemon.wait, 30)
        stack.callback(daemon.terminate)
        store = place / "vatwatch-data" / "vatwatch.db"

        def scans() -> int:
            assert daemon.poll() is None, (place / "daemon.log").read_text()[-3000:]
            try:
                with StoreReader(store) as reader:
                    return sum(1 for _ in reader.scans("vat5", 0, 2**62))
            except StoreError:
                return 0

        wait_until(lambda: scans() > 3 and port_answers(ports["page"]), "the watch has begun", 120)
        looks = []
        began = time.monotonic()
        turn = 0
        while time.monotonic() - began < real_s:
            turn += 1
            # Trouble comes and goes; a liquor that changes makes alarms, messages and scans that are not all alike.
            refusing[0] = turn % 8 == 3
            if turn % 16 == 5:
                broker.freeze()
            if turn % 16 == 7:
                broker.thaw()
            hot = "11.00 -690.0 70.00" if turn % 12 == 4 else f"10.9{turn % 10} -{690 + turn % 5}.0 30.0{turn % 10}"
            (place / "liquor.new").write_text(hot)  # the meter must never find it half written
            (place / "liquor.new").replace(place / "liquor-0")
            with urlopen(f"http://{HOST}:{ports['page']}/", timeout=60) as answer:
                assert answer.status == 200
            time.sleep(900 / RATE)
            database.heard.clear()
            if (time.monotonic() - began) * RATE > warm_up_hours * 3600:
                looks.append(look(daemon.pid))
        broker.thaw()
        refusing[0] = False
        count = scans()

        def done() -> bool:
            with StoreReader(store) as reader:
                return reader.newest(Stream.SCANS) - reader.delivery("influxdb", Stream.SCANS).position < 100 * VATS

        wait_until(done, "the database has caught up", 120)
        assert phone.heard or hours < 2, "an overheat was told"
    assert daemon.returncode == 0, (place / "daemon.log").read_text()[-3000:]
    return looks, count


def assert_flat(looks: list[Look], most_mb: float) -> str:
    """The middle of the last third against that of the first, so that one busy moment says nothing."""
    third = len(looks) // 3

    def middle(values: list[float]) -> float:
        return sorted(values)[len(values) // 2]

    growth_mb = middle([one.rss_mb for one in looks[-third:]]) - middle([one.rss_mb for one in looks[:third]])
    threads, descriptors = (
        (middle([getattr(one, name) for one in looks[:third]]), middle([getattr(one, name) for one in looks[-third:]]))
        for name in ("threads", "descriptors")
    )
    words = (
        f"RSS {looks[0].rss_mb:.1f} to {looks[-1].rss_mb:.1f} MB (middles {growth_mb:+.1f}), threads {threads[0]:.0f} "
        f"to {threads[1]:.0f}, descriptors {descriptors[0]:.0f} to {descriptors[1]:.0f}"
    )
    assert growth_mb <= most_mb, words
    assert threads[1] <= threads[0] + 1, words
    assert descriptors[1] <= descriptors[0] + 3, words
    return words


@pytest.mark.long
def test_a_day_at_speed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    looks, scans = run(tmp_path, 24, 3)
    words = assert_flat(looks, 3.0)
    with capsys.disabled():
        print(f"\n24 h at {RATE} x: {scans} scans of each vat, {words}")
    assert scans > 0.97 * 24 * 3600 / SCAN_S


def test_an_hour_at_speed_keeps_threads_and_descriptors(tmp_path: Path) -> None:
    looks, scans = run(tmp_path, 1.0, 0.1)
    assert_flat(looks, 12.0)
    assert scans > 15
