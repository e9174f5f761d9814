"""Broker, database and phone refuse, hang, freeze, answer with errors, want another password, or drip: nothing is lost.

Every trouble strikes all three at once, while the vats' record goes on. Real mosquitto and VictoriaMetrics, a real store.
The long forms, about half an hour: a minute of real time per trouble, then backlogs of a day and of 30 days:

    python -m pytest -m long -s tests/outlets/test_outage_matrix.py
"""

from __future__ import annotations

import resource
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from tests.outlets.book import push, scan
from tests.outlets.outages import FROZEN, HUNG, THROUGH, TROUBLES, Gate, Phone, gates
from tests.services import HOST, Mosquitto, VictoriaMetrics, retained_tree, wait_until
from vatwatch import destinations
from vatwatch.config import load_config
from vatwatch.outlets import forwarder, mqtt_link
from vatwatch.outlets.forwarder import Forwarder
from vatwatch.outlets.wake import Wake
from vatwatch.records import Batch, Push, StepResult, VatCard
from vatwatch.store.reading import StoreReader
from vatwatch.store.writing import StoreWriter
from vatwatch.terms import Stream, Urgency

DAY_MS = 86_400_000
SETTINGS = """\
[site]
id = "dye-shed"

[vat.tub]
name = "Tub"
chemistry = "hydrosulfite"

[port.left]
device = "/dev/null"

[[port.left.line]]
pattern = 'T=(?P<t>-?[0-9.]+)'

[probe.tub-t]
vat = "tub"
port = "left"
field = "t"
signal = "temperature_c"

[mqtt]
host = "{host}"
port = {mqtt}

[influx]
url = "http://{host}:{influx}"
org = "shed"
bucket = "vats"
token_file = "{token}"

[phone.pocket]
url = "json://{host}:{phone}/push{timeouts}"
"""


class HurriedWake(Wake):
    """Time runs faster for the forwarder: a back-off of a minute is over in a second."""

    rate = 60.0

    def now_s(self) -> float:
        return time.monotonic() * self.rate

    def wait(self, timeout_s: float) -> None:
        super().wait(timeout_s / self.rate)


class Shed:
    """A store that grows and the three outlets of a settings file, their gates between them and the peers."""

    def __init__(self, directory: Path, made: list[Gate], hurried: bool) -> None:
        self.broker, self.database, self.phone = made
        self.gates = made
        self.path = directory / "store.db"
        token = directory / "token"
        token.write_text("token")
        settings = directory / "vatwatch.toml"
        ports = {"mqtt": self.broker.port, "influx": self.database.port, "phone": self.phone.port}
        timeouts = "?cto=1&rto=1" if hurried else ""
        settings.write_text(SETTINGS.format(host=HOST, token=token, timeouts=timeouts, **ports))
        config = load_config(settings)
        self.writer = StoreWriter.open(self.path)
        self.newest_ms = int(time.time() * 1000) // 10_000 * 10_000 - 40 * DAY_MS
        card = VatCard("tub", "Tub", "hydrosulfite", "cotton", 30, False, 9, 11, 15, 35, 40, 0.8, 30)
        self.version = self.writer.record_settings(self.newest_ms, "{}", [card])
        self.slots: list[int] = []
        self.pushes: list[str] = []
        self.slowest_append_s = 0.0
        outlets = destinations.outlets(
            config, str(settings), lambda: StoreReader(self.path), lambda: self.newest_ms, None
        )  # fmt: skip
        if hurried:
            for outlet in outlets:
                if outlet.name == "influxdb":
                    outlet._settings = replace(outlet._settings, timeout_s=1.0)  # type: ignore[attr-defined]
        self.forwarders = [
            Forwarder(
                outlet, lambda: StoreReader(self.path), self.writer, lambda: self.newest_ms,
                HurriedWake() if hurried else Wake(),
            )
            for outlet in outlets
        ]  # fmt: skip
        for one in self.forwarders:
            one.start()

    def append(self, count: int = 1, step_ms: int = 10_000, pushing: bool = True) -> None:
        """The vat goes on: so many scans, the last one with a push."""
        for number in range(count):
            self.newest_ms += step_ms
            pushes: tuple[Push, ...] = ()
            if pushing and number == count - 1:
                made = replace(push(len(self.pushes), self.newest_ms, Urgency.DANGER), vat="tub")
                pushes = (replace(made, push_id=f"tub:overheat:{len(self.pushes)}:raised"),)
                self.pushes.append(pushes[0].push_id)
            record = replace(scan(0, "tub"), slot_ms=self.newest_ms)
            began = time.perf_counter()
            self.writer.append(Batch(self.newest_ms, self.version, (StepResult(record, pushes=pushes),)))
            self.slowest_append_s = max(self.slowest_append_s, time.perf_counter() - began)
            self.slots.append(self.newest_ms)
        for one in self.forwarders:
            one.notify()

    def tried(self, since: dict[str, int]) -> bool:
        """Whether every outlet that has something to deliver has met the trouble."""
        now = self.failures()
        return all(now[one.name] > since[one.name] or self._done(one) for one in self.forwarders)

    def failures(self) -> dict[str, int]:
        found: Counter[str] = Counter()
        for one in self.forwarders:
            for delivery in one.deliveries:
                found[one.name] += delivery.failures
        return found

    def delivered(self) -> bool:
        """Whether every cursor stands at its stream's end."""
        return all(map(self._done, self.forwarders))

    def _done(self, one: Forwarder) -> bool:
        with StoreReader(self.path) as reader:
            newest = {stream: reader.newest(stream) for stream in Stream}
        return all(delivery.position == newest[Stream(delivery.stream)] for delivery in one.deliveries)

    def assert_all_is_there(self, wakes: bool, late: bool = False) -> None:
        """The database has every scan, the broker the newest one, the phone every message once.

        After days (`late`) a danger has been overtaken by its own repetitions: the newest is told.
        """
        device = "homie/5/dye-shed/"
        expected = time.strftime("%Y-%m-%dT%H:%M:%S.000Z", time.gmtime(self.newest_ms / 1000))

        def right() -> bool:
            with retained_tree(self.broker._peer.port, device + "#") as tree:
                return tree.get(f"{device}tub/read-at") == expected and tree.get(f"{device}$state") == "ready"

        wait_until(right, "the broker holds the newest state", 60)
        assert isinstance(self.database._peer, VictoriaMetrics)
        assert isinstance(self.phone._peer, Phone)
        (series,) = self.database._peer.export("vat_scan_ph")
        assert sorted(set(series["timestamps"])) == self.slots
        references = Counter(self.phone._peer.references)
        alone = {reference: times for reference, times in references.items() if not reference.startswith("digest")}
        assert alone.keys() <= set(self.pushes)
        each = self.pushes[-1] in alone if late else len(alone) == len(self.pushes)
        assert each or len(references) > len(alone), "each message, or one for several"
        # What lay unread in a receiver that hung it takes when it wakes up: the sender cannot know, and had to try again.
        assert wakes or max(references.values()) == 1, f"a message came twice: {references}"

    def close(self) -> None:
        for one in self.forwarders:
            assert one.stop(30)
        self.writer.close()


@contextmanager
def shed(directory: Path, hurried: bool) -> Iterator[Shed]:
    with gates((Mosquitto, "mqtt"), (VictoriaMetrics, "http"), (Phone, "http")) as made:
        running = Shed(directory, made, hurried)
        try:
            running.append(3)
            wait_until(running.delivered, "everything is delivered while all is well", 60)
            yield running
        finally:
            for gate in made:
                gate.mode = THROUGH
            running.close()


def rss_mb() -> float:
    """What this process holds now."""
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * resource.getpagesize() / 1e6


def test_every_trouble_strikes_all_three_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name, seconds in (("CONNECT_S", 1.0), ("ACKNOWLEDGE_S", 1.0), ("REST_FIRST_S", 0.1), ("REST_MOST_S", 0.5)):
        monkeypatch.setattr(mqtt_link, name, seconds)
    monkeypatch.setattr(mqtt_link.Session.publish, "__defaults__", (1.0,))
    monkeypatch.setattr(forwarder, "PERMANENT_RETRY_S", 60.0)
    with shed(tmp_path, hurried=True) as running:
        for trouble in TROUBLES:
            before = running.failures()
            for gate in running.gates:
                gate.mode = trouble
            running.append(5)
            wait_until(lambda then=before: running.tried(then), f"every outlet notices: {trouble}", 30)  # type: ignore[misc]
            running.append(5)
            for gate in running.gates:
                gate.mode = THROUGH
            running.append()
            wait_until(running.delivered, f"everything is delivered after: {trouble}", 60)
        running.assert_all_is_there(wakes=True)
        assert running.slowest_append_s < 2.0, "the record never waits for an outlet"


@pytest.mark.long
@pytest.mark.parametrize("trouble", TROUBLES)
def test_a_minute_of_real_time(tmp_path: Path, trouble: str, capsys: pytest.CaptureFixture[str]) -> None:
    with shed(tmp_path, hurried=False) as running:
        for gate in running.gates:
            gate.mode = trouble
        for _ in range(60):
            running.append(pushing=False)
            time.sleep(1.0)
        running.append()
        for gate in running.gates:
            gate.mode = THROUGH
        began = time.monotonic()
        wait_until(running.delivered, f"everything is delivered after: {trouble}", 1000)
        caught_up_s = time.monotonic() - began
        running.assert_all_is_there(wakes=trouble in (HUNG, FROZEN))
        with capsys.disabled():
            tries = ", ".join(f"{name} {count}" for name, count in sorted(running.failures().items()))
            print(f"\n{trouble}: all there {caught_up_s:.0f} s after the end; failed tries: {tries}")


@pytest.mark.long
@pytest.mark.parametrize("days", [1, 30])
@pytest.mark.parametrize("trouble", ["refused", "hung", FROZEN])
def test_a_backlog_of_days(tmp_path: Path, trouble: str, days: int, capsys: pytest.CaptureFixture[str]) -> None:
    """Scans of a minute; a message every six hours."""
    with shed(tmp_path, hurried=True) as running:
        for gate in running.gates:
            gate.mode = trouble
        for _ in range(days * 4):
            running.append(360, step_ms=60_000)
        before_mb = rss_mb()
        for gate in running.gates:
            gate.mode = THROUGH
        began = time.monotonic()
        most_mb = before_mb
        while not running.delivered():
            assert time.monotonic() - began < 600, f"not caught up: {[f.deliveries for f in running.forwarders]}"
            most_mb = max(most_mb, rss_mb())
            time.sleep(0.02)
        seconds = time.monotonic() - began
        messages = len(running.phone._peer.references)  # type: ignore[union-attr]
        running.assert_all_is_there(wakes=trouble in (HUNG, FROZEN), late=True)
        with capsys.disabled():
            print(
                f"\n{trouble}, {days} days: {len(running.slots)} scans caught up in {seconds:.1f} s, memory "
                f"+{most_mb - before_mb:.1f} MB, {len(running.pushes)} messages became {messages}"
            )
        assert most_mb - before_mb < 25
        assert messages < 20 or trouble in (HUNG, FROZEN), "no storm, but for what a hung receiver had read already"
