"""Real services that tests start for themselves: a broker, a time-series database, web and mail receivers.

Each is a context manager on a free port of 127.0.0.1 and ends only the process it started. A missing program is a
failure with the name of what to install, never a skip.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email.message import EmailMessage
from email.parser import BytesParser
from email.policy import default as email_policy
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from types import TracebackType
from typing import Any, Self
from urllib.parse import quote
from urllib.request import urlopen

HOST = "127.0.0.1"


def find_program(name: str, package: str) -> str:
    """Path of a program, /usr/sbin included; AssertionError names the package to install when it is absent."""
    path = shutil.which(name, path=os.environ.get("PATH", os.defpath) + ":/usr/sbin:/usr/local/sbin:/sbin")
    assert path is not None, f"the program `{name}` is needed by this test; install it (Debian: apt install {package})"
    return path


def free_port() -> int:
    """A TCP port of 127.0.0.1 that was free a moment ago."""
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        port: int = probe.getsockname()[1]
        return port


def wait_until(true: Callable[[], object], what: str, within_s: float = 10.0) -> None:
    """Poll until `true()` holds; AssertionError says what was waited for."""
    deadline = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < deadline, f"not within {within_s:g} s: {what}"
        time.sleep(0.02)


def port_answers(port: int) -> bool:
    """True when something listens on 127.0.0.1:port."""
    try:
        with socket.create_connection((HOST, port), timeout=0.5):
            return True
    except OSError:
        return False


class _Process:
    """One child process with a port; started, killed, frozen and restarted by the test that owns it."""

    what = "process"

    def __init__(self) -> None:
        self.port = free_port()
        self.folder = Path(tempfile.mkdtemp(prefix="vatwatch-test-"))
        self._process: subprocess.Popen[bytes] | None = None

    def command(self) -> list[str]:
        raise NotImplementedError

    @property
    def pid(self) -> int:
        assert self._process is not None
        return self._process.pid

    def start(self) -> None:
        """Start on the same port as before and wait until it answers."""
        assert self._process is None
        log = self.folder / "log"
        with log.open("ab") as out:
            self._process = subprocess.Popen(self.command(), stdout=out, stderr=out, stdin=subprocess.DEVNULL)

        def up() -> bool:
            assert self._process is not None
            assert self._process.poll() is None, f"{self.what} ended at once:\n{log.read_text()[-2000:]}"
            return port_answers(self.port)

        wait_until(up, f"{self.what} answers on port {self.port}", within_s=20)

    def kill(self) -> None:
        """End it as a power cut would."""
        self._end(signal.SIGKILL)

    def stop(self) -> None:
        """End it as a service manager would."""
        self._end(signal.SIGTERM)

    def restart(self) -> None:
        """Kill it and start it again."""
        self.kill()
        self.start()

    def freeze(self) -> None:
        """Stop it from answering while its connections stay open."""
        os.kill(self.pid, signal.SIGSTOP)

    def thaw(self) -> None:
        """Undo `freeze`."""
        os.kill(self.pid, signal.SIGCONT)

    def _end(self, how: signal.Signals) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        process.send_signal(how)
        process.send_signal(signal.SIGCONT)
        try:
            process.wait(10)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(10)

    def __enter__(self) -> Self:
        try:
            self.start()
        except BaseException:
            self.__exit__(None, None, None)
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._end(signal.SIGTERM)
        shutil.rmtree(self.folder, ignore_errors=True)


class Mosquitto(_Process):
    """A Mosquitto broker: open, or with one user, or with TLS. A restart loses everything it held."""

    what = "mosquitto"

    def __init__(self, *, user: tuple[str, str] | None = None, tls: bool = False) -> None:
        super().__init__()
        self._program = find_program("mosquitto", "mosquitto")
        lines = ["log_type all", f"listener {self.port} {HOST}", f"allow_anonymous {str(user is None).lower()}"]
        if os.getuid() == 0:
            lines.insert(0, "user root")  # else it gives up its rights and cannot read this folder
        if user is not None:
            words = self.folder / "words"
            subprocess.run(
                [find_program("mosquitto_passwd", "mosquitto"), "-b", "-c", str(words), *user],
                check=True,
                capture_output=True,
            )
            lines.append(f"password_file {words}")
        self.ca_file: Path | None = None
        if tls:
            self.ca_file, key = self._certificate()
            lines += [f"certfile {self.ca_file}", f"keyfile {key}"]
        (self.folder / "conf").write_text("\n".join(lines) + "\n")

    def command(self) -> list[str]:
        return [self._program, "-c", str(self.folder / "conf")]

    def _certificate(self) -> tuple[Path, Path]:
        certificate, key = self.folder / "cert.pem", self.folder / "key.pem"
        line = "req -x509 -newkey rsa:2048 -nodes -days 2 -subj /CN=localhost"
        line += f" -addext subjectAltName=IP:{HOST},DNS:localhost -keyout {key} -out {certificate}"
        subprocess.run([find_program("openssl", "openssl"), *line.split()], check=True, capture_output=True)
        return certificate, key


class VictoriaMetrics(_Process):
    """A VictoriaMetrics database; takes InfluxDB v2 writes at `/api/v2/write`, keeps its data over a restart."""

    what = "victoria-metrics"

    def command(self) -> list[str]:
        return [
            find_program("victoria-metrics", "victoria-metrics"),
            f"-httpListenAddr={HOST}:{self.port}",
            f"-storageDataPath={self.folder / 'data'}",
            "-retentionPeriod=100y",
            "-loggerLevel=WARN",
        ]

    @property
    def url(self) -> str:
        return f"http://{HOST}:{self.port}"

    def export(self, selector: str) -> list[dict[str, Any]]:
        """Every series that matches, each as {"metric": {...}, "values": [...], "timestamps": [ms, ...]}."""
        self._get("/internal/force_flush")
        lines = self._get(f"/api/v1/export?match[]={quote(selector)}").splitlines()
        return [json.loads(line) for line in lines]

    def _get(self, path: str) -> str:
        with urlopen(self.url + path, timeout=10) as answer:  # noqa: S310 - always http, to our own child
            text: str = answer.read().decode()
            return text


@dataclass(frozen=True, slots=True)
class Heard:
    """One request as it came in."""

    method: str
    path: str
    headers: dict[str, str]
    body: bytes

    @property
    def json(self) -> Any:
        return json.loads(self.body)


@dataclass(frozen=True, slots=True)
class Answer:
    """What the receiver says: status, headers, body; `hang_s` keeps the caller waiting first."""

    status: int = 200
    headers: dict[str, str] = field(default_factory=dict)
    body: bytes = b"{}"
    hang_s: float = 0.0


class HttpReceiver:
    """A web server that keeps every request and answers as `respond` says (default: 200)."""

    def __init__(self, respond: Callable[[Heard], Answer] | None = None) -> None:
        self.heard: list[Heard] = []
        self.respond: Callable[[Heard], Answer] = respond if respond is not None else lambda _: Answer()
        self._closing = threading.Event()
        receiver = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"
            timeout = 30

            def _any(self) -> None:
                length = int(self.headers.get("Content-Length") or 0)
                heard = Heard(self.command, self.path, dict(self.headers.items()), self.rfile.read(length))
                receiver.heard.append(heard)
                answer = receiver.respond(heard)
                if answer.hang_s:
                    receiver._closing.wait(answer.hang_s)
                try:
                    self.send_response(answer.status)
                    for name, value in answer.headers.items():
                        self.send_header(name, value)
                    body = b"" if answer.status == 204 else answer.body
                    if answer.status != 204:
                        self.send_header("Content-Length", str(len(body)))
                    self.end_headers()
                    self.wfile.write(body)
                except OSError:
                    self.close_connection = True  # the caller lost patience; that is what such a test is about

            do_GET = do_POST = do_PUT = _any  # noqa: N815

            def log_message(self, format: str, *args: object) -> None:
                """Say nothing: the test reads `heard`."""

        class Server(ThreadingHTTPServer):
            daemon_threads = True
            block_on_close = False

            def handle_error(self, request: object, client_address: object) -> None:
                """A caller that was killed in the middle is what some tests are about; anything else is a fault."""
                if not isinstance(sys.exc_info()[1], OSError):
                    super().handle_error(request, client_address)  # type: ignore[arg-type]

        self._server = Server((HOST, 0), Handler)
        self.port: int = self._server.server_address[1]
        self.url = f"http://{HOST}:{self.port}"
        self._thread = threading.Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.02})

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._closing.set()
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(10)


class SmtpReceiver:
    """A mail server (aiosmtpd) that keeps every message and who it was for."""

    def __init__(self) -> None:
        self.mails: list[EmailMessage] = []
        self.rcpt: list[list[str]] = []
        self.port = free_port()

    async def handle_DATA(self, server: object, session: object, envelope: Any) -> str:  # noqa: N802
        """Named by aiosmtpd."""
        self.rcpt.append(list(envelope.rcpt_tos))
        mail = BytesParser(policy=email_policy).parsebytes(envelope.content)
        assert isinstance(mail, EmailMessage)
        self.mails.append(mail)
        return "250 taken"

    def __enter__(self) -> Self:
        from aiosmtpd.controller import Controller

        self._controller = Controller(self, hostname=HOST, port=self.port)
        self._controller.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._controller.stop()


@contextmanager
def retained_tree(port: int, root: str = "#", quiet_s: float = 0.3) -> Iterator[dict[str, str]]:
    """What a newcomer to the broker is told: every retained topic below `root` and its payload."""
    import paho.mqtt.client as mqtt
    from paho.mqtt.enums import CallbackAPIVersion

    tree: dict[str, str] = {}
    last = [time.monotonic()]

    def on_message(client: mqtt.Client, userdata: object, message: mqtt.MQTTMessage) -> None:
        last[0] = time.monotonic()
        if message.retain:
            tree[message.topic] = message.payload.decode()

    subscribed = threading.Event()
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.on_message = on_message
    client.on_subscribe = lambda *_: subscribed.set()
    client.connect(HOST, port)
    client.loop_start()
    client.subscribe(root, qos=1)
    try:
        assert subscribed.wait(10), "the broker did not confirm the subscription"
        last[0] = time.monotonic()
        wait_until(lambda: time.monotonic() - last[0] > quiet_s, "the retained messages came to an end")
        yield tree
    finally:
        client.disconnect()
        client.loop_stop()
