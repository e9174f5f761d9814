"""The screens and their forms: routes that answer in HTML and work without a script.

A form is answered by a redirect (303), so that a reload repeats a look and never a feed.
"""

from __future__ import annotations

import re
from typing import Annotated, Any
from urllib.parse import quote
from uuid import uuid4

from fastapi import APIRouter, Depends, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from jinja2 import Environment, PackageLoader, StrictUndefined

from vatwatch.page import wording
from vatwatch.page.desk import DAY_MS, CurveName, Desk, NotTaken
from vatwatch.page.drawing import BAR_WIDTH, CURVE_HEIGHT, CURVE_WIDTH, CurvePicture, curve_picture
from vatwatch.page.forms import ID_PATTERN, MINUTES_AGO_CHOICES, Refused, action_from_form, entry_from_form
from vatwatch.records import VatCard
from vatwatch.store.reading import StoreReader

CURVE_BUCKETS = 288
FORM_KINDS = ("feed", "stir", "check", "dip", "top-up", "cover", "note")
_FIELDS_MOST = 20


def templates() -> Environment:
    """The packaged templates: everything escaped, and an undefined name is an error, not an empty place."""
    environment = Environment(
        loader=PackageLoader("vatwatch.page"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["bound"] = wording.bound
    environment.globals.update(
        new_id=lambda: uuid4().hex,
        check_looks=wording.CHECK_LOOKS,
        minutes_ago_choices=MINUTES_AGO_CHOICES,
        span_words=wording.span_words,
        bar_width=BAR_WIDTH,
        curve_width=CURVE_WIDTH,
        curve_height=CURVE_HEIGHT,
    )
    return environment


async def form_fields(request: Request) -> dict[str, str]:
    """The text fields of a form; the first of each name."""
    form = await request.form(max_files=0, max_fields=_FIELDS_MOST)
    fields: dict[str, str] = {}
    for name, value in form.multi_items():
        if isinstance(value, str):
            fields.setdefault(name, value)
    return fields


Fields = Annotated[dict[str, str], Depends(form_fields)]


class Screens:
    """Renders the screens from what the desk reads."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self._templates = templates()

    def render(self, name: str, status: int = 200, **values: Any) -> HTMLResponse:
        return HTMLResponse(self._templates.get_template(name).render(**values), status)

    def plain(self, heading: str, sentence: str, status: int) -> HTMLResponse:
        """A screen that only says something."""
        return self.render("plain.html", status, heading=heading, sentence=sentence)

    def no_such_vat(self, vat: str) -> HTMLResponse:
        return self.plain("No such vat", f"There is no vat called “{vat[:60]}” here.", 404)

    def vat(
        self,
        vat: str,
        status: int = 200,
        logged: str = "",
        complaints: tuple[str, ...] = (),
        kept: dict[str, str] | None = None,
    ) -> HTMLResponse:
        """The vat screen; `kept` are the fields of a form that was not taken, shown again as they were."""
        with self.desk.open_reader() as reader:
            view = self.desk.view(reader, vat)
            if view is None:
                return self.no_such_vat(vat)
            journal = self.desk.journal(reader, vat)
            troubles = self.desk.troubles(reader)
        confirmed = next((words for _, entry, words in journal if logged and entry.entry_id == logged), "")
        return self.render(
            "vat.html",
            status,
            view=view,
            journal=journal,
            troubles=troubles,
            confirmed=confirmed,
            complaints=complaints,
            kept={"entry_id": "", **(kept or {})},
            # A kind that has no form on this screen has no place of its own for complaints: they go on top.
            kept_kind=kept["kind"] if kept and kept.get("kind") in FORM_KINDS else "",
        )


def screen_routes(desk: Desk) -> tuple[APIRouter, Screens]:
    """All HTML routes. They run in worker threads, since the store and `submit` block."""
    screens = Screens(desk)
    router = APIRouter(include_in_schema=False)

    @router.get("/")
    def vats() -> Response:
        with desk.open_reader() as reader:
            return screens.render("vats.html", views=desk.views(reader), troubles=desk.troubles(reader))

    @router.get("/vat/{vat}")
    def one_vat(vat: str, logged: str = "") -> Response:
        return screens.vat(vat, logged=logged)

    @router.post("/vat/{vat}/journal")
    def log(vat: str, fields: Fields) -> Response:
        with desk.open_reader() as reader:
            if all(card.vat != vat for card in reader.cards()):
                return screens.no_such_vat(vat)
        entry = entry_from_form(fields, vat, desk.clock_ms())
        if isinstance(entry, Refused):
            if not re.fullmatch(ID_PATTERN, fields.get("entry_id", "")):
                fields.pop("entry_id", None)
            return screens.vat(vat, 422, complaints=entry.complaints, kept=fields)
        try:
            desk.log(entry)
        except NotTaken as error:
            if error.status == 409:
                fields.pop("entry_id", None)
            return screens.vat(vat, error.status, complaints=(str(error),), kept=fields)
        return RedirectResponse(f"/vat/{quote(vat, safe='')}?logged={entry.entry_id}", 303)

    @router.post("/vat/{vat}/alarm")
    def answer(vat: str, fields: Fields) -> Response:
        with desk.open_reader() as reader:
            if all(card.vat != vat for card in reader.cards()):
                return screens.no_such_vat(vat)
        action = action_from_form(fields, vat, desk.clock_ms())
        if isinstance(action, Refused):
            return screens.vat(vat, 422, complaints=action.complaints)
        try:
            desk.hand_in(action)
        except NotTaken as error:
            return screens.vat(vat, error.status, complaints=(str(error),))
        return RedirectResponse(f"/vat/{quote(vat, safe='')}", 303)

    @router.get("/vat/{vat}/chart")
    def chart(vat: str) -> Response:
        to_ms = desk.clock_ms()
        with desk.open_reader() as reader:
            card = next((card for card in reader.cards() if card.vat == vat), None)
            if card is None:
                return screens.no_such_vat(vat)
            pictures = _pictures(reader, card, to_ms - DAY_MS, to_ms)
            journal = [
                {"time_ms": entry.time_ms, "time": time, "words": words}
                for time, entry, words in desk.journal(reader, vat)
            ]
        return screens.render(
            "chart.html",
            card=card,
            pictures=pictures,
            from_words=wording.clock_words(to_ms - DAY_MS, to_ms, desk.zone),
            to_words=wording.clock_words(to_ms, to_ms, desk.zone),
            chart={
                "vat": vat,
                "from_ms": to_ms - DAY_MS,
                "to_ms": to_ms,
                "timezone": desk.zone.key,
                "journal": journal,
                "curves": [
                    {"quantity": quantity, "label": label, "limits": list(limits), "scale": scale}
                    for quantity, label, limits, scale in _curves(card)
                ],
            },
        )

    return router, screens


def _curves(card: VatCard) -> tuple[tuple[CurveName, str, tuple[float, ...], float], ...]:
    """Quantity, label, limits in shown units, and the factor from stored to shown units."""
    return (
        ("reduction_share", "Reduced, %", (card.reduction_low * 100,), 100.0),
        ("ph_25c", "pH, as it would be at 25 °C", (card.ph_low, card.ph_high), 1.0),
        ("temperature_c", "Temperature, °C", (card.temperature_low_c, card.temperature_high_c, card.ceiling_c), 1.0),
    )


def _pictures(
    reader: StoreReader, card: VatCard, from_ms: int, to_ms: int
) -> list[tuple[str, CurvePicture, tuple[float, ...], float]]:
    found = []
    for quantity, label, limits, scale in _curves(card):
        points = Desk.curve(reader, card.vat, quantity, from_ms, to_ms, CURVE_BUCKETS)
        picture = curve_picture(
            points, from_ms, to_ms, (to_ms - from_ms) / CURVE_BUCKETS, [limit / scale for limit in limits]
        )
        found.append((label, picture, limits, scale))
    return found
