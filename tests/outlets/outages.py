"""Trouble between an outlet and its peer: a gate that refuses, hangs, drips or answers with errors; real peers behind it."""

from __future__ import annotations

import contextlib
import socket
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from tests.services import HOST, Mosquitto, VictoriaMetrics, _Process, free_port

THROUGH, REFUSED, HUNG, FROZEN, ERRORS, PASSWORD, DRIP = (
    "through", "refused", "hung", "frozen by SIGSTOP", "500s", "wrong password", "slow drip",
)  # fmt: skip
TROUBLES = (REFUSED, HUNG, FROZEN, ERRORS, PASSWORD, DRIP)
DRIP_S = 0.25
"""Seconds per byte."""
LOOK_S = 0.05
_ANSWERS = {
    ("http", ERRORS): b"HTTP/1.1 500 Out of Order\r\nContent-Length: 0\r\nConnection: close\r\n\r\n",
    ("http", PASSWORD): b"HTTP/1.1 401 Unauthorized\r\nContent-Length: 0\r\nConnection: close\r\n\r\n",
    # CONNACK of MQTT 3.1.1 (OASIS standard, table 3.1): 3 server unavailable, 5 not authorised.
    ("mqtt", ERRORS): b"\x20\x02\x00\x03",
    ("mqtt", PASSWORD): b"\x20\x02\x00\x05",
}


class Phone(_Process):
    """A receiver of messages in a process of its own."""

    what = "phone receiver"

    def command(self) -> list[str]:
        child = Path(__file__).with_name("phone_child.py")
        return [sys.executable, str(child), str(self.port), str(self.folder / "heard")]

    @property
    def references(self) -> list[str]:
        file = self.folder / "heard"
        return file.read_text(encoding="utf-8").splitlines() if file.exists() else []


class Gate:
    """A port in front of a peer's; what passes depends on `mode`."""

    def __init__(self, peer: Mosquitto | VictoriaMetrics | Phone, speaks: str) -> None:
        self.port = free_port()
        self.attempts = 0
        self._peer, self._speaks = peer, speaks
        self._mode = THROUGH
        self._closing = False
        self._threads = [threading.Thread(target=self._listen, daemon=True)]

    @property
    def mode(self) -> str:
        return self._mode

    @mode.setter
    def mode(self, mode: str) -> None:
        if FROZEN in (mode, self._mode) and mode != self._mode:
            self._peer.freeze() if mode == FROZEN else self._peer.thaw()
        self._mode = mode

    def __enter__(self) -> Gate:
        self._threads[0].start()
        return self

    def __exit__(self, *_: object) -> None:
        self.mode = THROUGH
        self._closing = True
        for thread in self._threads:
            thread.join(5)

    def _listen(self) -> None:
        listener: socket.socket | None = None
        while not self._closing:
            if self._mode == REFUSED:
                if listener is not None:
                    listener.close()
                    listener = None
                time.sleep(LOOK_S)
                continue
            if listener is None:
                listener = socket.create_server((HOST, self.port))
                listener.settimeout(LOOK_S)
            with contextlib.suppress(TimeoutError):
                caller, _ = listener.accept()
                self.attempts += 1
                thread = threading.Thread(target=self._serve, args=(caller,), daemon=True)
                self._threads.append(thread)
                thread.start()
        if listener is not None:
            listener.close()

    def _serve(self, caller: socket.socket) -> None:
        with caller, contextlib.suppress(OSError):
            if (answer := _ANSWERS.get((self._speaks, self._mode))) is not None:
                caller.settimeout(2)
                _whole_request(caller, self._speaks)
                caller.sendall(answer)
                return
            with socket.create_connection((HOST, self._peer.port), timeout=5) as peer:
                back = threading.Thread(target=self._pump, args=(peer, caller), daemon=True)
                back.start()
                self._pump(caller, peer)
                back.join()

    def _pump(self, giver: socket.socket, taker: socket.socket) -> None:
        """Carries bytes one way until either side ends, or the gate is to break connections."""
        giver.settimeout(LOOK_S)
        try:
            while not self._closing and self._mode not in (REFUSED, ERRORS, PASSWORD):
                if self._mode == HUNG:
                    time.sleep(LOOK_S)
                    continue
                try:
                    data = giver.recv(1 if self._mode == DRIP else 65536)
                except TimeoutError:
                    continue
                if not data:
                    break
                if self._mode == DRIP:
                    time.sleep(DRIP_S)
                taker.sendall(data)
        except OSError:
            pass
        for side in (giver, taker):
            with contextlib.suppress(OSError):
                side.shutdown(socket.SHUT_RDWR)


def _whole_request(caller: socket.socket, speaks: str) -> None:
    received = b""
    while True:
        received += (part := caller.recv(65536))
        if not part or speaks == "mqtt":
            return
        head, found, body = received.partition(b"\r\n\r\n")
        if found:
            lengths = [line for line in head.lower().split(b"\r\n") if line.startswith(b"content-length:")]
            if not lengths or len(body) >= int(lengths[0].split(b":")[1]):
                return


@contextlib.contextmanager
def gates(*peers: tuple[Callable[[], Mosquitto | VictoriaMetrics | Phone], str]) -> Iterator[list[Gate]]:
    """Started peers, each behind a gate."""
    with contextlib.ExitStack() as stack:
        made = []
        for make, speaks in peers:
            peer = make()
            stack.enter_context(peer)
            made.append(stack.enter_context(Gate(peer, speaks)))
        yield made
