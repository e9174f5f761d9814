"""Pieces, derived from the journal alone: each collects its dips, finishing steps and outcomes. Pure.

A piece is known by its name. An entry that was taken back counts for nothing, and neither does the end of a dip whose
beginning was taken back.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from vatwatch.dyeing.steps import AIR_MIN, LIQUOR_MIN, PRE_WET_MIN, Detail, Part, Step
from vatwatch.records import JournalEntry
from vatwatch.terms import EntryKind

MINUTE_MS = 60_000
_OF_PIECES = (EntryKind.DIP, EntryKind.FINISH, EntryKind.OUTCOME)


class Stage(StrEnum):
    """Where a piece is."""

    NEW = "not dipped yet"
    PRE_WETTING = "pre-wetting"
    IN_LIQUOR = "in the liquor"
    AIRING = "airing"
    FINISHING = "finishing"
    JUDGED = "judged"


@dataclass(frozen=True, slots=True)
class Dip:
    """One dip. `end_ms` is None while the piece is in the liquor. `despite` says what the vat was when warned of it."""

    number: int
    vat: str
    entry_id: str
    start_ms: int
    end_ms: int | None
    planned_min: float
    despite: str = ""
    by: str = ""

    @property
    def minutes(self) -> float | None:
        return None if self.end_ms is None else (self.end_ms - self.start_ms) / MINUTE_MS


@dataclass(frozen=True, slots=True)
class Tick:
    """A finishing step that was done."""

    step: str
    time_ms: int
    entry_id: str
    minutes: float | None


@dataclass(frozen=True, slots=True)
class Piece:
    """A piece as far as the journal tells. `vat` is the one it was last in, or is wetted out for."""

    name: str
    vat: str
    fibre: str
    dry_grams: float | None
    dips: tuple[Dip, ...]
    ticks: tuple[Tick, ...]
    outcomes: tuple[JournalEntry, ...]
    pre_wet_ms: int | None
    pre_wet_min: float
    air_min: float
    planned_min: float
    first_ms: int
    last_ms: int

    @property
    def key(self) -> str:
        return piece_key(self.name)

    @property
    def running(self) -> Dip | None:
        """The dip it is in now."""
        return next((dip for dip in reversed(self.dips) if dip.end_ms is None), None)

    @property
    def stage(self) -> Stage:
        if self.running is not None:
            return Stage.IN_LIQUOR
        last_out = max((dip.end_ms or 0 for dip in self.dips), default=0)
        if any(outcome.time_ms >= last_out for outcome in self.outcomes):
            return Stage.JUDGED
        if any(tick.time_ms >= last_out for tick in self.ticks):
            return Stage.FINISHING
        if self.dips:
            return Stage.AIRING
        return Stage.NEW if self.pre_wet_ms is None else Stage.PRE_WETTING

    def done(self, step: Step) -> Tick | None:
        """The newest tick of a step since the last dip: a piece that is dipped again is finished again."""
        last_out = max((dip.end_ms or dip.start_ms for dip in self.dips), default=0)
        return next((tick for tick in reversed(self.ticks) if tick.step == step and tick.time_ms >= last_out), None)


def piece_key(name: str) -> str:
    """What two writings of one piece's name have in common."""
    return " ".join(name.split()).casefold()


def detail(entry: JournalEntry, name: Detail) -> str:
    """One named fact of an entry; empty when it has none of that name."""
    return next((value for key, value in entry.details if key == name), "")


def tells_of_piece(entry: JournalEntry) -> bool:
    """Whether an entry belongs to a piece's story."""
    if not piece_key(entry.what):
        return False
    return entry.kind in _OF_PIECES or (entry.kind is EntryKind.NOTE and detail(entry, Detail.STEP) == Step.PRE_WET)


def taken_back(entries: Iterable[JournalEntry]) -> set[str]:
    """The ids of entries that were taken back."""
    return {entry.what for entry in entries if entry.kind is EntryKind.UNDO}


def pieces_of(entries: Iterable[JournalEntry]) -> list[Piece]:
    """Every piece the entries tell of, the one with the newest entry first. Entries may come in any order."""
    entries = list(entries)
    void = taken_back(entries)
    void |= {entry.entry_id for entry in entries if detail(entry, Detail.OF) in void}
    stories: dict[str, list[JournalEntry]] = {}
    for entry in sorted(entries, key=lambda entry: (entry.time_ms, entry.logged_ms)):
        if entry.entry_id not in void and tells_of_piece(entry):
            stories.setdefault(piece_key(entry.what), []).append(entry)
    return sorted((_piece(story) for story in stories.values()), key=lambda piece: -piece.last_ms)


def _piece(story: Sequence[JournalEntry]) -> Piece:
    dips = _dips(story)
    pre_wet = next((entry for entry in reversed(story) if entry.kind is EntryKind.NOTE), None)
    # Fibre and dry weight are written once; a later entry that gives them again puts them right.
    return Piece(
        name=" ".join(story[0].what.split()),
        vat=story[-1].vat,
        fibre=_last_detail(story, Detail.FIBRE),
        dry_grams=_number(_last_detail(story, Detail.DRY_GRAMS)),
        dips=dips,
        ticks=tuple(
            Tick(detail(entry, Detail.STEP), entry.time_ms, entry.entry_id, entry.minutes)
            for entry in story
            if entry.kind is EntryKind.FINISH
        ),
        outcomes=tuple(entry for entry in story if entry.kind is EntryKind.OUTCOME),
        pre_wet_ms=None if pre_wet is None else pre_wet.time_ms,
        pre_wet_min=PRE_WET_MIN if pre_wet is None else _number(detail(pre_wet, Detail.PLANNED_MIN)) or PRE_WET_MIN,
        air_min=_number(_last_detail(story, Detail.AIR_MIN)) or AIR_MIN,
        planned_min=dips[-1].planned_min if dips else LIQUOR_MIN,
        first_ms=story[0].time_ms,
        last_ms=story[-1].time_ms,
    )


def _dips(story: Sequence[JournalEntry]) -> tuple[Dip, ...]:
    ends = {detail(entry, Detail.OF): entry for entry in story if detail(entry, Detail.PART) == Part.OUT}
    found: list[Dip] = []
    for entry in story:
        part = detail(entry, Detail.PART)
        if entry.kind is not EntryKind.DIP or part == Part.OUT:
            continue
        if part == Part.IN:
            end = ends.get(entry.entry_id)
            start_ms, end_ms = entry.time_ms, None if end is None else max(end.time_ms, entry.time_ms)
        else:
            # Written down when it was over.
            start_ms, end_ms = entry.time_ms - round((entry.minutes or 0.0) * MINUTE_MS), entry.time_ms
        found.append(
            Dip(
                number=len(found) + 1,
                vat=entry.vat,
                entry_id=entry.entry_id,
                start_ms=start_ms,
                end_ms=end_ms,
                planned_min=_number(detail(entry, Detail.PLANNED_MIN)) or entry.minutes or LIQUOR_MIN,
                despite=detail(entry, Detail.DESPITE),
                by=entry.by,
            )
        )
    return tuple(found)


def _last_detail(story: Sequence[JournalEntry], name: Detail) -> str:
    return next((value for entry in reversed(story) if (value := detail(entry, name))), "")


def _number(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None
