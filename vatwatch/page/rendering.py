"""Renders the screens from what the desk reads. Knows no routes; the templates know no store."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any
from urllib.parse import quote
from uuid import uuid4

from fastapi.responses import HTMLResponse
from jinja2 import Environment, PackageLoader, StrictUndefined

from vatwatch.dyeing.outcomes import RUBBING_GRADES
from vatwatch.dyeing.pieces import Piece
from vatwatch.dyeing.steps import AIR_MIN, LIQUOR_MIN, PRE_WET_MIN
from vatwatch.page import wording
from vatwatch.page.desk import Desk
from vatwatch.page.drawing import BAR_WIDTH, CURVE_HEIGHT, CURVE_WIDTH
from vatwatch.page.forms import MINUTES_AGO_CHOICES, SHELVE_MINUTES
from vatwatch.page.hand import (
    FIBRE_WORDS,
    PROBE_OUT_MIN,
    facts_words,
    finish_views,
    new_name,
    outcome_words,
    piece_view,
)
from vatwatch.page.live import Looking, Parts
from vatwatch.page.visitor import GUEST, Visitor
from vatwatch.store.reading import StoreReader
from vatwatch.terms import VatCondition

FORM_NAMES = ("feed", "stir", "check", "piece", "top-up", "cover", "note", "finish", "outcome")
"""Forms with a place of their own for complaints; those of any other form go on top of the screen."""
DRAWN_FOR_ALL = "0"
"""Stands in drawings handed to every phone where a form's own number or a session's token belongs; a script puts the
phone's own there before anything can be pressed."""


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
        check_looks=wording.CHECK_LOOKS,
        minutes_ago_choices=MINUTES_AGO_CHOICES,
        shelve_minutes=SHELVE_MINUTES,
        span_words=wording.span_words,
        fibre_words=FIBRE_WORDS,
        rubbing_grades=RUBBING_GRADES,
        pre_wet_min=PRE_WET_MIN,
        liquor_min=LIQUOR_MIN,
        air_min=AIR_MIN,
        probe_out_min=PROBE_OUT_MIN,
        bar_width=BAR_WIDTH,
        curve_width=CURVE_WIDTH,
        curve_height=CURVE_HEIGHT,
    )
    return environment


class Screens:
    """The screens as HTML."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self._templates = templates()

    def text(self, name: str, visitor: Visitor, new_id: Callable[[], str] | None = None, **values: Any) -> str:
        """One template as text."""
        new_id = new_id or (lambda: uuid4().hex)
        return self._templates.get_template(name).render(visitor=visitor, new_id=new_id, **values)

    def render(self, name: str, visitor: Visitor, status: int = 200, **values: Any) -> HTMLResponse:
        return HTMLResponse(self.text(name, visitor, **values), status)

    def plain(self, heading: str, sentence: str, status: int, visitor: Visitor = GUEST) -> HTMLResponse:
        """A screen that only says something."""
        return self.render("plain.html", visitor, status, heading=heading, sentence=sentence)

    def no_such_vat(self, vat: str, visitor: Visitor) -> HTMLResponse:
        return self.plain("No such vat", f"There is no vat called “{vat[:60]}” here.", 404, visitor)

    def vats(self, visitor: Visitor, status: int = 200, complaints: tuple[str, ...] = ()) -> HTMLResponse:
        """The first screen."""
        with self.desk.open_reader() as reader:
            return self.render("vats.html", visitor, status, complaints=complaints, **self._vats_values(reader))

    def vat(
        self,
        vat: str,
        visitor: Visitor,
        status: int = 200,
        logged: str = "",
        complaints: tuple[str, ...] = (),
        kept: Mapping[str, str] | None = None,
        earlier: bool = False,
    ) -> HTMLResponse:
        """The vat screen; `kept` are the fields of a form that was not taken, shown again as they were."""
        with self.desk.open_reader() as reader:
            values = self._vat_values(reader, vat)
            if values is None:
                return self.no_such_vat(vat, visitor)
            feeds = self.desk.notebook.last_feeds(vat)
            top_up = self.desk.notebook.last_top_up(vat)
        return self.render(
            "vat.html",
            visitor,
            status,
            **values,
            **self._form_values(logged, complaints, kept, earlier),
            feeds=feeds,
            top_up=top_up,
            new_name=new_name(self.desk.notebook.pieces()),
        )

    def piece(
        self,
        name: str,
        visitor: Visitor,
        status: int = 200,
        logged: str = "",
        complaints: tuple[str, ...] = (),
        kept: Mapping[str, str] | None = None,
    ) -> HTMLResponse:
        """One piece: its dips with the vat's state, finishing ticks, outcomes."""
        now_ms = self.desk.clock_ms()
        with self.desk.open_reader() as reader:
            self.desk.notebook.read(reader)
            piece = self.desk.notebook.piece(name)
            if piece is None:
                return self.plain(
                    "No such piece", f"There is no piece called “{name[:60]}” in the journal.", 404, visitor
                )
            names = {card.vat: card.name for card in reader.cards()}
            dips = self.desk.dips(reader, piece)
            view = piece_view(piece, piece.vat, names, now_ms, self.desk.zone)
            warning = self.desk.warning(reader, piece.vat) if view.button == "in" else ""
        return self.render(
            "piece.html",
            visitor,
            status,
            view=view,
            dips=dips,
            warning=warning,
            vat_name=names.get(piece.vat, piece.vat),
            finishing=finish_views(piece, now_ms, self.desk.zone),
            outcomes=[
                (wording.clock_words(entry.time_ms, now_ms, self.desk.zone), entry, outcome_words(entry))
                for entry in reversed(piece.outcomes)
            ],
            **self._form_values(logged, complaints, kept, False),
        )

    def pieces(self, visitor: Visitor) -> HTMLResponse:
        """Every piece of the season, the newest first."""
        now_ms = self.desk.clock_ms()
        with self.desk.open_reader() as reader:
            self.desk.notebook.read(reader)
        return self.render(
            "pieces.html", visitor, rows=[self._piece_row(piece, now_ms) for piece in self.desk.notebook.pieces()]
        )

    def live_parts(self, screens: set[Looking]) -> dict[Looking, Parts]:
        """What changes on each of the screens, drawn once for all who look at it."""
        drawn: dict[Looking, Parts] = {}
        with self.desk.open_reader() as reader:
            for looking in screens:
                visitor = Visitor(looking.may_write, csrf=DRAWN_FOR_ALL)
                values = self._vat_values(reader, looking.vat) if looking.vat else self._vats_values(reader)
                if values is None:
                    continue
                names = {
                    "live": "vat_live.html",
                    "hand": "hand.html",
                    "journal": "journal.html",
                    "probes": "probes.html",
                }
                if not looking.vat:
                    names = {"live": "vats_live.html"}
                drawn[looking] = {
                    part: self.text(name, visitor, lambda: DRAWN_FOR_ALL, **values) for part, name in names.items()
                }
        return drawn

    def _vats_values(self, reader: StoreReader) -> dict[str, Any]:
        return {
            "views": self.desk.views(reader),
            "troubles": self.desk.troubles(reader),
            "of_shed": self.desk.of_shed(reader),
        }

    def _vat_values(self, reader: StoreReader, vat: str) -> dict[str, Any] | None:
        view = self.desk.view(reader, vat)
        if view is None:
            return None
        warning = self.desk.warning(reader, vat)
        return {
            "view": view,
            "at": f"/vat/{quote(vat, safe='')}",
            "journal": self.desk.journal(reader, vat),
            "troubles": self.desk.troubles(reader),
            "hand": self.desk.hand(reader, vat),
            "warning": warning,
            "follow": not warning and view.condition is VatCondition.SETTLING,
            "probes": self.desk.probes(reader, vat),
        }

    def _form_values(
        self, logged: str, complaints: tuple[str, ...], kept: Mapping[str, str] | None, earlier: bool
    ) -> dict[str, Any]:
        fields = {"entry_id": "", "at": "", **(kept or {})}
        form = fields.get("form") or fields.get("kind", "")
        entry = self.desk.notebook.entry(logged) if logged else None
        return {
            "complaints": complaints,
            "kept": fields,
            "kept_form": form if form in FORM_NAMES else "",
            "confirmed_text": "" if entry is None else wording.entry_words(entry),
            "confirmed_entry": entry,
            "confirmed_void": entry is not None and self.desk.notebook.is_taken_back(entry.entry_id),
            "earlier": earlier or bool(fields["at"]),
        }

    def _piece_row(self, piece: Piece, now_ms: int) -> dict[str, str]:
        judged = outcome_words(piece.outcomes[-1]) if piece.outcomes else ""
        return {
            "name": piece.name,
            "facts": facts_words(piece),
            "stage": piece.stage.value,
            "when": wording.clock_words(piece.last_ms, now_ms, self.desk.zone),
            "judged": judged,
        }
