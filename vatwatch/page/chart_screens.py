"""The chart screens: the last day, the last week, the season. Drawn on the server; a script only adds zooming."""

from __future__ import annotations

from typing import Literal

from fastapi import APIRouter
from fastapi.responses import Response

from vatwatch.page import wording
from vatwatch.page.desk import DAY_MS, CurveName, Desk
from vatwatch.page.drawing import CurvePicture, curve_picture, mark_xs
from vatwatch.page.rendering import Screens
from vatwatch.page.visitor import Visiting
from vatwatch.records import VatCard
from vatwatch.store.reading import StoreReader

CURVE_BUCKETS = 288
MARKS_MOST = 400
"""More marks than this on one picture are a smear; the newest stay."""
LISTED_MOST = 100
Span = Literal["day", "week", "season"]
SPAN_WORDS: dict[Span, str] = {"day": "the last 24 hours", "week": "the last 7 days", "season": "the whole season"}


def chart_routes(desk: Desk, screens: Screens) -> APIRouter:
    """One route, three spans."""
    router = APIRouter(include_in_schema=False)

    @router.get("/vat/{vat}/chart")
    def chart(vat: str, visitor: Visiting, span: Span = "day") -> Response:
        to_ms = desk.clock_ms()
        with desk.open_reader() as reader:
            card = next((card for card in reader.cards() if card.vat == vat), None)
            if card is None:
                return screens.no_such_vat(vat, visitor)
            from_ms = _from_ms(reader, span, to_ms)
            pictures = _pictures(reader, card, from_ms, to_ms)
            logged = [line for line in desk.journal(reader, vat, from_ms) if not line.taken_back][:MARKS_MOST]
        return screens.render(
            "chart.html",
            visitor,
            card=card,
            span=span,
            spans=SPAN_WORDS,
            pictures=pictures,
            marks=mark_xs([line.entry.time_ms for line in logged], from_ms, to_ms),
            listed=logged[:LISTED_MOST],
            from_words=wording.clock_words(from_ms, to_ms, desk.zone),
            to_words=wording.clock_words(to_ms, to_ms, desk.zone),
            chart={
                "vat": vat,
                "from_ms": from_ms,
                "to_ms": to_ms,
                "timezone": desk.zone.key,
                "journal": [{"time_ms": line.entry.time_ms, "words": line.words} for line in logged],
                "curves": [
                    {"quantity": quantity, "label": label, "limits": list(limits), "scale": scale}
                    for quantity, label, limits, scale in _curves(card)
                ],
            },
        )

    return router


def _from_ms(reader: StoreReader, span: Span, to_ms: int) -> int:
    match span:
        case "day":
            return to_ms - DAY_MS
        case "week":
            return to_ms - 7 * DAY_MS
        case "season":
            recorded = reader.span()
            return to_ms - DAY_MS if recorded is None else min(recorded[0], to_ms - DAY_MS)


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
