"""The season's review as a screen: the same as the file `vatwatch review` writes, made when somebody asks for it.

Making it reads the whole record, seconds on a small computer: one is made at a time and kept for a while, so that no
number of visitors can keep the computer busy with it. Judges nothing, writes nothing.
"""

from __future__ import annotations

import threading

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, Response

from vatwatch.errors import VatwatchError
from vatwatch.page.desk import Desk
from vatwatch.page.rendering import Screens
from vatwatch.page.visitor import Visiting

KEPT_MS = 10 * 60_000
PATIENCE_S = 60.0
"""How long somebody waits while the review is made for somebody else."""


class KeptReview:
    """The newest review with when it was made. `text` makes it anew where the kept one is too old."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._making = threading.Lock()
        self._text = ""
        self._made_ms: int | None = None

    def text(self, now_ms: int) -> str | None:
        """The review as HTML, "" while nothing is recorded; None when it is being made for too long already."""
        if not self._making.acquire(timeout=PATIENCE_S):
            return None
        try:
            if self._made_ms is None or not 0 <= now_ms - self._made_ms < KEPT_MS:
                self._text = self._make()
                self._made_ms = now_ms if self._text else None
            return self._text
        finally:
            self._making.release()

    def _make(self) -> str:
        # Imported here: a watch whose review nobody opens need not carry what it takes.
        from vatwatch.season.review import served_review

        with self._desk.open_reader() as reader:
            span = reader.span()
            return "" if span is None else served_review(reader, span[0], span[1] + 1, self._desk.zone.key)


def season_routes(desk: Desk, screens: Screens) -> APIRouter:
    """The review, and the script that draws its curves."""
    router = APIRouter(include_in_schema=False)
    kept = KeptReview(desk)

    @router.get("/season")
    def season(visitor: Visiting) -> Response:
        try:
            text = kept.text(desk.clock_ms())
        except VatwatchError as error:
            return screens.plain("The season cannot be reviewed", str(error), 503, visitor)
        if text is None:
            sentence = "It is being made for somebody else at this moment. Try again in a minute."
            return screens.plain("The season's review is not ready", sentence, 503, visitor)
        if not text:
            return screens.plain(
                "No season yet", "Nothing is recorded so far: there is nothing to review.", 200, visitor
            )
        return HTMLResponse(text, headers={"cache-control": "no-store"})

    @router.get("/season/draw.js")
    def draw_script() -> Response:
        from vatwatch.season.review import draw_script as script

        return Response(script(), media_type="text/javascript", headers={"cache-control": "no-cache"})

    return router
