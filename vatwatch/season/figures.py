"""Every figure of a review, from the store to records: gathered vat by vat, then across vats. Renders nothing.

Days that lie whole behind are answered by the store's hourly counts and means, so that a season takes seconds.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from vatwatch.dyeing.pieces import Piece, pieces_of, taken_back
from vatwatch.records import Calibration, JournalEntry, PortEvent, Push, VatCard
from vatwatch.season import excursions as excursion_rules
from vatwatch.season import feeding
from vatwatch.season.alarm_measures import AlarmMeasures, alarm_measures
from vatwatch.season.episodes import Episode, episodes_of
from vatwatch.season.excursions import Excursion, ExcursionSummary
from vatwatch.season.feeding import FeedResponse, FeedSummary, MonthOfUse
from vatwatch.season.hours import HOUR_MS, TimeShares
from vatwatch.season.probe_record import Outage, ProbeCalibrations, calibrations_of, outages_of
from vatwatch.season.vat_hours import VatHours, vat_hours
from vatwatch.store.reading import CurvePoint, StoreReader
from vatwatch.terms import EntryKind, Quantity

BUCKETS = 800
CURVES = ("reduction_share", "reduction_margin_mv", Quantity.PH, "ph_25c", Quantity.TEMPERATURE)


@dataclass(frozen=True, slots=True)
class DyeingFigures:
    """Dips of a vat and the pieces whose last dip in the span was in it. Weights in g, time in the liquor in minutes."""

    dips: int
    liquor_min: float
    despite: int
    pieces: int
    judged: int
    weighed: int
    dyed_g: float
    indigo_g: float


@dataclass(frozen=True, slots=True)
class Extremes:
    """Lowest, mean and highest of a quantity over the span; None where it was never known."""

    quantity: str
    low: float | None
    mean: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class VatFigures:
    """One vat's figures. `fed_grams` sums feeds by what was fed, as written; `limits` are its cards with the time from which
    each was in force, oldest first. Entries that were taken back count for nothing, but stand in `entries`.
    """

    vat: str
    name: str
    card: VatCard | None
    limits: tuple[tuple[int, VatCard], ...]
    hours: VatHours
    extremes: tuple[Extremes, ...]
    curves: Mapping[str, Sequence[CurvePoint]]
    journal: tuple[JournalEntry, ...]
    episodes: tuple[Episode, ...]
    excursions: tuple[Excursion, ...]
    excursion_summaries: tuple[ExcursionSummary, ...]
    responses: tuple[FeedResponse, ...]
    feeds: tuple[FeedSummary, ...]
    use: tuple[MonthOfUse, ...]
    dyeing: DyeingFigures
    calibrations: tuple[ProbeCalibrations, ...]
    outages: tuple[Outage, ...]
    taken_out: int
    alarms: AlarmMeasures
    fed_grams: tuple[tuple[str, float], ...]

    @property
    def scans(self) -> int:
        return self.hours.scans

    @property
    def times(self) -> TimeShares:
        return self.hours.times

    @property
    def entries(self) -> int:
        return len(self.journal)


@dataclass(frozen=True, slots=True)
class ReviewFigures:
    """What a review holds. `alarms` are those of all vats together."""

    from_ms: int
    to_ms: int
    vats: tuple[VatFigures, ...]
    alarms: AlarmMeasures
    pieces: tuple[Piece, ...]
    pushes: tuple[Push, ...]
    port_events: tuple[PortEvent, ...]


def review_figures(reader: StoreReader, from_ms: int, to_ms: int, zone: ZoneInfo) -> ReviewFigures:
    """All figures of slots ending in (from_ms, to_ms]. Raises StoreError when the store cannot be read."""
    # The store's ranges are [from, to); a slot is named by its end.
    begin_ms, end_ms = from_ms + 1, to_ms + 1
    history = reader.card_history()
    cards = {card.vat: card for card in reader.cards()}
    # A piece may have been begun before the span.
    journal = reader.journal(None, 0, end_ms)
    void = taken_back(journal)
    pieces = tuple(pieces_of(journal))
    by_vat: dict[str, list[JournalEntry]] = {}
    for entry in journal:
        if entry.time_ms >= from_ms:
            by_vat.setdefault(entry.vat, []).append(entry)
    alive = {
        vat: [e for e in mine if e.entry_id not in void and e.kind is not EntryKind.UNDO]
        for vat, mine in by_vat.items()
    }
    events: dict[str, list[Episode]] = {}
    for episode in episodes_of(reader.alarm_events(None, begin_ms, end_ms)):
        events.setdefault(episode.vat, []).append(episode)
    calibrations = reader.calibrations()
    vats = tuple(
        _vat_figures(
            reader, vat, cards.get(vat), _limits(history, vat, to_ms), by_vat.get(vat, []), alive.get(vat, []),
            events.get(vat, []), pieces, calibrations, from_ms, to_ms, zone,
        )
        for vat in reader.vats()
    )  # fmt: skip
    return ReviewFigures(
        from_ms,
        to_ms,
        vats,
        alarm_measures([one for mine in events.values() for one in mine], alive, from_ms, to_ms),
        pieces,
        tuple(reader.pushes(begin_ms, end_ms)),
        tuple(reader.port_events(from_ms, end_ms)),
    )


def _vat_figures(
    reader: StoreReader,
    vat: str,
    card: VatCard | None,
    limits: tuple[tuple[int, VatCard], ...],
    journal: Sequence[JournalEntry],
    alive: Sequence[JournalEntry],
    episodes: Sequence[Episode],
    pieces: Sequence[Piece],
    calibrations: Sequence[Calibration],
    from_ms: int,
    to_ms: int,
    zone: ZoneInfo,
) -> VatFigures:
    hours = vat_hours(reader.condition_counts(vat, from_ms, to_ms), from_ms, to_ms, zone)
    curves = {str(name): reader.curve(vat, name, from_ms + 1, to_ms + 1, BUCKETS) for name in CURVES}  # type: ignore[arg-type]
    fed = any(entry.kind is EntryKind.FEED for entry in alive)
    margin = _hourly(reader, vat, "reduction_margin_mv", from_ms, to_ms) if fed else {}
    ph = _hourly(reader, vat, "ph_25c", from_ms, to_ms) if fed else {}
    responses = feeding.responses_of(alive, margin, ph)
    excursions = excursion_rules.excursions_of(episodes, alive)
    mine = [piece for piece in pieces if _dyed_in(piece) == vat]
    return VatFigures(
        vat=vat,
        name=(card or limits[-1][1]).name if card or limits else vat,
        card=card,
        limits=limits,
        hours=hours,
        extremes=tuple(_extremes(name, points) for name, points in curves.items()),
        curves=curves,
        journal=tuple(journal),
        episodes=tuple(episodes),
        excursions=excursions,
        excursion_summaries=excursion_rules.summaries_of(excursions),
        responses=responses,
        feeds=feeding.summaries_of(responses),
        use=feeding.months_of_use(alive, mine, from_ms, to_ms, zone),
        dyeing=_dyeing(vat, pieces, mine, alive, from_ms, to_ms),
        calibrations=calibrations_of(calibrations, vat, from_ms, to_ms),
        outages=outages_of(dict(hours.short_ms), episodes),
        taken_out=sum(entry.kind is EntryKind.PROBE_OUT for entry in alive),
        alarms=alarm_measures(episodes, {vat: alive}, from_ms, to_ms),
        fed_grams=_fed_grams(alive),
    )


def _hourly(reader: StoreReader, vat: str, quantity: str, from_ms: int, to_ms: int) -> dict[int, float]:
    """Means by the beginning of their UTC hour."""
    hours = -(-(to_ms + 1) // HOUR_MS) - from_ms // HOUR_MS
    points = reader.curve(vat, quantity, from_ms - from_ms % HOUR_MS, (-(-(to_ms + 1) // HOUR_MS)) * HOUR_MS, hours)  # type: ignore[arg-type]
    return {point.time_ms - point.time_ms % HOUR_MS: point.mean for point in points}


def _extremes(name: str, points: Sequence[CurvePoint]) -> Extremes:
    count = sum(point.count for point in points)
    if not count:
        return Extremes(name, None, None, None)
    mean = math.fsum(point.mean * point.count for point in points) / count
    return Extremes(name, min(point.low for point in points), mean, max(point.high for point in points))


def _limits(history: Sequence[tuple[int, VatCard]], vat: str, to_ms: int) -> tuple[tuple[int, VatCard], ...]:
    """The vat's cards as they changed."""
    found: list[tuple[int, VatCard]] = []
    for slot_ms, card in history:
        if card.vat == vat and slot_ms <= to_ms and (not found or found[-1][1] != card):
            found.append((slot_ms, card))
    return tuple(found)


def _dyed_in(piece: Piece) -> str:
    last = max(piece.dips, key=lambda dip: dip.end_ms or dip.start_ms, default=None)
    return "" if last is None else last.vat


def _dyeing(
    vat: str,
    pieces: Sequence[Piece],
    mine: Sequence[Piece],
    alive: Sequence[JournalEntry],
    from_ms: int,
    to_ms: int,
) -> DyeingFigures:
    dips = [d for piece in pieces for d in piece.dips if d.vat == vat and from_ms <= d.start_ms <= to_ms]
    dyed = [piece for piece in mine if from_ms <= (feeding.last_dip_ms(piece) or 0) <= to_ms]
    weights = [piece.dry_grams for piece in dyed if piece.dry_grams is not None]
    indigo = [
        e.grams for e in alive if e.kind is EntryKind.FEED and e.grams and feeding.use_of(e.what) is feeding.Use.INDIGO
    ]
    return DyeingFigures(
        dips=len(dips),
        liquor_min=math.fsum(dip.minutes for dip in dips if dip.minutes is not None),
        despite=sum(bool(dip.despite) for dip in dips),
        pieces=len(dyed),
        judged=sum(bool(piece.outcomes) for piece in dyed),
        weighed=len(weights),
        dyed_g=math.fsum(weights),
        indigo_g=math.fsum(indigo),
    )


def _fed_grams(journal: Sequence[JournalEntry]) -> tuple[tuple[str, float], ...]:
    fed: dict[str, float] = {}
    for entry in journal:
        if entry.kind is EntryKind.FEED and entry.grams is not None:
            fed[entry.what] = fed.get(entry.what, 0.0) + entry.grams
    return tuple(sorted(fed.items()))
