"""Calls a web address while the watch goes on. The service behind it tells the dyer when the calls stop.

Silence is the message: nothing is sent while the watch is stuck. A failure is kept in the record and told, never fatal. The
address is a secret: it stands in no log, no error and no record.
"""

from __future__ import annotations

import http.client
import logging
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from vatwatch.errors import ConfigError, StoreError
from vatwatch.records import Delivery

log = logging.getLogger(__name__)

NAME, STREAM = "heartbeat", "beats"
ANSWER_WITHIN_S = 10.0
LOOK_EVERY_S = 1.0
TRY_AGAIN_S = 30.0
"""A call that failed is made again after this long, or at its usual time if that comes sooner."""
RECORD_EVERY_S = 3600.0
"""How often an unchanged success is written down: an SD card is not for that."""


@dataclass(frozen=True, slots=True)
class HeartbeatSettings:
    """Where to call, and how often (seconds)."""

    url: str = field(repr=False)
    every_s: float = 300.0
    method: str = "GET"

    def __post_init__(self) -> None:
        # Looked at here because the library would show the address in its complaint.
        scheme, _, rest = self.url.partition("://")
        if scheme.lower() not in ("http", "https") or not rest or not self.url.isprintable() or " " in self.url:
            raise ConfigError("[heartbeat] url_file does not hold one web address; expected http://… or https://…")


class Heartbeat:
    """A thread of its own. `goes_on` says whether the watch makes progress; `record` keeps how it went."""

    def __init__(
        self,
        settings: HeartbeatSettings,
        goes_on: Callable[[], bool],
        record: Callable[[Delivery], None],
        known: Delivery,
        clock_ms: Callable[[], int],
    ) -> None:
        self._settings = settings
        self._goes_on = goes_on
        self._record = record
        self._clock_ms = clock_ms
        self._delivery = known
        self._recorded_s = float("-inf")
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="heartbeat", daemon=True)
        self.last_progress = time.monotonic()

    @property
    def name(self) -> str:
        """Key of its deliveries in the store."""
        return NAME

    @property
    def alive(self) -> bool:
        return self._thread.is_alive()

    def start(self) -> None:
        self._thread.start()

    def stop(self, timeout_s: float) -> bool:
        """No last call: a watch that was stopped is silent."""
        self._stopping.set()
        if self._thread.ident is None:
            return True
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _run(self) -> None:
        due_s = time.monotonic()
        while not self._stopping.wait(min(LOOK_EVERY_S, max(0.01, due_s - time.monotonic()))):
            self.last_progress = time.monotonic()
            if time.monotonic() < due_s:
                continue
            try:
                if self._goes_on():
                    well = self._beat()
                    rest_s = self._settings.every_s if well else min(self._settings.every_s, TRY_AGAIN_S)
                    due_s = time.monotonic() + rest_s
            except Exception as error:  # noqa: BLE001 - the next call is made all the same
                # Not its text, nor where it was: either may hold the address.
                log.warning("heartbeat: an unexpected %s; it is tried again", type(error).__name__)
                due_s = time.monotonic() + TRY_AGAIN_S

    def _beat(self) -> bool:
        why = self._call()
        before = self._delivery
        count = before.delivered + (not why)
        if why:
            self._delivery = replace(
                before, failures=before.failures + 1, last_error=why, last_error_ms=self._clock_ms()
            )
        else:
            self._delivery = replace(before, position=count, delivered=count, last_ok_ms=self._clock_ms())
        was_well = (before.last_error_ms or 0) <= (before.last_ok_ms or 0)
        news = (not why) != was_well or why not in ("", before.last_error)
        if news or time.monotonic() - self._recorded_s >= RECORD_EVERY_S:
            if why:
                log.warning("heartbeat: %s", why)
            elif news:
                log.info("heartbeat: its address answers again")
            try:
                self._record(self._delivery)
                self._recorded_s = time.monotonic()
            except StoreError as error:
                log.warning("heartbeat: how it went could not be recorded: %s", error)
        return not why

    def _call(self) -> str:
        """One call; why it failed, or nothing. Only the kind of a failure is told: its text may hold the address."""
        data = b"" if self._settings.method == "POST" else None
        agent = {"User-Agent": "vatwatch"}
        try:
            request = urllib.request.Request(self._settings.url, data, agent, method=self._settings.method)  # noqa: S310
            with urllib.request.urlopen(request, timeout=ANSWER_WITHIN_S) as answer:  # noqa: S310 - http(s), see settings
                answer.read(1024)
        except urllib.error.HTTPError as error:
            error.close()
            return f"its address answers {error.code}"
        except urllib.error.URLError as error:
            reason = error.reason
            named = reason.strerror if isinstance(reason, OSError) and reason.strerror else type(reason).__name__
            return f"its address cannot be reached ({named})"
        except (OSError, ValueError, http.client.HTTPException) as error:
            return f"its address cannot be reached ({type(error).__name__})"
        return ""
