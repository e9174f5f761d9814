"""Everything a vat's pipeline carries from slot to slot, and its exact text form for a restart.

JSON with shortest-round-trip floats: reading it back gives the same numbers bit for bit. A restart takes the newest
snapshot and replays the slots stored after it.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from typing import Any

from vatwatch.terms import AlarmState, EntryKind, Flag
from vatwatch.vat.alarms import AlarmMemory
from vatwatch.vat.estimate import OffsetBelief
from vatwatch.vat.forecast import Crossing, TrendMemory
from vatwatch.vat.history import History, HistoryBin
from vatwatch.vat.lately import Quarter
from vatwatch.vat.probe_faults import FaultMemory, faults_from_plain
from vatwatch.vat.qartod import SeriesMemory, series_from_plain
from vatwatch.vat.recognise import Minute
from vatwatch.vat.scan import ProbeMemory
from vatwatch.vat.tiring import Ahead, Chance
from vatwatch.vat.trend import Trend

STATE_FORMAT = 2


@dataclass(frozen=True, slots=True)
class Doing:
    """Something the dyer did to the liquor; it has settled again from `settled_ms` on."""

    entry_id: str
    kind: str
    time_ms: int
    settled_ms: int
    what: str
    grams: float | None


@dataclass(frozen=True, slots=True)
class Lesson:
    """What one look taught: bits, the offset's 1 σ in mV before and after, the reading it was held against, its weight."""

    entry_id: str
    time_ms: int
    look: str
    bits: float
    sigma_before_mv: float
    sigma_after_mv: float
    margin_mv: float
    margin_sigma_mv: float
    temperature_c: float
    weight: float = 1.0


KEPT_LESSONS = 12
KEPT_DOINGS = 64


@dataclass(frozen=True, slots=True)
class VatState:
    """`been_inside` names the limits the vat has once stood inside since it was made: only those can be left."""

    belief: OffsetBelief
    belief_at_ms: int | None = None
    taught_ms: int | None = None
    checks: int = 0
    lessons: tuple[Lesson, ...] = ()
    slot_ms: int | None = None
    first_slot_ms: int | None = None
    doings: tuple[Doing, ...] = ()
    probes: dict[str, ProbeMemory] = field(default_factory=dict)
    beyond: dict[str, bool] = field(default_factory=dict)
    been_inside: tuple[str, ...] = ()
    alarms: dict[str, AlarmMemory] = field(default_factory=dict)
    history: History = ()
    ahead: Ahead = field(default_factory=Ahead)
    series: dict[str, SeriesMemory] = field(default_factory=dict)
    faults: FaultMemory = field(default_factory=FaultMemory)

    @property
    def settled_from_ms(self) -> int | None:
        """When the last of what was done will have settled; None when nothing was done."""
        return max((doing.settled_ms for doing in self.doings), default=None)

    @property
    def last_feed(self) -> Doing | None:
        feeds = [doing for doing in self.doings if doing.kind == EntryKind.FEED.value]
        return max(feeds, key=lambda doing: doing.time_ms, default=None)


def _ahead_from(raw: dict[str, Any]) -> Ahead:
    trends = raw["trends"]
    return Ahead(
        **{
            **raw,
            "trends": TrendMemory(
                trends["at_ms"],
                tuple((name, Trend(**trend)) for name, trend in trends["trends"]),
                trends["quiet_from_ms"],
            ),
            "minutes": tuple(Minute(**one) for one in raw["minutes"]),
            "lately": tuple(Quarter(**one) for one in raw["lately"]),
            "crossings": tuple(Crossing(**one) for one in raw["crossings"]),
            "chances": tuple(Chance(**one) for one in raw["chances"]),
        }
    )


def state_to_json(state: VatState) -> str:
    return json.dumps({"format": STATE_FORMAT, **asdict(state)}, separators=(",", ":"), sort_keys=True)


def state_from_json(text: str) -> VatState:
    """Raises ValueError, KeyError or TypeError when the text is not a state of this format."""
    raw: dict[str, Any] = json.loads(text)
    if raw.pop("format") != STATE_FORMAT:
        raise ValueError("a pipeline state of another format")
    return VatState(
        **{
            **raw,
            "belief": OffsetBelief(tuple(raw["belief"]["weights"])),
            "doings": tuple(Doing(**one) for one in raw["doings"]),
            "probes": {
                name: ProbeMemory(**{**p, "trouble_flag": Flag(p["trouble_flag"])}) for name, p in raw["probes"].items()
            },
            "lessons": tuple(Lesson(**one) for one in raw["lessons"]),
            "been_inside": tuple(raw["been_inside"]),
            "alarms": {
                name: AlarmMemory(**{**a, "state": AlarmState(a["state"])}) for name, a in raw["alarms"].items()
            },
            "history": tuple(HistoryBin(**b) for b in raw["history"]),
            "ahead": _ahead_from(raw["ahead"]),
            "series": {name: series_from_plain(one) for name, one in raw["series"].items()},
            "faults": faults_from_plain(raw["faults"]),
        }
    )
