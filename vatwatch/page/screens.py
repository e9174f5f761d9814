"""The screens of vats and pieces and their forms: routes that answer in HTML and work without a script.

A form is answered by a redirect (303), so that a reload repeats a look and never a feed.
"""

from __future__ import annotations

import hmac
import re
from typing import Annotated
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Depends, HTTPException, Request
from fastapi.responses import RedirectResponse, Response

from vatwatch.page.desk import Desk, NotTaken, Warned
from vatwatch.page.forms import ID_PATTERN, Refused, action_from_form, entry_from_form
from vatwatch.page.live import Live, Looking
from vatwatch.page.rendering import Screens
from vatwatch.page.standing import OF_SHED
from vatwatch.page.visitor import Visiting, Visitor
from vatwatch.terms import EntryKind

_FIELDS_MOST = 30
WARNED = "warned"
"""The field a form that was warned of comes back with: what the warning said no to, and the dyer may do anyway."""


async def form_fields(request: Request, visitor: Visiting) -> dict[str, str]:
    """The text fields of a form; the first of each name. Refuses a form that is not of this session."""
    form = await request.form(max_files=0, max_fields=_FIELDS_MOST)
    fields: dict[str, str] = {}
    for name, value in form.multi_items():
        if isinstance(value, str):
            fields.setdefault(name, value)
    if not hmac.compare_digest(fields.pop("csrf", "").encode(), visitor.csrf.encode()) and visitor.csrf:
        raise HTTPException(403, "This form does not belong to this session. Open the screen again and repeat it.")
    return fields


Fields = Annotated[dict[str, str], Depends(form_fields)]


def screen_routes(desk: Desk, screens: Screens, live: Live) -> APIRouter:
    """The routes of vats and pieces. They run in worker threads, since the store and `submit` block."""
    router = APIRouter(include_in_schema=False)

    @router.get("/")
    def vats(visitor: Visiting) -> Response:
        return screens.vats(visitor)

    @router.get("/vat/{vat}")
    def one_vat(vat: str, visitor: Visiting, logged: str = "", earlier: bool = False) -> Response:
        return screens.vat(vat, visitor, logged=logged, earlier=earlier)

    @router.get("/pieces")
    def pieces(visitor: Visiting) -> Response:
        return screens.pieces(visitor)

    @router.get("/piece")
    def one_piece(name: str, visitor: Visiting, logged: str = "") -> Response:
        return screens.piece(name, visitor, logged=logged)

    @router.get("/live")
    async def look(visitor: Visiting, vat: str = "") -> Response:
        stream = live.stream(Looking(vat[:64], visitor.may_write))
        if stream is None:
            raise HTTPException(503, "Too many screens are open. This one still renews itself, more slowly.")
        return stream

    @router.post("/vat/{vat}/journal")
    def log(vat: str, fields: Fields, visitor: Visiting) -> Response:
        if not _known(desk, vat):
            return screens.no_such_vat(vat, visitor)
        entry = entry_from_form(fields, vat, desk.clock_ms(), desk.zone)
        if isinstance(entry, Refused):
            if not re.fullmatch(ID_PATTERN, fields.get("entry_id", "")):
                fields.pop("entry_id", None)
            return _again(screens, vat, visitor, fields, 422, entry.complaints)
        try:
            # A phone that kept the form while it had no connection could not be warned.
            kept_s = fields.get("waited_s", "0")
            logged = desk.log(entry, anyway=fields.get("anyway") == "yes" or kept_s not in ("", "0"))
        except Warned as warning:
            return _again(screens, vat, visitor, {**fields, WARNED: "yes"}, 409, (str(warning),))
        except NotTaken as error:
            if error.status == 409:
                fields.pop("entry_id", None)
            return _again(screens, vat, visitor, fields, error.status, (str(error),))
        if fields.get("back") == "piece":
            what = logged.what
            if logged.kind is EntryKind.UNDO:
                undone = desk.notebook.entry(logged.what)
                what = undone.what if undone is not None else ""
            if desk.notebook.piece(what) is not None:
                return RedirectResponse(f"/piece?{urlencode({'name': what, 'logged': logged.entry_id})}", 303)
        return RedirectResponse(f"/vat/{quote(vat, safe='')}?logged={entry.entry_id}", 303)

    @router.post("/shed/alarm")
    def answer_shed(fields: Fields, visitor: Visiting) -> Response:
        action = action_from_form(fields, OF_SHED, desk.clock_ms())
        if isinstance(action, Refused):
            return screens.vats(visitor, 422, action.complaints)
        try:
            desk.hand_in(action)
        except NotTaken as error:
            return screens.vats(visitor, error.status, (str(error),))
        return RedirectResponse("/", 303)

    @router.post("/vat/{vat}/alarm")
    def answer(vat: str, fields: Fields, visitor: Visiting) -> Response:
        if not _known(desk, vat):
            return screens.no_such_vat(vat, visitor)
        action = action_from_form(fields, vat, desk.clock_ms())
        if isinstance(action, Refused):
            return screens.vat(vat, visitor, 422, complaints=action.complaints)
        try:
            desk.hand_in(action)
        except NotTaken as error:
            return screens.vat(vat, visitor, error.status, complaints=(str(error),))
        return RedirectResponse(f"/vat/{quote(vat, safe='')}", 303)

    return router


def _known(desk: Desk, vat: str) -> bool:
    with desk.open_reader() as reader:
        return any(card.vat == vat for card in reader.cards())


def _again(
    screens: Screens, vat: str, visitor: Visitor, fields: dict[str, str], status: int, complaints: tuple[str, ...]
) -> Response:
    """The screen the form came from, with what is wrong and everything that was written."""
    if fields.get("back") == "piece" and fields.get("what"):
        answer = screens.piece(fields["what"], visitor, status, complaints=complaints, kept=fields)
        if answer.status_code == status:
            return answer
    return screens.vat(vat, visitor, status, complaints=complaints, kept=fields)
