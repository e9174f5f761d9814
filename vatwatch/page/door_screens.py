"""Logging in and out, and the list of messages: the screens around the door."""

from __future__ import annotations

import logging
import math
from typing import Annotated

from fastapi import APIRouter, Depends, Request
from fastapi.responses import RedirectResponse, Response

from vatwatch.page import wording
from vatwatch.page.desk import Desk
from vatwatch.page.door import COOKIE, Door, cookie_of, local_path
from vatwatch.page.rendering import Screens
from vatwatch.page.screens import Fields
from vatwatch.page.standing import not_delivered_to
from vatwatch.page.visitor import Visiting
from vatwatch.records import Push
from vatwatch.terms import Stream

log = logging.getLogger(__name__)

MESSAGES_SHOWN = 30


async def login_fields(request: Request) -> dict[str, str]:
    """The two fields of the log-in form; it belongs to no session yet."""
    form = await request.form(max_files=0, max_fields=5)
    return {name: value for name in ("passphrase", "next") if isinstance(value := form.get(name, ""), str)}


LoginFields = Annotated[dict[str, str], Depends(login_fields)]


def door_routes(desk: Desk, screens: Screens, door: Door) -> APIRouter:
    """Routes of the door. Checking a passphrase blocks, so it runs in a worker thread."""
    router = APIRouter(include_in_schema=False)

    @router.get("/login")
    def login(visitor: Visiting, next: str = "/") -> Response:
        if not door.locked or visitor.logged_in:
            return RedirectResponse("/", 303)
        return screens.render("login.html", visitor, complaint="", wanted=local_path(next))

    @router.post("/login")
    def try_in(fields: LoginFields, visitor: Visiting, request: Request) -> Response:
        if not door.locked:
            return RedirectResponse("/", 303)
        wanted = local_path(fields.get("next", "/"))
        address = request.client.host if request.client is not None else "?"
        wait_s = door.tries.wait_s(address)
        if wait_s > 0:
            log.warning("log-in from %s refused: too many tries in a minute", address)
            complaint = f"Too many tries. Wait {math.ceil(wait_s)} seconds, then try again."
            answer = screens.render("login.html", visitor, 429, complaint=complaint, wanted=wanted)
            answer.headers["retry-after"] = str(math.ceil(wait_s))
            return answer
        session = door.try_in(fields.get("passphrase", ""))
        if session is None:
            log.warning("log-in from %s refused: not the passphrase", address)
            complaint = "That is not the passphrase. Capitals and spaces count."
            return screens.render("login.html", visitor, 403, complaint=complaint, wanted=wanted)
        door.tries.forgive(address)
        log.info("log-in from %s", address)
        inside = RedirectResponse(wanted, 303)
        door.set_cookie(inside, session)
        return inside

    @router.post("/logout")
    def logout(fields: Fields, request: Request) -> Response:  # noqa: ARG001 - read so that its token is checked
        door.end(cookie_of(request.scope))
        answer = RedirectResponse("/login", 303)
        answer.delete_cookie(COOKIE, path="/")
        return answer

    @router.get("/messages")
    def messages(visitor: Visiting) -> Response:
        now_ms = desk.clock_ms()
        with desk.open_reader() as reader:
            newest = reader.newest(Stream.PUSHES)
            rows = reader.rows_after(Stream.PUSHES, max(0, newest - MESSAGES_SHOWN), MESSAGES_SHOWN)
            phones = [d for d in reader.deliveries() if d.stream == Stream.PUSHES.value]
            troubles = desk.troubles(reader)
        shown = [
            {
                "when": wording.clock_words(row.record.slot_ms, now_ms, desk.zone),
                "title": row.record.title,
                "body": row.record.body,
                "waiting": not_delivered_to(row.number, row.record.urgency, phones),
            }
            for row in reversed(rows)
            if isinstance(row.record, Push)
        ]
        return screens.render("messages.html", visitor, shown=shown, phones=phones, troubles=troubles)

    return router
