"""The JSON interface: what each vat shows now, a curve, and a way to log. The same judgements as the screens."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

from fastapi import APIRouter, HTTPException, Query
from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict, Field

from vatwatch.page import wording
from vatwatch.page.desk import CurveName, Desk, NotTaken, VatView
from vatwatch.page.drawing import stretches
from vatwatch.page.forms import (
    EARLIEST_MS,
    GRAMS_MOST,
    ID_PATTERN,
    LITRES_MOST,
    MINUTES_MOST,
    TEXT_LONGEST,
    WHAT_LONGEST,
    entry_complaints,
)
from vatwatch.page.wording import Freshness
from vatwatch.records import EntryKind, JournalEntry, Measured, Quantity

LATEST_MS = 253_402_300_799_999
"""9999-12-31: what a date can hold."""


class ReductionOut(BaseModel):
    """Share of the indigo in its leuco form with its 90 % interval (0…1), and the margin in mV (1 sigma beside it)."""

    share: float
    share_low: float
    share_high: float
    margin_mv: float
    margin_mv_sigma: float
    saturated: bool


class VatOut(BaseModel):
    """One vat now. A number is null when it is withdrawn; `withdrawn` then says why, by quantity."""

    vat: str
    name: str
    condition: str
    sentence: str
    age_s: float | None = Field(description="age of the newest scan in seconds; null when there is none")
    stale: bool = Field(description="true when nothing here may be taken for now")
    ph: float | None
    ph_25c: float | None = Field(description="25 °C equivalent of the pH, for the vat's alkali")
    temperature_c: float | None
    orp_mv: float | None
    eh_mv: float | None = Field(description="mV against the standard hydrogen electrode")
    reduction: ReductionOut | None
    withdrawn: dict[str, str]
    settled_from: datetime | None
    standing_alarms: list[str]


class JournalIn(BaseModel):
    """Something done or seen at a vat. Send the same `entry_id` again after a failure: it is logged once."""

    model_config = ConfigDict(extra="forbid", str_strip_whitespace=True)

    entry_id: str = Field(pattern=ID_PATTERN)
    vat: str = Field(min_length=1, max_length=64)
    kind: EntryKind
    what: str = Field(default="", max_length=WHAT_LONGEST)
    grams: float | None = Field(default=None, gt=0, le=GRAMS_MOST, allow_inf_nan=False)
    litres: float | None = Field(default=None, gt=0, le=LITRES_MOST, allow_inf_nan=False)
    minutes: float | None = Field(default=None, gt=0, le=MINUTES_MOST, allow_inf_nan=False)
    text: str = Field(default="", max_length=TEXT_LONGEST)
    by: str = Field(default="", max_length=64)
    time_ms: int | None = Field(
        default=None, ge=EARLIEST_MS, le=LATEST_MS, description="when it happened; now if left out"
    )


class JournalOut(BaseModel):
    """What was logged."""

    entry_id: str
    words: str


class CurveOut(BaseModel):
    """Columns of one curve. A row of nulls stands where there was no data, so that no line bridges silence."""

    time_ms: list[int]
    low: list[float | None]
    mean: list[float | None]
    high: list[float | None]


class ErrorOut(BaseModel):
    """Why it was refused, for a person."""

    detail: str


Moment = Annotated[int, Query(ge=0, le=LATEST_MS)]


def json_routes(desk: Desk) -> APIRouter:
    """Routes under /api. They run in worker threads, since the store and `submit` block."""
    router = APIRouter(prefix="/api")

    @router.get("/vats", summary="Every vat now")
    def vats() -> list[VatOut]:
        with desk.open_reader() as reader:
            return [_vat_out(view, desk.clock_ms()) for view in desk.views(reader)]

    @router.get("/vats/{vat}/curve", summary="One quantity over time", responses={404: {"model": ErrorOut}})
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

    @router.post(
        "/journal",
        status_code=201,
        summary="Log what was done or seen",
        responses={code: {"model": ErrorOut} for code in (404, 409, 503, 507)},
    )
    def journal(body: JournalIn) -> JournalOut:
        now_ms = desk.clock_ms()
        with desk.open_reader() as reader:
            if all(card.vat != body.vat for card in reader.cards()):
                raise HTTPException(404, f"There is no vat {body.vat!r} here.")
        entry = JournalEntry(
            **body.model_dump(exclude={"time_ms"}),
            time_ms=now_ms if body.time_ms is None else body.time_ms,
            logged_ms=now_ms,
        )
        complaints = entry_complaints(entry, now_ms)
        if complaints:
            raise HTTPException(422, " ".join(complaints))
        desk.log(entry)
        return JournalOut(entry_id=entry.entry_id, words=wording.entry_words(entry))

    return router


def not_taken_json(error: NotTaken) -> JSONResponse:
    """The JSON form of a refusal."""
    return JSONResponse({"detail": str(error)}, error.status)


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
        settled_from=None
        if scan is None or scan.settled_from_ms is None
        else datetime.fromtimestamp(scan.settled_from_ms / 1000, UTC),
        standing_alarms=[alarm.event.alarm for alarm in view.alarms],
    )
