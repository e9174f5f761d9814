"""One MQTT connection after another to one broker: keeps trying, counts acknowledgements, survives its callbacks.

Knows MQTT and paho-mqtt, nothing of Homie or vats. Each connection gets a client object of its own: paho would send a
lost connection's unfinished messages again after the new connection's, and so put old values over new ones.
"""

from __future__ import annotations

import contextlib
import functools
import logging
import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vatwatch.errors import ConfigError, OutletRetryable
from vatwatch.outlets import homie

if TYPE_CHECKING:
    from paho.mqtt.client import Client, MQTTMessage

log = logging.getLogger(__name__)

QOS = 2
"""What Homie 5.0 recommends for everything retained."""
ACKNOWLEDGE_S = 10.0
"""How long the broker may take to acknowledge what one call publishes."""
CONNECT_S = 5.0
REST_FIRST_S = 1.0
REST_MOST_S = 30.0
SHORT_S = 10.0
"""A connection that ends sooner than this after its greeting …"""
SHORT_IN_A_ROW = 3
"""… so many times in a row is probably being thrown out by a namesake."""


def _is_file(path: str) -> bool:
    try:
        return Path(path).is_file()
    except (OSError, ValueError):
        return False


@dataclass(frozen=True, slots=True)
class MqttSettings:
    """Where the broker is and who we are to it. `site_id` is the Homie device: one per daemon on a broker."""

    host: str
    port: int = 1883
    site_id: str = "vatwatch"
    site_name: str = "vatwatch"
    username: str | None = None
    password: str | None = None
    tls: bool = False
    ca_file: str | None = None
    keepalive_s: int = 30

    def __post_init__(self) -> None:
        homie.check_id("[site] id", self.site_id)
        if self.ca_file is not None and not _is_file(self.ca_file):
            raise ConfigError(f"[mqtt] ca_file is {self.ca_file!r}; expected the path of a readable PEM file")
        if not 1 <= self.port <= 65535:
            raise ConfigError(f"[mqtt] port is {self.port}; expected 1 to 65535")
        if not 5 <= self.keepalive_s <= 3600:
            raise ConfigError(f"[mqtt] keepalive_s is {self.keepalive_s}; expected 5 to 3600 seconds")

    def __repr__(self) -> str:
        return f"MqttSettings({self.host}:{self.port}, site {self.site_id}, tls {self.tls}, user {self.username})"


def _guarded(callback: Callable[..., None]) -> Callable[..., None]:
    """An exception in a callback would end paho's network thread while it still calls itself connected."""

    @functools.wraps(callback)
    def wrapped(*args: Any) -> None:
        try:
            callback(*args)
        except Exception:
            log.exception("MQTT: a callback failed; the connection goes on")

    return wrapped


class Session:
    """One connection, from its first attempt to its end."""

    def __init__(
        self, settings: MqttSettings, will: tuple[str, str], hear: Callable[[Session, str, bytes, bool], None]
    ) -> None:
        from paho.mqtt.client import Client
        from paho.mqtt.enums import CallbackAPIVersion

        self._settings = settings
        self._hear = hear
        self._lock = threading.Condition()
        self._unacknowledged: set[int] = set()
        self._acknowledged_early: set[int] = set()
        self.connected = False
        self.ended = False
        self.trouble = ""
        # A fixed client id: the broker ends what is left of our last connection, and speaks its will, before it
        # welcomes this one. With a random id the old will could arrive after our `ready`.
        self._client: Client = Client(
            CallbackAPIVersion.VERSION2, client_id=f"vatwatch-{settings.site_id}", reconnect_on_failure=False
        )
        self._client.connect_timeout = CONNECT_S
        self._client.reconnect_delay_set(1, 1)
        self._client.will_set(will[0], will[1], qos=QOS, retain=True)
        if settings.username is not None:
            self._client.username_pw_set(settings.username, settings.password)
        if settings.tls:
            self._client.tls_set_context(ssl.create_default_context(cafile=settings.ca_file))
        self._client.on_connect = _guarded(self._on_connect)
        self._client.on_connect_fail = _guarded(self._on_connect_fail)
        self._client.on_disconnect = _guarded(self._on_disconnect)
        self._client.on_publish = _guarded(self._on_publish)
        self._client.on_message = _guarded(self._on_message)
        self._client.connect_async(settings.host, settings.port, settings.keepalive_s)
        self._client.loop_start()
        self._thread: threading.Thread | None = self._client._thread  # paho offers no other view of it

    @property
    def alive(self) -> bool:
        """False once the connection is over, or its network thread is gone for whatever reason."""
        return not self.ended and self._thread is not None and self._thread.is_alive()

    def wait_connected(self, timeout_s: float) -> bool:
        """True as soon as the broker has welcomed us; False when it has not in time."""
        with self._lock:
            self._lock.wait_for(lambda: self.connected or self.ended, timeout_s)
            return self.connected

    def subscribe(self, topic: str) -> None:
        self._client.subscribe(topic, qos=0)

    def unsubscribe(self, topic: str) -> None:
        self._client.unsubscribe(topic)

    def remark(self, topic: str, payload: str) -> None:
        """Say something that is not kept: whoever listens now hears it, and nobody is waited for."""
        if self.connected:
            self._client.publish(topic, payload.encode(), qos=0, retain=False)

    def publish(self, messages: Iterable[tuple[str, str]], timeout_s: float = ACKNOWLEDGE_S) -> None:
        """Publish retained messages in order; return when the broker has acknowledged every one of them."""
        deadline_s = time.monotonic() + timeout_s
        for topic, payload in messages:
            if not self.connected:
                raise self.failure()
            # Not under our lock: paho calls on_publish while it holds the lock that publish needs.
            mid = self._client.publish(topic, payload.encode(), qos=QOS, retain=True).mid
            with self._lock:
                if mid in self._acknowledged_early:
                    self._acknowledged_early.discard(mid)
                else:
                    self._unacknowledged.add(mid)
        with self._lock:
            self._lock.wait_for(lambda: not self._unacknowledged or not self.connected, deadline_s - time.monotonic())
            if not self.connected:
                raise self.failure()
            if self._unacknowledged:
                self.trouble = (
                    f"the broker at {self._where} has not acknowledged {len(self._unacknowledged)} messages "
                    f"within {timeout_s:g} s"
                )
                # What it holds now is unknown: begin anew, with everything announced again.
                self._hang_up()
                raise self.failure()

    def failure(self) -> OutletRetryable:
        """Why nothing can be published now."""
        return OutletRetryable(self.trouble or f"not yet connected to the broker at {self._where}", retry_after_s=5.0)

    def goodbye(self) -> None:
        """Leave cleanly: the broker forgets the will."""
        self._client.disconnect()
        with self._lock:
            self._lock.wait_for(lambda: self.ended, 1.0)
        self.cut()

    def cut(self) -> None:
        """Leave without a goodbye: where the broker still sees us, it will speak the will."""
        self._hang_up()
        self._client.loop_stop()

    def _hang_up(self) -> None:
        with self._lock:
            self.connected = False
            self.ended = True
            self._lock.notify_all()
        if isinstance(connection := self._client.socket(), socket.socket):
            with contextlib.suppress(OSError):
                connection.shutdown(socket.SHUT_RDWR)

    @property
    def _where(self) -> str:
        return f"{self._settings.host}:{self._settings.port}"

    def _on_connect(self, _client: Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        with self._lock:
            if reason.is_failure:
                self.trouble = f"the broker at {self._where} refuses us: {reason}"
                if "uthor" in str(reason) or "user" in str(reason):
                    self.trouble += "; check username and password in [mqtt]"
            else:
                self.connected = True
                self.trouble = ""
            self._lock.notify_all()

    def _on_connect_fail(self, _client: Client, _data: Any) -> None:
        with self._lock:
            self.trouble = f"no broker answers at {self._where}"
            if self._settings.tls:
                self.trouble += ", or its certificate is not trusted; check ca_file and port in [mqtt]"
            self.ended = True  # the link, not paho, decides when to try again
            self._lock.notify_all()

    def _on_disconnect(self, _client: Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        with self._lock:
            self.connected = False
            self.ended = True
            self.trouble = self.trouble or f"the connection to the broker at {self._where} was lost ({reason})"
            self._lock.notify_all()

    def _on_publish(self, _client: Client, _data: Any, mid: int, reason: Any, _properties: Any) -> None:
        # "No matching subscribers" is a success; a real refusal only exists in MQTT 5.
        if reason.is_failure:
            log.warning("MQTT: the broker refused a message: %s", reason)
        with self._lock:
            if mid in self._unacknowledged:
                self._unacknowledged.discard(mid)
            else:
                self._acknowledged_early.add(mid)
            self._lock.notify_all()

    def _on_message(self, _client: Client, _data: Any, message: MQTTMessage) -> None:
        self._hear(self, message.topic, bytes(message.payload), message.retain)


class Link:
    """Keeps a session alive: a thread that starts the next one when the last has ended, and greets on each.

    `greet` runs in that thread once per connection and may publish; a failure in it ends the connection.
    `tend` runs in it about once a second while connected.
    """

    def __init__(
        self,
        settings: MqttSettings,
        will: tuple[str, str],
        last_words: tuple[str, str],
        greet: Callable[[Session], None],
        tend: Callable[[Session], None],
        hear: Callable[[Session, str, bytes, bool], None],
    ) -> None:
        self._settings, self._will, self._last_words = settings, will, last_words
        self._greet, self._tend, self._hear = greet, tend, hear
        self._changed = threading.Condition()
        self._stopping = False
        self._poked = False
        self._greeted: Session | None = None
        self._trouble = ""
        self._short_in_a_row = 0
        self._thread = threading.Thread(target=self._run, name=f"mqtt-{settings.site_id}", daemon=True)

    def start(self) -> None:
        self._thread.start()

    @property
    def alive(self) -> bool:
        return self._thread.is_alive()

    def session(self, wait_s: float) -> Session:
        """The greeted session; OutletRetryable with the reason when there is none within `wait_s` seconds."""
        with self._changed:
            self._changed.wait_for(lambda: self._current() is not None or self._stopping, wait_s)
            if (session := self._current()) is not None:
                return session
            trouble = self._trouble or f"not yet connected to {self._settings.host}:{self._settings.port}"
            # Trying again costs nothing here: this link, not the caller, does the connecting.
            raise OutletRetryable(trouble, retry_after_s=5.0)

    def poke(self) -> None:
        """Have `tend` run at once. Safe from any thread, also from a callback."""
        with self._changed:
            self._poked = True
            self._changed.notify_all()

    def stop(self) -> None:
        """Say the last words, leave cleanly, end the thread."""
        with self._changed:
            self._stopping = True
            self._changed.notify_all()
        if self._thread.is_alive():
            self._thread.join(CONNECT_S + 5.0)

    def _current(self) -> Session | None:
        return self._greeted if self._greeted is not None and self._greeted.alive else None

    def _run(self) -> None:
        rest_s = REST_FIRST_S
        while not self._stopping:
            try:
                lasted = self._one_session()
            except Exception as error:
                log.warning("MQTT: %s", error, exc_info=not isinstance(error, OutletRetryable))
                self._trouble, lasted = str(error), False
            with self._changed:
                self._changed.wait_for(lambda: self._stopping, rest_s)
            rest_s = REST_FIRST_S if lasted else min(REST_MOST_S, 2.0 * rest_s)

    def _one_session(self) -> bool:
        """From connecting to the end of the connection; True when it was up for a while."""
        session = Session(self._settings, self._will, self._hear)
        try:
            while session.alive and not session.wait_connected(0.25) and not self._stopping:
                pass
            if not session.connected:
                self._short_in_a_row = 0  # refused or not there: that is no namesake's doing
                return False
            self._greet(session)
            greeted_s = time.monotonic()
            with self._changed:
                self._greeted = session
                self._trouble = ""
                self._changed.notify_all()
            while session.alive and not self._stopping:
                with self._changed:
                    self._changed.wait_for(lambda: self._stopping or self._poked or not session.alive, 1.0)
                    self._poked = False
                if session.alive and not self._stopping:
                    self._tend(session)
            short = time.monotonic() - greeted_s < SHORT_S
            self._short_in_a_row = self._short_in_a_row + 1 if short else 0
            return not short
        finally:
            with self._changed:
                self._greeted = None
                self._trouble = session.trouble or self._trouble
                if self._short_in_a_row >= SHORT_IN_A_ROW:
                    namesake = f"is another vatwatch using the site id {self._settings.site_id!r}?"
                    self._trouble += f"; this happens again and again: {namesake}"
            if self._stopping and session.connected:
                self._part(session)
            else:
                session.cut()

    def _part(self, session: Session) -> None:
        try:
            session.publish([self._last_words], timeout_s=2.0)
        except OutletRetryable as error:
            log.warning("MQTT: could not say goodbye: %s", error)
            session.cut()
        else:
            session.goodbye()
