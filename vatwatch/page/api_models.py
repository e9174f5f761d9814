"""The shapes of the JSON interface: what comes in is checked here, what goes out is described. No routes."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, field_validator

from vatwatch.dyeing.details import DETAIL_LONGEST
from vatwatch.dyeing.steps import Detail
from vatwatch.page.forms import (
    EARLIEST_MS,
    GRAMS_MOST,
    ID_PATTERN,
    LITRES_MOST,
    LONGEST_SHELVE_MIN,
    MINUTES_MOST,
    TEXT_LONGEST,
    WHAT_LONGEST,
)
from vatwatch.terms import ActionVerb, EntryKind

LATEST_MS = 253_402_300_799_999
"""9999-12-31: what a date can hold."""


def whole(value: str) -> str:
    """The text itself. Raises ValueError for half a character, which no file can hold, and for a zero byte."""
    if "\x00" in value:
        raise ValueError("holds a zero byte")
    try:
        value.encode("utf-8")
    except UnicodeEncodeError as error:
        raise ValueError("holds half a character") from error
    return value


class ReductionOut(BaseModel):
    """Share of the indigo in its leuco form with its 90 % interval (0…1), and the margin in mV (1 sigma beside it)."""

    share: float
    share_low: float
    share_high: float
    margin_mv: float
    margin_mv_sigma: float
    saturated: bool


class VatOut(BaseModel):
    """One vat now. A number is null when it is withdrawn; `withdrawn` then says why, by quantity.

    `doubtful` says of numbers that are given but suspect why that is, and what to do.
    """

    vat: str
    name: str
    condition: str
    sentence: str
    in_sight: str = Field(description="what the vat is on its way to, and when; empty when that cannot be told")
    age_s: float | None = Field(description="age of the newest scan in seconds; null when there is none")
    stale: bool = Field(description="true when nothing here may be taken for now")
    ph: float | None
    ph_25c: float | None = Field(description="25 °C equivalent of the pH, for the vat's alkali")
    temperature_c: float | None
    orp_mv: float | None
    eh_mv: float | None = Field(description="mV against the standard hydrogen electrode")
    reduction: ReductionOut | None
    withdrawn: dict[str, str]
    doubtful: dict[str, str]
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
    details: dict[Detail, Annotated[str, Field(max_length=DETAIL_LONGEST)]] = Field(
        default={}, description="what a dip, a finishing step or an outcome says of its piece"
    )
    anyway: bool = Field(default=False, description="log a dip although the vat is not dyeable; that is logged too")
    time_ms: int | None = Field(
        default=None, ge=EARLIEST_MS, le=LATEST_MS, description="when it happened; now if left out"
    )

    @field_validator("what", "text", "by", "vat")
    @classmethod
    def _whole_characters(cls, value: str) -> str:
        return whole(value)

    @field_validator("details")
    @classmethod
    def _whole_details(cls, value: dict[Detail, str]) -> dict[Detail, str]:
        if Detail.DESPITE in value:
            raise ValueError("what the vat was is written down by vatwatch itself")
        return {name: whole(text) for name, text in value.items()}


class AlarmIn(BaseModel):
    """What a person does to one alarm of one vat. The same `action_id` again is done once."""

    model_config = ConfigDict(extra="forbid", str_strip_whitespace=True)

    action_id: str = Field(pattern=ID_PATTERN)
    alarm: str = Field(pattern=r"^[a-z0-9-]{1,64}$")
    verb: ActionVerb
    minutes: float | None = Field(
        default=None, gt=0, le=LONGEST_SHELVE_MIN, allow_inf_nan=False, description="for how long it is shelved"
    )


class EntryOut(BaseModel):
    """One journal entry, as it was written and in words."""

    entry_id: str
    time_ms: int
    kind: str
    what: str
    grams: float | None
    litres: float | None
    minutes: float | None
    text: str
    by: str
    details: dict[str, str]
    words: str
    taken_back: bool


class DipOut(BaseModel):
    """One dip of a piece; `end_ms` is null while the piece is in the liquor."""

    number: int
    vat: str
    start_ms: int
    end_ms: int | None
    despite: str


class PieceOut(BaseModel):
    """One piece, from the journal."""

    name: str
    stage: str
    fibre: str
    dry_grams: float | None
    dips: list[DipOut]
    finished: list[str]
    outcomes: list[str]


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
