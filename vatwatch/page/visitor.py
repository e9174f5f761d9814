"""Who is looking at the page, as far as a screen has to know. Set by the door, read by the routes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from fastapi import Depends, Request


@dataclass(frozen=True, slots=True)
class Visitor:
    """`may_write` is false for a guest. `csrf` goes into every form; empty where no passphrase is asked for."""

    may_write: bool
    csrf: str = ""
    logged_in: bool = False


OWNER = Visitor(may_write=True)
"""Whoever sits at this computer while the page is on loopback and no passphrase is set."""
GUEST = Visitor(may_write=False)


def visitor_of(request: Request) -> Visitor:
    """The visitor the door let in."""
    visitor = request.scope.get("vatwatch.visitor", GUEST)
    return visitor if isinstance(visitor, Visitor) else GUEST


Visiting = Annotated[Visitor, Depends(visitor_of)]
