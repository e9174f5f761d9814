"""How long a receiver asks to be left alone: the header `Retry-After` of an answer that apprise keeps to itself.

apprise says yes or no; the header is seen only by the HTTP library below it. So that library's one way out is listened to,
for the duration and the context of a call. Nothing of the request or the answer is changed or kept.
"""

from __future__ import annotations

import functools
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from typing import Any

_ASKING = (429, 503)
_LISTENING: ContextVar[Wish | None] = ContextVar("wish", default=None)
_INSTALLING = threading.Lock()


@dataclass(slots=True)
class Wish:
    """What was asked for, in seconds; None while nobody asked."""

    seconds: float | None = None


@contextmanager
def hear_retry_after() -> Iterator[Wish]:
    """Within this block, note what receivers ask for. apprise's own threads carry the context along."""
    _install()
    wish = Wish()
    token = _LISTENING.set(wish)
    try:
        yield wish
    finally:
        _LISTENING.reset(token)


def _install() -> None:
    import requests

    with _INSTALLING:
        plain = requests.Session.send
        if getattr(plain, "heard_by_vatwatch", False):
            return

        @functools.wraps(plain)
        def send(self: Any, request: Any, **more: Any) -> Any:
            answer = plain(self, request, **more)
            wish = _LISTENING.get()
            if wish is not None and answer.status_code in _ASKING:
                wish.seconds = retry_after_s(answer.headers)
            return answer

        setattr(send, "heard_by_vatwatch", True)  # noqa: B010 - a function takes no declared attribute
        setattr(requests.Session, "send", send)  # noqa: B010 - assigned on purpose, see above


def retry_after_s(headers: Mapping[str, str] | None) -> float | None:
    """The peer's wish in seconds, given as seconds or as an HTTP date (RFC 9110, section 10.2.3)."""
    given = None if headers is None else headers.get("Retry-After")
    if given is None:
        return None
    try:
        return max(0.0, float(given))
    except ValueError:
        pass
    try:
        return max(0.0, (parsedate_to_datetime(given) - datetime.now(UTC)).total_seconds())
    except (TypeError, ValueError):
        return None
