"""The live part of the page: one watcher draws each screen once per commit and hands it to every phone that looks.

Server-sent events (HTML Living Standard, section 9.2). A slow phone misses drawings and never holds up the watcher.
Reads and renders nothing itself: `draw` does, in a worker thread.
"""

from __future__ import annotations

import asyncio
import json
import logging
import threading
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field

from starlette.responses import Response
from starlette.types import Receive, Scope, Send

from vatwatch.errors import VatwatchError

log = logging.getLogger(__name__)

GATHER_S = 0.15
"""Commits that follow each other this closely are drawn once."""
BEAT_S = 5.0
"""Without a commit the screens are drawn again after this long: silence has to become visible too."""
SEND_WITHIN_S = 15.0
PHONES_MOST = 120

Parts = Mapping[str, str]
"""The parts of one screen that change, by the id of their element."""


@dataclass(frozen=True, slots=True)
class Looking:
    """What a phone looks at. An empty `vat` is the screen of all vats."""

    vat: str
    may_write: bool


@dataclass(eq=False, slots=True)
class _Phone:
    looking: Looking
    woken: asyncio.Event = field(default_factory=asyncio.Event)
    parts: Parts = field(default_factory=dict)


class Live:
    """The watcher and whoever looks. `ring` may come from any thread; everything else lives in the server's loop."""

    def __init__(self, draw: Callable[[set[Looking]], Mapping[Looking, Parts]]) -> None:
        self._draw = draw
        self._phones: set[_Phone] = set()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._rung: asyncio.Event | None = None
        self._watcher: asyncio.Task[None] | None = None
        self._closed = False
        self._lock = threading.Lock()

    @property
    def phones(self) -> int:
        """How many look now."""
        return len(self._phones)

    def ring(self) -> None:
        """Something was committed. From any thread; costs next to nothing while nobody looks."""
        with self._lock:
            if self._loop is not None and self._rung is not None and self._phones and not self._closed:
                with suppress(RuntimeError):  # the server's loop has just ended
                    self._loop.call_soon_threadsafe(self._rung.set)

    def close(self) -> None:
        """End every stream, so that the server can stop at once. From any thread."""
        with self._lock:
            self._closed = True
            if self._loop is not None:
                with suppress(RuntimeError):
                    self._loop.call_soon_threadsafe(self._end)

    def stream(self, looking: Looking) -> LiveStream | None:
        """An answer that goes on; None when too many look already."""
        return None if self._closed or len(self._phones) >= PHONES_MOST else LiveStream(self, looking)

    def _end(self) -> None:
        if self._watcher is not None:
            self._watcher.cancel()
        for phone in self._phones:
            phone.woken.set()

    def join(self, phone: _Phone) -> None:
        """A phone begins to look."""
        with self._lock:
            self._phones.add(phone)
            self._loop = asyncio.get_running_loop()
            if self._rung is None:
                self._rung = asyncio.Event()
        if self._watcher is None or self._watcher.done():
            self._watcher = self._loop.create_task(self._watch(self._rung))
        self._rung.set()

    def leave(self, phone: _Phone) -> None:
        """A phone looks away."""
        with self._lock:
            self._phones.discard(phone)

    @property
    def closed(self) -> bool:
        return self._closed

    async def _watch(self, rung: asyncio.Event) -> None:
        while self._phones and not self._closed:
            try:
                await asyncio.wait_for(rung.wait(), BEAT_S)
                await asyncio.sleep(GATHER_S)
            except TimeoutError:
                pass
            rung.clear()
            screens = {phone.looking for phone in self._phones}
            try:
                drawn = await asyncio.to_thread(self._draw, screens)
            except VatwatchError as error:
                log.warning("the live screens could not be drawn: %s", error)
                continue
            except Exception:  # a screen that cannot be drawn must not end the others for good
                log.exception("the live screens could not be drawn")
                continue
            for phone in self._phones:
                if phone.looking in drawn:
                    phone.parts = drawn[phone.looking]
                    phone.woken.set()


class LiveStream(Response):
    """One phone's stream, for as long as it looks."""

    def __init__(self, live: Live, looking: Looking) -> None:
        super().__init__(media_type="text/event-stream", headers={"cache-control": "no-store"})
        self._live = live
        self._phone = _Phone(looking)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:  # noqa: ARG002 - ASGI's shape
        await send(
            {
                "type": "http.response.start",
                "status": 200,
                # No length: nobody knows how long the phone will look.
                "headers": [(name, value) for name, value in self.raw_headers if name != b"content-length"],
            }
        )
        gone = asyncio.ensure_future(_gone(receive))
        self._live.join(self._phone)
        try:
            await self._send_on(send, gone)
        except (TimeoutError, OSError):
            pass  # a phone that takes nothing any more; it comes back by itself
        finally:
            self._live.leave(self._phone)
            gone.cancel()

    async def _send_on(self, send: Send, gone: asyncio.Future[None]) -> None:
        sent: dict[str, str] = {}
        await send({"type": "http.response.body", "body": b"retry: 3000\n\n", "more_body": True})
        while not self._live.closed:
            woken = asyncio.ensure_future(self._phone.woken.wait())
            await asyncio.wait((woken, gone), return_when=asyncio.FIRST_COMPLETED)
            woken.cancel()
            if gone.done() or self._live.closed:
                break
            self._phone.woken.clear()
            news = {name: html for name, html in self._phone.parts.items() if sent.get(name) != html}
            sent.update(news)
            body = f"data: {json.dumps(news, ensure_ascii=False)}\n\n".encode()
            await asyncio.wait_for(send({"type": "http.response.body", "body": body, "more_body": True}), SEND_WITHIN_S)
        if not gone.done():
            await send({"type": "http.response.body", "body": b"", "more_body": False})


async def _gone(receive: Receive) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass
