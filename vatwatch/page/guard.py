"""The gate before every request: host, origin, body size, and the headers every answer carries.

A web page on another site can make a browser send requests to loopback, and a hostile name can be pointed at it; so
the Host must be ours always, and a request that changes something must come from a page of ours. Who
sends it is asked at the door.
"""

from __future__ import annotations

import asyncio
import ipaddress
from collections.abc import Iterable
from urllib.parse import urlsplit

from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

BODY_MOST = 16 * 1024
BODY_WITHIN_S = 20.0
"""A body that takes longer than this to arrive is given up: a slow sender must not hold a place for ever."""
ADDRESS_MOST = 2048
"""Longest path and query together."""
_LOOPBACK = ("localhost", "127.0.0.1", "[::1]")
_SAFE = ("GET", "HEAD", "OPTIONS")
_FORM = "application/x-www-form-urlencoded"
_JSON = "application/json"

_HEADERS = (
    (b"x-content-type-options", b"nosniff"),
    # same-origin, not no-referrer: the latter makes browsers send "Origin: null" with our own forms.
    (b"referrer-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"permissions-policy", b"camera=(), geolocation=(), microphone=()"),
)
_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'{styles}; img-src 'self' data:; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)


class _TooLarge(Exception):
    pass


class _TooSlow(Exception):
    pass


def allowed_origins(origin: str) -> frozenset[str]:
    """The origin itself and, where it is loopback, loopback's other names on the same port."""
    parts = urlsplit(origin.lower())
    if parts.scheme not in ("http", "https") or not parts.hostname:
        raise ValueError(f"origin: expected like http://127.0.0.1:8080, got {origin!r}")
    host = f"[{parts.hostname}]" if ":" in parts.hostname else parts.hostname
    default = 443 if parts.scheme == "https" else 80
    port = "" if parts.port in (None, default) else f":{parts.port}"
    names = _LOOPBACK if host in _LOOPBACK else (host,)
    return frozenset(f"{parts.scheme}://{name}{port}" for name in names)


class Reached:
    """How the page may be reached: by these origins and, where one of them is 0.0.0.0 or ::, by any number address.

    A hostile name can be pointed at this computer; a number address cannot be anybody else's.
    Raises ValueError for something that is no origin.
    """

    def __init__(self, origins: Iterable[str]) -> None:
        self.origins: frozenset[str] = frozenset()
        self._any: set[tuple[str, int | None]] = set()
        for origin in origins:
            self.origins |= allowed_origins(origin)
            parts = urlsplit(origin.lower())
            if parts.hostname in ("0.0.0.0", "::"):  # noqa: S104 - recognised here, bound elsewhere
                self.origins |= allowed_origins(f"{parts.scheme}://127.0.0.1:{parts.port or 80}")
                self._any.add((parts.scheme, parts.port))

    def origin_of_host(self, host: str) -> str | None:
        """The origin a Host header stands for; None when it is not ours."""
        for origin in self.origins:
            if origin.split("://", 1)[1] == host:
                return origin
        for scheme, port in self._any:
            try:
                parts = urlsplit(f"{scheme}://{host}")
                if parts.port == port and parts.hostname and ipaddress.ip_address(parts.hostname):
                    return f"{scheme}://{host}"
            except ValueError:
                continue
        return None

    def allows(self, origin: str, host: str) -> bool:
        """Whether a page of this origin may change something through this host."""
        return origin in self.origins or origin == self.origin_of_host(host)


class Guard:
    """ASGI middleware. Refuses in plain words; never reads more than BODY_MOST bytes of a body, nor waits for ever."""

    def __init__(self, app: ASGIApp, reached: Reached) -> None:
        self._app = app
        self._reached = reached

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            # Nothing here speaks WebSocket; a lifespan message has no headers to guard.
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return
        headers: dict[str, str] = {}
        for name, value in scope["headers"]:
            headers.setdefault(name.decode("latin-1").lower(), value.decode("latin-1"))
        started = whole = slow = False
        taken = 0
        loop = asyncio.get_running_loop()
        give_up_at = loop.time() + BODY_WITHIN_S

        async def send_with_headers(message: Message) -> None:
            nonlocal started
            if (taken > BODY_MOST or slow) and not started:
                # Frameworks turn a broken-off body into an answer of their own; ours is the truer one.
                return
            if message["type"] == "http.response.start":
                started = True
                message = {**message, "headers": _with_headers(list(message.get("headers", ())), scope["path"])}
            await send(message)

        refusal = self._refusal(scope, headers)
        if refusal is not None:
            status, sentence = refusal
            await _answer(scope, status, sentence)(scope, receive, send_with_headers)
            return

        async def receive_some() -> Message:
            nonlocal taken, whole, slow
            if whole or scope["method"] in _SAFE:
                message = await receive()
            else:
                try:
                    message = await asyncio.wait_for(receive(), max(0.001, give_up_at - loop.time()))
                except TimeoutError:
                    slow = True
                    raise _TooSlow from None
                whole = not message.get("more_body", False)
            taken += len(message.get("body", b""))
            if taken > BODY_MOST:
                raise _TooLarge
            return message

        try:
            await self._app(scope, receive_some, send_with_headers)
        except (_TooLarge, _TooSlow):
            if started:
                raise
        if slow and not started:
            slow = False
            late = _answer(scope, 408, "The rest did not arrive in time.", {"connection": "close"})
            await late(scope, receive, send_with_headers)
        elif taken > BODY_MOST and not started:
            taken = 0
            refused = _answer(scope, 413, _too_large(), {"connection": "close"})
            await refused(scope, receive, send_with_headers)

    def _refusal(self, scope: Scope, headers: dict[str, str]) -> tuple[int, str] | None:
        host = headers.get("host", "").lower()
        if self._reached.origin_of_host(host) is None:
            return 421, f"This is vatwatch at {' or '.join(sorted(self._reached.origins))}, not at {host[:80]!r}."
        if len(scope.get("raw_path") or b"") + len(scope.get("query_string", b"")) > ADDRESS_MOST:
            return 414, f"The address is too long: at most {ADDRESS_MOST} bytes are read."
        if scope["method"] in _SAFE:
            return None
        length = headers.get("content-length", "0")
        if not length.isascii() or not length.isdigit() or int(length) > BODY_MOST:
            return 413, _too_large()
        kind = headers.get("content-type", "").split(";")[0].strip().lower()
        if kind not in (_FORM, _JSON):
            return 415, f"Expected {_FORM} or {_JSON}."
        source = headers.get("origin")
        if source is None and "referer" in headers:
            source = "{0.scheme}://{0.netloc}".format(urlsplit(headers["referer"]))
        # A browser cannot send JSON across sites without first asking, and then it names its origin; a form it can.
        if source is None and kind == _JSON and headers.get("sec-fetch-site", "none") in ("none", "same-origin"):
            return None
        if source is None or not self._reached.allows(source.lower(), host):
            return 403, "This came from a page that is not vatwatch's own. Open vatwatch and do it there."
        return None


def _answer(scope: Scope, status: int, sentence: str, headers: dict[str, str] | None = None) -> Response:
    if scope["path"].startswith("/api/"):
        return JSONResponse({"detail": sentence}, status, headers)
    return PlainTextResponse(sentence, status, headers)


def _too_large() -> str:
    return f"Too much in one go: at most {BODY_MOST} bytes are taken."


def _with_headers(headers: list[tuple[bytes, bytes]], path: str) -> list[tuple[bytes, bytes]]:
    # The chart library writes its own style rules; only the chart screen may.
    styles = " 'unsafe-inline'" if path.endswith("/chart") or path == "/season" else ""
    present = {name.lower() for name, _ in headers}
    headers += _HEADERS
    headers.append((b"content-security-policy", _POLICY.format(styles=styles).encode()))
    if b"cache-control" not in present:
        headers.append((b"cache-control", b"no-store"))
    return headers
