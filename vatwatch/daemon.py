"""Puts the rooms together and keeps them running: readers, recorder, forwarders, page. Judges nothing.

Data flows one way: port readers → recorder (judges, sole writer of the store) → one forwarder per outlet, and the page,
each reading the store by itself. An outlet may be down for a month; acquisition never notices.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from vatwatch import assembly, destinations, reloading, service_manager
from vatwatch.clock import Clock, SystemClock
from vatwatch.clock_sync import ClockSource
from vatwatch.config import Config, load_config
from vatwatch.errors import ConfigError, StoreError, VatwatchError
from vatwatch.in_force import why_unusable
from vatwatch.outlets.forwarder import Forwarder, Outlet
from vatwatch.outlets.ledger import Actions
from vatwatch.outlets.outlet import Prepared
from vatwatch.outlets.urgent import UrgentSender
from vatwatch.page.address import origin_of, page_url
from vatwatch.page.app import Page, create_app
from vatwatch.page.passphrase import read_passphrase
from vatwatch.page.server import PageServer
from vatwatch.probes.reader import PortReader
from vatwatch.recorder import Recorder
from vatwatch.records import Calibration, Delivery, PortEvent
from vatwatch.secret_files import trusted
from vatwatch.shed_facts import FactFinder
from vatwatch.shed_watch import ShedWatch
from vatwatch.store.reading import StoreReader
from vatwatch.store.salvage import open_or_salvage
from vatwatch.store.writing import StoreWriter
from vatwatch.summons import Call, Summons
from vatwatch.vat.settings import VatSettings

if TYPE_CHECKING:
    from vatwatch.outlets.heartbeat import Heartbeat, HeartbeatSettings

log = logging.getLogger(__name__)

STORE_NAME = "vatwatch.db"
INBOX_NAME = "inbox"
STUCK_AFTER_S = 30.0
"""A worker that has not come round for this long is stuck; the service manager then gets no ping."""
LET_GO_S = 15.0
"""How long an outlet whose settings changed may take over the message it is just delivering."""
PAGE_STALE_SCANS = 3
PAGE_STALE_S = 5.0
"""The page calls a vat unknown when its newest scan is older than this many scans, and this many real seconds."""


@dataclass(frozen=True, slots=True)
class Worker:
    """Something with a thread, as it stands now. `last_progress` is in monotonic seconds."""

    name: str
    last_progress: float
    alive: bool


class Daemon:
    """One shed, complete. `start`, then `run_until_stopped` or `stop`."""

    def __init__(
        self,
        config: Config,
        source: str,
        clock: Clock | None = None,
        extra_outlets: Sequence[Outlet] = (),
    ) -> None:
        self.config = config
        self.source = source
        self.clock = clock or SystemClock(ClockSource(config.site.clock_set_file))
        self.store_path = config.site.data / STORE_NAME
        self.page_url: str | None = None
        self._vats = assembly.vat_settings(config, source)
        self._ports = assembly.port_settings(config, source)
        self._extra_outlets = tuple(extra_outlets)
        self._writer: StoreWriter | None = None
        self._recorder: Recorder | None = None
        self._urgent: UrgentSender | None = None
        self._readers: list[PortReader] = []
        self._forwarders: list[Forwarder] = []
        self._heartbeat: Heartbeat | None = None
        self._page: PageServer | None = None
        self._page_app: Page | None = None
        self._outlet_marks: dict[str, str] = {}
        self._summons = Summons()

    @property
    def vats(self) -> dict[str, VatSettings]:
        return self._vats

    @property
    def recorder(self) -> Recorder:
        if self._recorder is None:
            raise RuntimeError("the daemon has not been started")
        return self._recorder

    def open_reader(self) -> StoreReader:
        """A new read-only connection to the store; one per thread."""
        return StoreReader(self.store_path)

    def open_ledger(self) -> StoreReader:
        """The same for an outlet: nothing in it bears a time that is in doubt."""
        return StoreReader(self.store_path, sure_times_only=True)

    def start(self) -> None:
        """Open store, threads, page. Broker, database, phone and probes may all be away. Raises VatwatchError."""
        outlets = self._outlets(self.config)
        heartbeat = destinations.heartbeat_settings(self.config, self.source)
        # Phones once more, with connections of their own: for danger while the store cannot be written.
        self._urgent = UrgentSender(self._urgent_phones(self.config))
        self._outlet_marks = reloading.outlet_marks(self.config, self.source)
        self._writer, salvaged = open_or_salvage(self.store_path)
        try:
            self._begin_after_the_record()
            version = self._settings_in_force(self._writer, self.config)
            self._recorder = Recorder(
                self._writer,
                self.store_path,
                self._vats,
                version,
                self.clock,
                self.config.site.data / INBOX_NAME,
                self._committed,
                self._urgent.send,
                self._recalibrate,
                ShedWatch(
                    ZoneInfo(self.config.site.timezone), FactFinder(self.store_path, self.clock, self._outlet_names)
                ),
            )
            self._recorder.night = self.config.night.settings(self.config.site.timezone)
            self._recorder.start()
            if salvaged is not None:
                log.error(salvaged.told())
                # Kept in the record too, where the review shows it.
                self._recorder.take([PortEvent(self.clock.now_ms(), "store", "damaged", salvaged.told())])
            self._start_page()
        except BaseException:
            self.stop()
            raise
        self._forwarders = [self._forward(outlet) for outlet in (*outlets, *self._extra_outlets)]
        if heartbeat is not None:
            self._start_heartbeat(heartbeat)
        for port in self._ports:
            reader = PortReader(port, self.clock.now_ms, self._recorder.take, self.clock.rate)
            self._readers.append(reader)
            reader.start()

    def _start_heartbeat(self, settings: HeartbeatSettings) -> None:
        from vatwatch.outlets.heartbeat import NAME, STREAM, Heartbeat

        with self.open_reader() as reader:
            known = [one for one in reader.deliveries() if (one.outlet, one.stream) == (NAME, STREAM)]
        self._heartbeat = Heartbeat(
            settings,
            lambda: not self.stuck() and self.recorder.keeps_up,
            self.recorder.record_delivery,
            known[0] if known else Delivery(NAME, STREAM),
            self.clock.now_ms,
        )
        self._heartbeat.start()

    def _begin_after_the_record(self) -> None:
        with self.open_reader() as reader:
            span = reader.span()
        if isinstance(self.clock, SystemClock):
            behind_ms = self.clock.begin(0 if span is None else span[1])
            if behind_ms:
                log.warning(
                    "this machine's clock is %.0f s behind the end of the record; the watch goes on from there",
                    behind_ms / 1000,
                )

    def stop(self, timeout_s: float = 5.0) -> list[str]:
        """Stop reading, judge what is complete, keep the state, close. Names of whatever did not end in time."""
        deadline = time.monotonic() + timeout_s

        def left() -> float:
            return max(0.1, deadline - time.monotonic())

        late = []
        for reader in self._readers:
            reader.stop(0.0)
        for reader in self._readers:
            if not reader.stop(left()):
                late.append(f"port {reader.settings.port}")
        if self._page is not None and not self._page.stop(left()):
            late.append("page")
        for forwarder in self._forwarders:
            forwarder.stop(0.0)
        for forwarder in self._forwarders:
            if not forwarder.stop(left()):
                late.append(f"outlet {forwarder.name}")
        if self._urgent is not None:
            self._urgent.stop(left())
        if self._heartbeat is not None and not self._heartbeat.stop(left()):
            late.append("heartbeat")
        recorder_ended = self._recorder is None or self._recorder.stop(left())
        if not recorder_ended:
            late.append("recorder")
        elif self._writer is not None:
            self._writer.close()
        if late:
            log.warning("did not end in time: %s", ", ".join(late))
        return late

    def workers(self) -> list[Worker]:
        """Every thread the watch depends on."""
        found = [Worker(f"port {r.settings.port}", r.last_progress, r.is_alive) for r in self._readers]
        if self._recorder is not None:
            found.append(Worker("recorder", self._recorder.last_progress, self._recorder.alive))
        found += [Worker(f"outlet {f.name}", f.last_progress, f.alive) for f in self._forwarders]
        if self._page is not None:
            found.append(Worker("page", self._page.last_progress, self._page.alive))
        return found

    def stuck(self) -> list[str]:
        """Names of workers that ended or have not come round lately."""
        now = time.monotonic()
        return [w.name for w in self.workers() if not w.alive or now - w.last_progress > STUCK_AFTER_S]

    def ask_to_stop(self) -> None:
        self._summons.ring(Call.STOP)

    def run_until_stopped(self) -> list[str]:
        """Run until SIGTERM, SIGINT or `ask_to_stop`; feeds the service manager's watchdog while every worker lives.

        SIGHUP reads the settings again.
        """
        self._summons.listen_to_signals()
        service_manager.notify("READY=1")
        interval = service_manager.watchdog_interval_s() or 10.0
        told: list[str] = []
        while Call.STOP not in (called := self._summons.wait(min(interval, 10.0))):
            if Call.RELOAD in called:
                self._tell_reload()
            stuck = self.stuck()
            if stuck != told:
                log.error("stuck: %s", ", ".join(stuck)) if stuck else log.info("every worker moves again")
                told = stuck
            if not stuck:
                service_manager.notify("WATCHDOG=1")
        service_manager.notify("STOPPING=1")
        return self.stop()

    def _tell_reload(self) -> None:
        service_manager.notify(f"RELOADING=1\nMONOTONIC_USEC={time.monotonic_ns() // 1000}")
        try:
            told = self.reload()
            log.info(told)
        except VatwatchError as error:
            told = f"the new settings are refused, the old ones stay in force: {error}"
            log.error(told)  # noqa: TRY400 - it is written for the dyer, who has no use for a traceback
        service_manager.notify(f"READY=1\nSTATUS={' '.join(told.split())}")

    def reload(self) -> str:
        """Read the settings file again and go on with it; says what was taken over and what needs a restart.

        Raises VatwatchError when the file, or a secret it names, cannot be used: then nothing has changed.
        """
        plan = reloading.planned(self.config, load_config(Path(self.source)))
        config = plan.config
        # Everything that may be wrong with it is looked at before anything is touched.
        assembly.vat_settings(config, self.source)
        marks = reloading.outlet_marks(config, self.source)
        outlets = self._outlets(config)
        heartbeat = destinations.heartbeat_settings(config, self.source)
        phones = self._urgent_phones(config)
        for phone in phones:
            if isinstance(phone, Prepared):
                phone.prepare()
        self.recorder.change_settings(lambda: self._take_over(config))
        self.recorder.night = config.night.settings(config.site.timezone)
        if self._urgent is not None:
            self._urgent.replace_outlets(phones)
        old, self._outlet_marks = self._outlet_marks, marks
        changed = {name for name in old.keys() | marks.keys() if old.get(name) != marks.get(name)}
        self._replace_forwarders(outlets, changed)
        if "heartbeat" in changed:
            if self._heartbeat is not None:
                self._heartbeat.stop(LET_GO_S)
                self._heartbeat = None
            if heartbeat is not None:
                self._start_heartbeat(heartbeat)
        return plan.told()

    def _take_over(self, config: Config) -> tuple[dict[str, VatSettings], int]:
        """On the recorder's thread, the only one that writes."""
        if self._writer is None:
            raise StoreError("the store is not open")
        version = self._settings_in_force(self._writer, config)
        self.config = config
        return self._vats, version

    def _replace_forwarders(self, outlets: Sequence[Outlet], changed: set[str]) -> None:
        leaving = [forwarder for forwarder in self._forwarders if forwarder.name in changed]
        for forwarder in leaving:
            forwarder.stop(0.0)
        deadline = time.monotonic() + LET_GO_S
        for forwarder in leaving:
            if not forwarder.stop(max(0.0, deadline - time.monotonic())):
                log.warning("outlet %s still delivers by its old settings; that message may come twice", forwarder.name)
        staying = [forwarder for forwarder in self._forwarders if forwarder not in leaving]
        self._forwarders = [*staying, *(self._forward(outlet) for outlet in outlets if outlet.name in changed)]

    def _forward(self, outlet: Outlet) -> Forwarder:
        forwarder = Forwarder(outlet, self.open_ledger, self.recorder, self.clock.now_ms)
        forwarder.start()
        return forwarder

    def _outlets(self, config: Config) -> list[Outlet]:
        return destinations.outlets(
            config,
            self.source,
            self.open_ledger,
            self.clock.now_ms,
            self._page_address(),
            Actions(lambda action: self.recorder.submit(action), lambda tally: self.recorder.record_delivery(tally)),
        )

    def _urgent_phones(self, config: Config) -> list[Outlet]:
        return destinations.phone_outlets(
            config, self.source, self.clock.now_ms, self._page_address(), danger_only=True
        )

    def _settings_in_force(self, writer: StoreWriter, config: Config) -> int:
        """The vats as the file and the newest calibrations have them; gives the version under which they are kept."""
        with self.open_reader() as reader:
            calibrations = reader.calibrations()
        vats = assembly.vat_settings(config, self.source, calibrations)
        version = writer.record_settings(
            self.clock.now_ms(),
            assembly.judgement_text(config, calibrations),
            [settings.card() for settings in vats.values()],
        )
        self._vats = vats
        return version

    def _recalibrate(self, calibration: Calibration) -> tuple[dict[str, VatSettings], int]:
        """On the recorder's thread. Raises ConfigError when an accepted calibration cannot be used."""
        unusable = why_unusable(self.config, calibration)
        if calibration.accepted and unusable:
            raise ConfigError(unusable)
        if self._writer is None:
            raise StoreError("the store is not open")
        self._writer.record_calibration(calibration)
        version = self._settings_in_force(self._writer, self.config)
        return self._vats, version

    def _committed(self) -> None:
        for forwarder in self._forwarders:
            forwarder.notify()
        if self._page_app is not None:
            self._page_app.ring()

    def _outlet_names(self) -> list[str]:
        return [forwarder.name for forwarder in self._forwarders] + (
            [] if self._heartbeat is None else [self._heartbeat.name]
        )

    def _page_address(self) -> str | None:
        page = self.config.page
        if page.address or not page.enabled:
            return page.address
        return page_url(page.host, page.port)

    def _start_page(self) -> None:
        page = self.config.page
        if not page.enabled:
            return
        served = f"http://[{page.host}]:{page.port}" if ":" in page.host else f"http://{page.host}:{page.port}"
        passphrase_file = None if page.passphrase_file is None else trusted(self.source, page.passphrase_file)
        self._page_app = create_app(
            self.open_reader,
            self.recorder.submit,
            self.clock.now_ms,
            self.config.site.timezone,
            int(max(PAGE_STALE_SCANS * self.config.site.scan_s, PAGE_STALE_S * self.clock.rate) * 1000),
            served,
            passphrase=None if passphrase_file is None else read_passphrase(passphrase_file),
            guests=page.guests,
            also=[] if page.address is None else [origin_of(page.address)],
            outlets=lambda: dict.fromkeys(self._outlet_names()) | {f.name: f.held for f in self._forwarders},
        )
        self._page = PageServer(self._page_app, page.host, page.port, self._page_app.close)
        self._page.start()
        self.page_url = page_url(page.host, page.port)
