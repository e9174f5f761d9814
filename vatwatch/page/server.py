"""The web server in a thread of its own: start, real port, progress, stop. Knows nothing of vats.

The listening socket is opened before the thread starts, so a taken port is an error with a sentence where the daemon
can still say it, and port 0 gives a port that is already ours.
"""

from __future__ import annotations

import asyncio
import errno
import logging
import socket
import threading
import time
from collections.abc import Callable

import uvicorn
from starlette.types import ASGIApp
from uvicorn.protocols.http.h11_impl import H11Protocol

from vatwatch.errors import VatwatchError

log = logging.getLogger(__name__)

REQUEST_WITHIN_S = 15.0
"""A connection that has not sent one whole head of a request by then is closed."""


class PortInUse(VatwatchError):
    """The address the page should be served at cannot be had."""


class _Server(uvicorn.Server):
    """uvicorn's server, with the time of its last turn kept for the watchdog."""

    last_turn: float = 0.0

    async def on_tick(self, counter: int) -> bool:
        self.last_turn = time.monotonic()
        return await super().on_tick(counter)


class _Patient(H11Protocol):
    """HTTP/1.1 that gives up on a connection whose request does not arrive: uvicorn itself would wait for ever."""

    _waiting: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._waiting = self.loop.call_later(REQUEST_WITHIN_S, self._give_up)

    def connection_lost(self, exc: Exception | None) -> None:
        if self._waiting is not None:
            self._waiting.cancel()
        super().connection_lost(exc)

    def _give_up(self) -> None:
        # Looks again and again: a later request on the same connection may be the one that dawdles. Between two
        # requests uvicorn's own timer runs, until the first byte of the next one.
        if self.cycle is None or (self.cycle.response_complete and self.timeout_keep_alive_task is None):
            self.transport.close()
        else:
            self._waiting = self.loop.call_later(REQUEST_WITHIN_S, self._give_up)


class PageServer:
    """Serves an ASGI app on one address until stopped. Not restartable: make a new one.

    `before_stop` ends whatever the app holds open, so that stopping need not wait for it.
    """

    def __init__(self, app: ASGIApp, host: str, port: int, before_stop: Callable[[], None] = lambda: None) -> None:
        self._host = host
        self._before_stop = before_stop
        self._port = port
        self._socket: socket.socket | None = None
        self._thread: threading.Thread | None = None
        self._server = _Server(
            uvicorn.Config(
                app,
                log_config=None,
                access_log=False,
                lifespan="off",
                ws="none",
                http=_Patient,
                loop="asyncio",
                server_header=False,
                proxy_headers=False,
                timeout_keep_alive=10,
                timeout_graceful_shutdown=2,
                limit_concurrency=200,
            )
        )

    @property
    def last_progress(self) -> float:
        """`time.monotonic()` of the event loop's last turn (ten a second), 0.0 before the first."""
        return self._server.last_turn

    @property
    def alive(self) -> bool:
        return self._thread is not None and self._thread.is_alive()

    def start(self, timeout_s: float = 10.0) -> int:
        """Open the port and serve. Returns the real port. Raises PortInUse, or VatwatchError if serving fails."""
        self._socket = _listening_socket(self._host, self._port)
        port = int(self._socket.getsockname()[1])
        self._thread = threading.Thread(target=self._serve, args=(self._socket,), name="page", daemon=True)
        self._thread.start()
        deadline = time.monotonic() + timeout_s
        while not self._server.started:
            if not self._thread.is_alive() or time.monotonic() > deadline:
                self.stop(1.0)
                raise VatwatchError(f"The page could not be served at {self._host}:{port}. The log says why.")
            self._thread.join(0.005)
        return port

    def stop(self, timeout_s: float = 5.0) -> bool:
        """Stop serving and give the port back. Returns False if the thread did not end in time."""
        self._before_stop()
        self._server.should_exit = True
        if self._thread is not None:
            self._thread.join(timeout_s)
        if self._socket is not None:
            self._socket.close()
        return not self.alive

    def _serve(self, listening: socket.socket) -> None:
        try:
            self._server.run(sockets=[listening])
        except Exception:  # the thread's last line of defence: the daemon sees it through `alive`
            log.exception("the page's thread ended")


def _listening_socket(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        listening = socket.create_server((host, port), family=family, backlog=128)
    except OSError as error:
        if error.errno == errno.EADDRINUSE:
            raise PortInUse(
                f"The page cannot be served at {host}:{port}: another program holds that port. "
                "End it, or give [page] another port in the settings file."
            ) from error
        if error.errno == errno.EACCES:
            raise PortInUse(
                f"The page may not be served at {host}:{port}: ports below 1024 are kept for the system. "
                "Give [page] a higher port, such as 8420, in the settings file."
            ) from error
        raise PortInUse(
            f"The page cannot be served at {host}:{port} ({error.strerror or error}). "
            "Give [page] an address of this computer, such as 127.0.0.1."
        ) from error
    listening.setblocking(False)
    # Inherited by every connection. Without it each answer waits about 40 ms for the phone's delayed acknowledgement:
    # asyncio sets it only on sockets made with the protocol named, which create_server does not do.
    listening.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return listening
