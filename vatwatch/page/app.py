"""Puts the page together: screens, JSON interface, static files, the gate, and kind answers to errors."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from importlib.metadata import distribution
from pathlib import Path
from zoneinfo import ZoneInfo

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import FileResponse, JSONResponse, Response
from starlette.exceptions import HTTPException
from starlette.staticfiles import StaticFiles

from vatwatch.errors import VatwatchError
from vatwatch.page.api import json_routes, not_taken_json
from vatwatch.page.chart_screens import chart_routes
from vatwatch.page.desk import Desk, NotTaken
from vatwatch.page.door import Door, Doorkeeper
from vatwatch.page.door_screens import door_routes
from vatwatch.page.guard import Guard, Reached
from vatwatch.page.live import Live
from vatwatch.page.passphrase import PassphraseHash
from vatwatch.page.rendering import Screens
from vatwatch.page.screens import screen_routes
from vatwatch.page.season_screen import season_routes
from vatwatch.page.standing import Outlets
from vatwatch.page.visitor import visitor_of
from vatwatch.records import AlarmAction, JournalEntry
from vatwatch.store.reading import StoreReader


class Page(FastAPI):
    """The page as an ASGI app. `ring` is called after every commit, from any thread; `close` ends open streams."""

    live: Live

    def ring(self) -> None:
        """Something was committed: whoever looks is to see it."""
        self.live.ring()

    def close(self) -> None:
        """End every open stream, so that the server can stop."""
        self.live.close()


def create_app(
    open_reader: Callable[[], StoreReader],
    submit: Callable[[JournalEntry | AlarmAction], None],
    clock_ms: Callable[[], int],
    timezone: str,
    stale_after_ms: int,
    origin: str,
    *,
    passphrase: PassphraseHash | None = None,
    guests: bool = False,
    also: Sequence[str] = (),
    outlets: Outlets | None = None,
) -> Page:
    """Everything of the page.

    `submit` blocks until the record is committed and raises StoreFull or StoreError; the same `entry_id` or
    `action_id` handed in twice must have the effect of once. `clock_ms` is UTC in ms. `timezone` is an IANA name.
    `origin` is how browsers reach the page, like `http://127.0.0.1:8420`, `also` its other names; anything else is
    refused. `outlets` names where messages go now, and what is held for each. With a `passphrase` nobody writes without
    it, and nobody looks without it unless there are `guests`.
    Raises zoneinfo.ZoneInfoNotFoundError for an unknown timezone, ValueError for an origin that is not one.
    """
    reached = Reached([origin, *also])
    desk = Desk(open_reader, submit, clock_ms, ZoneInfo(timezone), stale_after_ms, outlets=outlets)
    # FastAPI's own documentation screens load scripts from elsewhere; the OpenAPI text itself stays.
    app = Page(title="vatwatch", docs_url=None, redoc_url=None, openapi_url="/api/openapi.json")
    screens = Screens(desk)
    app.live = Live(screens.live_parts)
    door = Door(passphrase, guests, secure=all(name.startswith("https://") for name in (origin, *also)))
    for router in (
        screen_routes(desk, screens, app.live),
        chart_routes(desk, screens),
        season_routes(desk, screens),
        door_routes(desk, screens, door),
        json_routes(desk),
    ):
        app.include_router(router)
    plotly_js = Path(str(distribution("plotly").locate_file("plotly/package_data/plotly.min.js")))

    @app.get("/static/plotly.min.js", include_in_schema=False)
    def plotly_script() -> Response:
        return FileResponse(
            plotly_js, media_type="text/javascript", headers={"cache-control": "private, max-age=86400"}
        )

    # no-cache, not no-store: a phone keeps the file and asks whether it has changed.
    app.mount("/static", _Statics(directory=Path(__file__).parent / "static"))
    # The last one added stands in front: first whether the request may be ours at all, then who sends it.
    app.add_middleware(Doorkeeper, door=door)
    app.add_middleware(Guard, reached=reached)

    @app.exception_handler(NotTaken)
    def not_taken(_: Request, error: NotTaken) -> Response:
        return not_taken_json(error)

    @app.exception_handler(VatwatchError)
    def unwell(request: Request, error: VatwatchError) -> Response:
        if request.url.path.startswith("/api/"):
            return JSONResponse({"detail": str(error)}, 503)
        sentence = f"{error} Whether the vats are well is not known."
        return screens.plain("The record cannot be read", sentence, 503, visitor_of(request))

    @app.exception_handler(RequestValidationError)
    def not_understood(request: Request, error: RequestValidationError) -> Response:
        # What was sent is not repeated: it may be somebody's secret, or half a character no answer can hold.
        places = {".".join(str(part) for part in fault["loc"]): str(fault["msg"]) for fault in error.errors()}
        detail = "; ".join(f"{place}: {message}" for place, message in places.items())
        detail = detail.encode("ascii", "backslashreplace").decode("ascii")[:1000]
        if request.url.path.startswith("/api/"):
            return JSONResponse({"detail": detail}, 422)
        return screens.plain("Not understood", detail, 422, visitor_of(request))

    @app.exception_handler(HTTPException)
    def refused(request: Request, error: HTTPException) -> Response:
        if request.url.path.startswith("/api/"):
            return JSONResponse({"detail": error.detail}, error.status_code, headers=error.headers)
        sentence = "There is nothing at this address." if error.status_code == 404 else str(error.detail)
        return screens.plain("Not here", sentence, error.status_code, visitor_of(request))

    return app


class _Statics(StaticFiles):
    def file_response(self, *args: object, **kwargs: object) -> Response:
        response = super().file_response(*args, **kwargs)  # type: ignore[arg-type]
        response.headers["cache-control"] = "no-cache"
        return response
