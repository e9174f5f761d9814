"""The JSON interface: what each vat shows now, a curve, and a way to log. The same judgements as the screens."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

from fastapi import APIRouter, HTTPException, Query
from fastapi.responses import JSONResponse

from vatwatch.dyeing.pieces import Piece
from vatwatch.page import wording
from vatwatch.page.api_models import (
    LATEST_MS,
    AlarmIn,
    CurveOut,
    DipOut,
    EntryOut,
    ErrorOut,
    JournalIn,
    JournalOut,
    PieceOut,
    ReductionOut,
    VatOut,
)
from vatwatch.page.desk import CurveName, Desk, Logged, NotTaken, VatView
from vatwatch.page.drawing import stretches
from vatwatch.page.forms import entry_complaints
from vatwatch.page.hand import outcome_words
from vatwatch.page.standing import OF_SHED
from vatwatch.page.wording import Freshness
from vatwatch.records import AlarmAction, JournalEntry, Measured
from vatwatch.terms import ActionVerb, Flag, Quantity

ENTRIES_MOST = 2000


Moment = Annotated[int, Query(ge=0, le=LATEST_MS)]


def json_routes(desk: Desk) -> APIRouter:
    """Routes under /api. They run in worker threads, since the store and `submit` block."""
    refusals = (400, 401, 403, 404, 408, 409, 413, 414, 415, 421, 422, 503, 507)
    router = APIRouter(prefix="/api", responses={status: {"model": ErrorOut} for status in refusals})

    @router.get("/vats", summary="Every vat now")
    def vats() -> list[VatOut]:
        with desk.open_reader() as reader:
            return [_vat_out(view, desk.clock_ms()) for view in desk.views(reader)]

    @router.get("/vats/{vat}/curve", summary="One quantity over time")
    def curve(
        vat: str,
        quantity: CurveName,
        from_ms: Moment,
        to_ms: Moment,
        buckets: Annotated[int, Query(ge=1, le=2000)] = 480,
    ) -> CurveOut:
        if to_ms <= from_ms:
            raise HTTPException(422, "to_ms must lie after from_ms.")
        with desk.open_reader() as reader:
            if all(card.vat != vat for card in reader.cards()):
                raise HTTPException(404, f"There is no vat {vat!r} here.")
            points = desk.curve(reader, vat, quantity, from_ms, to_ms, buckets)
        out = CurveOut(time_ms=[], low=[], mean=[], high=[])
        for number, stretch in enumerate(stretches(points, (to_ms - from_ms) / buckets)):
            if number:
                out.time_ms.append(stretch[0].time_ms - 1)
                for column in (out.low, out.mean, out.high):
                    column.append(None)
            for point in stretch:
                out.time_ms.append(point.time_ms)
                out.low.append(point.low)
                out.mean.append(point.mean)
                out.high.append(point.high)
        return out

    @router.get("/vats/{vat}/journal", summary="What was logged at a vat")
    def logged(vat: str, from_ms: Moment, to_ms: Moment) -> list[EntryOut]:
        with desk.open_reader() as reader:
            if all(card.vat != vat for card in reader.cards()):
                raise HTTPException(404, f"There is no vat {vat!r} here.")
            lines = desk.journal(reader, vat, from_ms)
        return [_entry_out(line) for line in lines if line.entry.time_ms < to_ms][:ENTRIES_MOST]

    @router.get("/pieces", summary="Pieces, the newest first")
    def pieces(most: Annotated[int, Query(ge=1, le=1000)] = 100) -> list[PieceOut]:
        with desk.open_reader() as reader:
            desk.notebook.read(reader)
        return [_piece_out(piece) for piece in desk.notebook.pieces()[:most]]

    @router.post(
        "/vats/{vat}/alarms",
        status_code=201,
        summary="Acknowledge, shelve, reset … an alarm",
    )
    def alarm(vat: str, body: AlarmIn) -> None:
        with desk.open_reader() as reader:
            if all(card.vat != vat for card in reader.cards()):
                raise HTTPException(404, f"There is no vat {vat!r} here.")
        take_action(vat, body)

    def take_action(vat: str, body: AlarmIn) -> None:
        now_ms = desk.clock_ms()
        if (body.verb is ActionVerb.SHELVE) != (body.minutes is not None):
            raise HTTPException(422, "minutes: expected with shelve, and only with it.")
        until_ms = None if body.minutes is None else now_ms + round(body.minutes * 60_000)
        desk.hand_in(AlarmAction(body.action_id, now_ms, vat, body.alarm, body.verb, until_ms))

    @router.get("/shed/alarms", summary="Alarms about no single vat that stand")
    def shed_alarms() -> list[str]:
        with desk.open_reader() as reader:
            return [alarm.event.alarm for alarm in desk.of_shed(reader).alarms]

    @router.post("/shed/alarms", status_code=201, summary="Acknowledge, shelve … an alarm about no single vat")
    def shed_alarm(body: AlarmIn) -> None:
        take_action(OF_SHED, body)

    @router.post(
        "/journal",
        status_code=201,
        summary="Log what was done or seen",
    )
    def journal(body: JournalIn) -> JournalOut:
        now_ms = desk.clock_ms()
        with desk.open_reader() as reader:
            if all(card.vat != body.vat for card in reader.cards()):
                raise HTTPException(404, f"There is no vat {body.vat!r} here.")
        entry = JournalEntry(
            **body.model_dump(exclude={"time_ms", "details", "anyway"}),
            details=tuple(sorted((str(name), text) for name, text in body.details.items())),
            time_ms=now_ms if body.time_ms is None else body.time_ms,
            logged_ms=now_ms,
        )
        complaints = entry_complaints(entry, now_ms)
        if complaints:
            raise HTTPException(422, " ".join(complaints))
        logged = desk.log(entry, body.anyway)
        return JournalOut(entry_id=logged.entry_id, words=wording.entry_words(logged))

    return router


def not_taken_json(error: NotTaken) -> JSONResponse:
    """The JSON form of a refusal."""
    return JSONResponse({"detail": str(error)}, error.status)


def _entry_out(line: Logged) -> EntryOut:
    entry = line.entry
    return EntryOut(
        entry_id=entry.entry_id,
        time_ms=entry.time_ms,
        kind=entry.kind.value,
        what=entry.what,
        grams=entry.grams,
        litres=entry.litres,
        minutes=entry.minutes,
        text=entry.text,
        by=entry.by,
        details=dict(entry.details),
        words=line.words,
        taken_back=line.taken_back,
    )


def _piece_out(piece: Piece) -> PieceOut:
    return PieceOut(
        name=piece.name,
        stage=piece.stage.value,
        fibre=piece.fibre,
        dry_grams=piece.dry_grams,
        dips=[
            DipOut(number=dip.number, vat=dip.vat, start_ms=dip.start_ms, end_ms=dip.end_ms, despite=dip.despite)
            for dip in piece.dips
        ],
        finished=[tick.step for tick in piece.ticks],
        outcomes=[outcome_words(outcome) for outcome in piece.outcomes],
    )


def _vat_out(view: VatView, now_ms: int) -> VatOut:
    scan = view.scan if view.fresh is Freshness.FRESH else None

    def number(measured: Measured | None) -> float | None:
        return None if measured is None else wording.trusted(measured)

    by_quantity: dict[str, Measured | None] = {
        Quantity.PH.value: None if scan is None else scan.ph,
        Quantity.TEMPERATURE.value: None if scan is None else scan.temperature_c,
        Quantity.ORP.value: None if scan is None else scan.orp_mv,
    }
    values = {name: number(measured) for name, measured in by_quantity.items()}
    return VatOut(
        vat=view.card.vat,
        name=view.card.name,
        condition=view.condition.value,
        sentence=view.sentence,
        in_sight=view.in_sight,
        age_s=None if view.scan is None else (now_ms - view.scan.slot_ms) / 1000,
        stale=scan is None,
        ph=values["ph"],
        ph_25c=scan.ph_25c if scan is not None and values["ph"] is not None else None,
        temperature_c=values["temperature_c"],
        orp_mv=values["orp_mv"],
        eh_mv=scan.eh_mv if scan is not None and values["orp_mv"] is not None else None,
        reduction=None
        if scan is None or scan.reduction is None
        else ReductionOut(
            share=scan.reduction.share,
            share_low=scan.reduction.share_low,
            share_high=scan.reduction.share_high,
            margin_mv=scan.reduction.margin_mv,
            margin_mv_sigma=scan.reduction.margin_mv_sigma,
            saturated=scan.reduction.saturated,
        ),
        withdrawn={
            name: (measured.reason or "silent") if measured is not None else view.age.lower()
            for name, measured in by_quantity.items()
            if values[name] is None
        },
        doubtful={
            name: measured.reason or "suspect"
            for name, measured in by_quantity.items()
            if measured is not None and values[name] is not None and measured.flag is Flag.SUSPECT
        },
        settled_from=None
        if scan is None or scan.settled_from_ms is None
        else datetime.fromtimestamp(scan.settled_from_ms / 1000, UTC),
        standing_alarms=[alarm.event.alarm for alarm in view.standing.alarms],
    )
