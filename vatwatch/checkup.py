"""`vatwatch check`: looks at everything the watch depends on and says, for each, what is so and what to do.

It asks the real things: opens the ports, connects to the broker, asks the database, sends a test push when told to. It
changes nothing in the store.
"""

from __future__ import annotations

import contextlib
import http.client
import os
import shutil
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

from vatwatch import assembly, destinations
from vatwatch.calibration_due import calibrations_due
from vatwatch.config import Config, load_config
from vatwatch.daemon import INBOX_NAME, STORE_NAME
from vatwatch.errors import VatwatchError
from vatwatch.outlet_tables import InfluxTable, MqttTable
from vatwatch.probes.reader import PortReader
from vatwatch.probes.settings import PortSettings
from vatwatch.records import Calibration, PortEvent, Push, Sample
from vatwatch.secret_files import secrets_shown
from vatwatch.store import inbox
from vatwatch.store.presence import is_written
from vatwatch.store.reading import StoreReader
from vatwatch.terms import Urgency

LITTLE_ROOM_MB = 200
ANSWER_WITHIN_S = 5.0


@dataclass(frozen=True, slots=True)
class Finding:
    """One line of the check. `good` None means: works, but with something to know."""

    what: str
    good: bool | None
    detail: str

    @property
    def exit_code(self) -> int:
        return 1 if self.good is False else 0

    def line(self) -> str:
        word = {True: "good", None: "note", False: "MEND"}[self.good]
        return f"{word:5} {self.what}: {self.detail}"


def check_all(config_path: Path, push: bool, listen_s: float) -> Iterator[Finding]:
    """Findings one by one, as soon as each is known. Raises ConfigError when the settings cannot be used at all."""
    config = load_config(config_path)
    source = str(config_path)
    vats = assembly.vat_settings(config, source)
    ports = assembly.port_settings(config, source)
    yield Finding("settings", True, f"{config_path}: {len(vats)} vats, {len(config.probe)} probes, {len(ports)} ports")
    for warning in (*config.warnings(), *secrets_shown(config, source)):
        yield Finding("settings", None, warning)
    yield from _check_store(config)
    yield from _check_calibrations(config, source)
    running = is_written(config.site.data / STORE_NAME)
    if running:
        yield Finding("daemon", True, "vatwatch runs; the ports are its own, so what it heard of late is told instead")
    for port in ports:
        yield _heard_by_the_daemon(config, port) if running else _check_port(port, listen_s)
    if config.mqtt is not None:
        yield _check_broker(
            config.mqtt,
            config.site.id,
            destinations.read_secret(config.mqtt.password_file, source, "mqtt", "password_file"),
            source,
        )
    if config.influx is not None:
        yield _check_database(config.influx)
    yield from _check_phones(config, source, push)


def _check_store(config: Config) -> Iterator[Finding]:
    data = config.site.data
    existing = next(p for p in (data, *data.parents) if p.exists())
    if not existing.is_dir():
        yield Finding(
            "store", False, f"[site] data is {data}, but {existing} is a file; name a directory for the record"
        )
        return
    if not os.access(existing, os.W_OK):
        yield Finding(
            "store", False, f"{existing} cannot be written by this user; give it to them or name another place"
        )
        return
    free_mb = shutil.disk_usage(existing).free // 1_000_000
    if free_mb < LITTLE_ROOM_MB:
        yield Finding("store", False, f"only {free_mb} MB are free at {existing}; make room")
    for sentence in inbox.unreadable(data / INBOX_NAME):
        yield Finding("handed in", False, sentence)
    path = data / STORE_NAME
    if not path.exists():
        yield Finding("store", True, f"none at {path} yet, `vatwatch run` begins one; {free_mb} MB free")
        return
    try:
        with StoreReader(path) as reader:
            span = reader.span()
    except VatwatchError as error:
        yield Finding("store", False, str(error))
        return
    age = "empty so far" if span is None else f"newest scan {max(0, time.time() - span[1] / 1000):.0f} s ago"
    yield Finding("store", True, f"{path}, {age}; {free_mb} MB free")


HEARD_WITHIN_MS = 120_000


def _heard_by_the_daemon(config: Config, port: PortSettings) -> Finding:
    """What the running daemon has had from the port's probes in the last two minutes, and the port's last trouble."""
    now_ms = int(time.time() * 1000)
    values: dict[str, float] = {}
    with StoreReader(config.site.data / STORE_NAME) as reader:
        for vat in {wiring.vat for wiring in port.probes}:
            for sample in reader.samples(vat, now_ms - HEARD_WITHIN_MS, now_ms + HEARD_WITHIN_MS):
                if sample.value is not None:
                    values[sample.probe] = sample.value
        events = [e for e in reader.port_events(0, now_ms + HEARD_WITHIN_MS) if e.port == port.port]
    missing = sorted(w.probe for w in port.probes if w.probe not in values)
    told = ", ".join(f"{w.probe} {values[w.probe]:g}" for w in port.probes if w.probe in values)
    if not missing:
        return Finding(f"port {port.port}", True, f"{port.device} gives {told}")
    why = f" {events[-1].detail}" if events and events[-1].event != "opened" else ""
    also = f" It did give {told}." if told else ""
    return Finding(f"port {port.port}", False, f"nothing from {', '.join(missing)} in the last 2 min.{also}{why}")


def _check_calibrations(config: Config, source: str) -> Iterator[Finding]:
    """How old each probe's calibration is. Overdue is something to know, nothing that stops the watch."""
    calibrations: list[Calibration] = []
    # A store that cannot be read has its own finding above.
    with contextlib.suppress(VatwatchError), StoreReader(config.site.data / STORE_NAME) as reader:
        calibrations = reader.calibrations()
    vats = assembly.vat_settings(config, source, calibrations)
    for due in calibrations_due(vats.values(), int(time.time() * 1000), ZoneInfo(config.site.timezone)):
        yield Finding(f"probe {due.probe}", True if due.overdue is False else None, due.words)


def _check_port(port: PortSettings, listen_s: float) -> Finding:
    """Open the port as the daemon would and wait until every probe on it has given a number."""
    heard: dict[str, Sample] = {}
    events: list[PortEvent] = []
    complete = threading.Event()

    def take(records: Sequence[Sample | PortEvent]) -> None:
        for record in records:
            if isinstance(record, PortEvent):
                events.append(record)
            elif record.value is not None:
                heard[record.probe] = record
        if len(heard) == len(port.probes) or any(event.event == "cannot-open" for event in events):
            complete.set()

    reader = PortReader(port, lambda: int(time.time() * 1000), take)
    reader.start()
    complete.wait(listen_s)
    reader.stop(2.0)
    what = f"port {port.port}"
    refused = [event.detail for event in events if event.event == "cannot-open"]
    if refused:
        return Finding(what, False, refused[-1])
    values = ", ".join(f"{probe} {sample.value:g}" for probe, sample in sorted(heard.items()))
    missing = sorted(w.probe for w in port.probes if w.probe not in heard)
    if not missing:
        return Finding(what, True, f"{port.device} gives {values}")
    told = [event.detail for event in events if event.event not in ("opened", "cannot-open")]
    why = f" {told[-1]}" if told else ""
    also = f" It did give {values}." if values else ""
    return Finding(what, False, f"nothing from {', '.join(missing)} within {listen_s:g} s.{also}{why}")


def _check_broker(mqtt: MqttTable, site_id: str, password: str | None, source: str) -> Finding:
    """A real CONNECT under a name of its own, so that a running daemon is not thrown off."""
    import paho.mqtt.client as paho
    from paho.mqtt.enums import CallbackAPIVersion

    answered = threading.Event()
    said: list[str] = []

    def on_connect(_c: object, _u: object, _f: object, reason: object, _p: object) -> None:
        said.append("" if not getattr(reason, "is_failure", True) else str(reason))
        answered.set()

    client = paho.Client(CallbackAPIVersion.VERSION2, client_id=f"{site_id}-check-{os.getpid()}")
    client.on_connect = on_connect
    if mqtt.username:
        client.username_pw_set(mqtt.username, password)
    where = f"{mqtt.host}:{mqtt.port}"
    try:
        if mqtt.tls:
            client.tls_set(ca_certs=None if mqtt.ca_file is None else str(destinations.beside(source, mqtt.ca_file)))
        client.connect(mqtt.host, mqtt.port, keepalive=10)
    except (OSError, ValueError) as error:
        return Finding("broker", False, f"{where} cannot be reached ({error}); the watch goes on without it")
    client.loop_start()
    answered.wait(ANSWER_WITHIN_S)
    client.disconnect()
    client.loop_stop()
    if not said:
        return Finding("broker", False, f"{where} took the connection but did not answer within {ANSWER_WITHIN_S:g} s")
    if said[0]:
        return Finding("broker", False, f"{where} refuses us: {said[0]}; check username and password_file")
    return Finding("broker", True, f"{where} takes us in")


def _check_database(influx: InfluxTable) -> Finding:
    """Whether something that speaks HTTP answers at the address; a wrong token shows only when something is written."""
    address = influx.url.rstrip("/") + "/health"
    try:
        with urllib.request.urlopen(address, timeout=ANSWER_WITHIN_S) as answer:  # noqa: S310 - http(s) by the settings' pattern
            return Finding("database", True, f"{influx.url} answers ({answer.status})")
    except urllib.error.HTTPError as error:
        return Finding("database", None, f"{influx.url} answers, but with {error.code} when asked for its health")
    except (OSError, ValueError, http.client.HTTPException) as error:
        return Finding("database", False, f"{influx.url} cannot be reached ({error}); rows wait in the store meanwhile")


def _check_phones(config: Config, source: str, push: bool) -> Iterator[Finding]:
    if not config.phone:
        return
    from vatwatch.outlets.phone import PhoneOutlet
    from vatwatch.outlets.rounds import Lane

    def clock_ms() -> int:
        return int(time.time() * 1000)

    for name, target in destinations.phone_targets(config, source, config.page.address).items():
        what = f"phone {name}"
        outlet = PhoneOutlet(target, Lane.DANGER, clock_ms)
        try:
            shown = outlet.describe()
            if push:
                test = Push(
                    push_id=f"check-{clock_ms()}",
                    slot_ms=clock_ms(),
                    vat="",
                    alarm="",
                    urgency=Urgency.DANGER,
                    title="vatwatch: test push",
                    body="This is only a test, sent by `vatwatch check --push`. No vat needs you.",
                )
                outlet.send(test)
                yield Finding(what, True, f"{shown}: the test push was taken; look at the phone")
            else:
                yield Finding(what, True, f"{shown}; send a test with --push")
        except VatwatchError as error:
            yield Finding(what, False, str(error))
        finally:
            outlet.close()
