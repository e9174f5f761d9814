"""The door of the page: who has given the passphrase, for how long, and how often somebody may try.

A session is a signed cookie, so that a restart of the daemon logs nobody out; a new passphrase logs everybody out.
Nothing here renders, and no passphrase is ever logged.
"""

from __future__ import annotations

import hmac
import logging
import secrets
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qsl, quote

from starlette.responses import JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from vatwatch.page.passphrase import PassphraseHash
from vatwatch.page.visitor import GUEST, OWNER, Visitor

log = logging.getLogger(__name__)

COOKIE = "vatwatch"
CSRF_HEADER = b"x-vatwatch-token"
SESSION_S = 14 * 86_400
TRIES_EACH, TRIES_ALL, TRIES_SPAN_S = 5, 20, 60.0
_ADDRESSES_MOST = 1000
_SAFE = ("GET", "HEAD", "OPTIONS")


@dataclass(slots=True)
class Tries:
    """How often the passphrase was tried, by address and by all together, in the last minute."""

    clock_s: Callable[[], float] = time.monotonic
    _each: dict[str, deque[float]] = field(default_factory=dict)
    _all: deque[float] = field(default_factory=deque)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def wait_s(self, address: str) -> float:
        """Counts a try and gives 0, or does not count it and gives how many seconds to wait."""
        now = self.clock_s()
        with self._lock:
            if len(self._each) > _ADDRESSES_MOST:
                self._each.clear()  # a flood of addresses meets the limit for all
            waits = [
                _wait(self._each.setdefault(address, deque()), TRIES_EACH, now),
                _wait(self._all, TRIES_ALL, now),
            ]
            if max(waits) > 0:
                return max(waits)
            self._each[address].append(now)
            self._all.append(now)
            return 0.0

    def forgive(self, address: str) -> None:
        """Forget the tries of an address that gave the right passphrase."""
        with self._lock:
            self._each.pop(address, None)


def _wait(times: deque[float], most: int, now: float) -> float:
    while times and now - times[0] > TRIES_SPAN_S:
        times.popleft()
    return times[0] + TRIES_SPAN_S - now if len(times) >= most else 0.0


class Door:
    """Checks the passphrase, makes and reads sessions. Without a passphrase everybody who reaches the page owns it."""

    def __init__(self, hashed: PassphraseHash | None, guests: bool = False, secure: bool = False) -> None:
        self.locked = hashed is not None
        self.guests = guests
        self.secure = secure
        self.tries = Tries()
        self._hashed = hashed
        self._key = hashed.key if hashed is not None else secrets.token_bytes(32)
        self._ended: set[str] = set()
        # One try at a time: a flood of tries must not take all the memory of a small board.
        self._one_try = threading.Lock()

    def try_in(self, passphrase: str) -> str | None:
        """A new session's cookie value, or None for a wrong passphrase. Blocks for a few tenths of a second."""
        with self._one_try:
            if self._hashed is None or not self._hashed.matches(passphrase):
                return None
        session = f"{int(time.time())}.{secrets.token_urlsafe(16)}"
        return f"{session}.{self._sign('session', session)}"

    def visitor(self, cookie: str) -> Visitor | None:
        """Who holds this cookie; None when nobody is let in with it."""
        if not self.locked:
            return OWNER
        issued, _, rest = cookie.partition(".")
        nonce, _, signature = rest.partition(".")
        session = f"{issued}.{nonce}"
        good = hmac.compare_digest(signature.encode(), self._sign("session", session).encode())
        if good and nonce not in self._ended and 0 <= time.time() - int(issued) <= SESSION_S:
            return Visitor(may_write=True, csrf=self._sign("form", session), logged_in=True)
        return GUEST if self.guests else None

    def end(self, cookie: str) -> None:
        """Log out: the session of this cookie is over, while the daemon runs and in the browser that deletes it."""
        if (visitor := self.visitor(cookie)) is not None and visitor.logged_in:
            self._ended.add(cookie.split(".")[1])

    def set_cookie(self, response: Response, value: str) -> None:
        """Hand a session to the browser. Lax, so that the link in a push opens the page logged in."""
        response.set_cookie(
            COOKIE, value, max_age=SESSION_S, httponly=True, samesite="lax", secure=self.secure, path="/"
        )

    def _sign(self, purpose: str, text: str) -> str:
        return hmac.new(self._key, f"{purpose}:{text}".encode(), "sha256").hexdigest()


def cookie_of(scope: Scope) -> str:
    """The session cookie of a request; empty when there is none."""
    for name, value in scope["headers"]:
        if name == b"cookie":
            try:
                morsel = SimpleCookie(value.decode("latin-1")).get(COOKIE)
            except CookieError:
                return ""
            return morsel.value if morsel is not None else ""
    return ""


class Doorkeeper:
    """ASGI middleware behind the guard: lets in whoever may come in, and tells the routes who it is."""

    def __init__(self, app: ASGIApp, door: Door) -> None:
        self._app = app
        self._door = door

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        refusal = self._refusal(scope)
        await (refusal or self._app)(scope, receive, send)

    def _refusal(self, scope: Scope) -> Response | None:
        path, method = scope["path"], scope["method"]
        visitor = self._door.visitor(cookie_of(scope))
        scope["vatwatch.visitor"] = visitor or GUEST
        if path == "/login" or path.startswith("/static/"):
            return None
        may = visitor is not None and (visitor.may_write or method in _SAFE)
        if may and visitor is not None and visitor.csrf and method not in _SAFE and not _is_form(scope):
            given = next((value for name, value in scope["headers"] if name == CSRF_HEADER), b"")
            if not hmac.compare_digest(given, visitor.csrf.encode()):
                return JSONResponse({"detail": "The request does not carry this session's token."}, 403)
        if may:
            return None
        if path.startswith("/api/") or path == "/live":
            return JSONResponse({"detail": "Log in first: the page asks for its passphrase."}, 401)
        if method in _SAFE:
            query = scope.get("query_string", b"").decode("latin-1")
            wanted = quote(path) + (f"?{query}" if query else "")
            return RedirectResponse(f"/login?next={quote(wanted, safe='')}", 303)
        return PlainTextResponse("Nothing was logged: log in first, at /login.", 401)


def _is_form(scope: Scope) -> bool:
    """Forms carry the token as a field, which the routes check; everything else must carry it as a header."""
    kind = next((value for name, value in scope["headers"] if name == b"content-type"), b"")
    return bool(kind.split(b";")[0].strip().lower() == b"application/x-www-form-urlencoded")


def local_path(wanted: str) -> str:
    """Where to go after logging in: a path of this page, or its first screen."""
    path, _, query = wanted.partition("?")
    if not path.startswith("/") or path.startswith(("//", "/\\")) or any(ord(char) < 33 for char in wanted):
        return "/"
    kept = "&".join(f"{quote(name, safe='')}={quote(value, safe='')}" for name, value in parse_qsl(query))
    return quote(path, safe="/%") + (f"?{kept}" if kept else "")
