"""The vats' current state on an MQTT broker, as one Homie 5.0 device.

Publishes what is, never what was: history is another outlet's job. On every connection the whole state is read from the
store and announced anew; between connections only what changed is published. Where it is allowed, actions on alarms are
taken: read by `mqtt_actions.py`, handed on, counted; what is refused is told on the topic `$log/warn`.
"""

from __future__ import annotations

import logging
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import replace
from uuid import uuid4

from vatwatch.errors import OutletRetryable, Refused, StoreError, VatwatchError
from vatwatch.outlets import homie, mqtt_actions
from vatwatch.outlets.ledger import Actions, Ledger
from vatwatch.outlets.mqtt_link import Link, MqttSettings, Session
from vatwatch.records import Delivery, Numbered, Scan, VatCard
from vatwatch.terms import Stream

__all__ = ["MqttOutlet", "MqttSettings"]

log = logging.getLogger(__name__)

SESSION_S = 3.0
"""How long a delivery waits for a connection before it says that there is none."""
LEFTOVERS_S = 2.0
"""How long to listen for what an earlier run left behind; without a right to read there is nothing to hear."""


ACTIONS = "actions"
"""The stream under which taken and refused actions are counted in the record."""
ACTIONS_WAITING_MOST = 20
COUNT_EVERY_S = 60.0


class MqttOutlet:
    """Outlet of current state. `open_ledger` is called in whichever thread needs to read."""

    name = "mqtt"
    streams = (Stream.ALARM_EVENTS, Stream.SCANS)
    coalesce = True
    idempotent = True
    batch_limit = 500

    def __init__(
        self,
        settings: MqttSettings,
        open_ledger: Callable[[], Ledger],
        clock_ms: Callable[[], int],
        actions: Actions | None = None,
    ) -> None:
        self._settings = settings
        self._site = settings.site_id
        self._open_ledger = open_ledger
        self._clock_ms = clock_ms
        self._state_topic = homie.device_topic(self._site, "$state")
        self._lock = threading.Lock()
        self._names: dict[str, str] = {}
        self._strangers: set[str] = set()
        self._held: dict[str, str] = {}
        self._leftovers: set[str] = set()
        self._heard_init = threading.Event()
        self._announced: Session | None = None
        self._called_lost = False
        self._actions = actions
        self._asked: deque[tuple[str, bytes, bool]] = deque()
        self._overflow = 0
        self._tally: Delivery | None = None
        self._counted_s = float("-inf")
        self._uncounted = False
        self._link = Link(
            settings,
            will=(self._state_topic, "lost"),
            last_words=(self._state_topic, "disconnected"),
            greet=self._announce,
            tend=self._tend,
            hear=self._hear,
        )
        self._started = False

    def open(self) -> None:
        """Begin to connect; the first `deliver` does it too. Never blocks on the broker."""
        if not self._started:
            self._started = True
            self._link.start()

    def deliver(self, stream: Stream, rows: Sequence[Numbered]) -> None:
        """Publish what changed; returns when the broker has acknowledged it."""
        self.open()
        if not self._link.alive:
            raise OutletRetryable("the MQTT thread has ended; restart vatwatch and report this")
        session = self._link.session(SESSION_S)
        if stream is Stream.ALARM_EVENTS:
            self._publish_alerts(session)
            return
        scans = [row.record for row in rows if isinstance(row.record, Scan)]
        unknown = {scan.vat for scan in scans} - self._names.keys() - self._strangers
        if unknown:
            self._announce(session)
            self._strangers |= unknown - self._names.keys()
        for scan in scans:
            if scan.vat in self._names:
                self._publish_changes(session, homie.scan_values(self._site, scan))

    def close(self) -> None:
        """Publish `disconnected` and leave; harmless when never connected."""
        if self._started:
            self._link.stop()

    def _announce(self, session: Session) -> None:
        """init → description → what is no longer there, deleted → values and alerts → ready."""
        wanted, description, names = self._read_all()
        with self._lock:
            self._leftovers.clear()
            self._heard_init.clear()
            self._announced = None
        everything = homie.device_topic(self._site, "#")
        session.subscribe(everything)
        session.publish([(self._state_topic, "init")])
        # Our own `init` comes back after every retained message, so by then all leftovers are known.
        self._heard_init.wait(LEFTOVERS_S)
        session.unsubscribe(everything)
        session.subscribe(self._state_topic)
        if self._actions is not None:
            session.subscribe(mqtt_actions.set_topic(self._site, "+"))
        kept = {self._state_topic, homie.device_topic(self._site, "$description")}
        with self._lock:
            orphans = sorted(self._leftovers - wanted.keys() - kept)
        session.publish(
            [
                (homie.device_topic(self._site, "$description"), description),
                *((topic, "") for topic in orphans),
                *wanted.items(),
            ]
        )
        session.publish([(self._state_topic, "ready")])
        with self._lock:
            self._names = names
            self._held = dict(wanted)
            self._announced = session
        log.info("MQTT: announced %d vats to %s:%d", len(names), self._settings.host, self._settings.port)

    def _read_all(self) -> tuple[dict[str, str], str, dict[str, str]]:
        """Everything the broker should hold, the description, and the vats' names, from one view of the store."""
        ledger = self._open_ledger()
        try:
            cards = list(ledger.cards())
            names = {card.vat: card.name or card.vat for card in cards}
            wanted: dict[str, str] = {}
            for card in cards:
                scan = ledger.last_scan(card.vat)
                wanted |= homie.no_values(self._site, card.vat) if scan is None else homie.scan_values(self._site, scan)
            wanted |= homie.alerts(self._site, ledger.standing_alarms(), names)
        finally:
            ledger.close()
        return wanted, self._description(cards), names

    def _description(self, cards: Sequence[VatCard]) -> str:
        takes = self._actions is not None
        return homie.description(self._settings.site_name, cards, self._clock_ms(), takes)

    def _publish_alerts(self, session: Session) -> None:
        try:
            ledger = self._open_ledger()
            try:
                texts = homie.alerts(self._site, ledger.standing_alarms(), self._names)
            finally:
                ledger.close()
        except StoreError as error:
            raise OutletRetryable(f"the standing alarms could not be read: {error}") from error
        stem = homie.device_topic(self._site, "$alert/")
        gone = {topic: "" for topic in self._held if topic.startswith(stem) and topic not in texts}
        self._publish_changes(session, gone | texts)

    def _publish_changes(self, session: Session, values: dict[str, str]) -> None:
        changed = {topic: payload for topic, payload in values.items() if self._held.get(topic) != payload}
        session.publish(changed.items())
        self._held |= changed

    def _tend(self, session: Session) -> None:
        """Someone else's will, or our own from a connection the broker buried late, called a living device lost."""
        if self._called_lost:
            self._called_lost = False
            session.publish([(self._state_topic, "ready")])
        if self._actions is not None:
            self._take_actions(session, self._actions)

    def _take_actions(self, session: Session, actions: Actions) -> None:
        """What was asked for since last time, one by one; what is refused is counted and told."""
        if self._tally is None:
            self._tally = self._known_tally()
        with self._lock:
            asked, self._asked = list(self._asked), deque()
            overflow, self._overflow = self._overflow, 0
        if overflow:
            self._refuse(session, "shed", f"{overflow} more than {ACTIONS_WAITING_MOST} at once", overflow)
        for node, payload, retained in asked:
            try:
                if node != homie.SHED_NODE and node not in self._names:
                    raise Refused(f"there is no vat {node[:40]!r} here")
                actions.take(mqtt_actions.read_action(node, payload, retained, uuid4().hex, self._clock_ms()))
            except VatwatchError as error:
                self._refuse(session, node, str(error))
            else:
                taken = self._tally.delivered + 1
                self._tally = replace(self._tally, position=taken, delivered=taken, last_ok_ms=self._clock_ms())
                self._uncounted = True
        if self._uncounted and time.monotonic() - self._counted_s >= COUNT_EVERY_S:
            self._counted_s = time.monotonic()
            try:
                actions.count(self._tally)
                self._uncounted = False
            except StoreError as error:
                log.warning("MQTT: the count of actions could not be kept: %s", error)

    def _refuse(self, session: Session, node: str, why: str, count: int = 1) -> None:
        text = f"an action on the alarms of {node[:40]} was refused: {why}"
        log.warning("MQTT: %s", text)
        session.remark(homie.device_topic(self._site, "$log/warn"), text)
        tally = self._tally or Delivery(self.name, ACTIONS)
        self._tally = replace(
            tally, dropped=tally.dropped + count, last_error=why[:300], last_error_ms=self._clock_ms()
        )
        self._uncounted = True

    def _known_tally(self) -> Delivery:
        ledger = self._open_ledger()
        try:
            known = [one for one in ledger.deliveries() if (one.outlet, one.stream) == (self.name, ACTIONS)]
        finally:
            ledger.close()
        return known[0] if known else Delivery(self.name, ACTIONS)

    def _hear(self, session: Session, topic: str, payload: bytes, retained: bool) -> None:
        """Runs in the network thread: takes a note and returns."""
        node = mqtt_actions.node_of(self._site, topic)
        if node is not None and self._actions is not None and payload:
            with self._lock:
                if len(self._asked) < ACTIONS_WAITING_MOST:
                    self._asked.append((node, payload[: mqtt_actions.LARGEST_BYTES + 1], retained))
                else:
                    self._overflow += 1
                if retained:
                    self._leftovers.add(topic)
            self._link.poke()
            return
        with self._lock:
            if topic == self._state_topic:
                if payload == b"init" and not retained:
                    self._heard_init.set()
                elif payload in (b"lost", b"disconnected") and not retained and self._announced is session:
                    self._called_lost = True
            elif retained and payload:
                self._leftovers.add(topic)
        if self._called_lost:
            self._link.poke()
