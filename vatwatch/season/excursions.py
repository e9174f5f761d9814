"""Alarm episodes beside the journal: what came before, how soon it was noticed, acted upon and over. Pure.

What came before an excursion is the last thing written down within six hours; it is a neighbour in time, not a proof.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from vatwatch.records import JournalEntry
from vatwatch.season.episodes import Episode
from vatwatch.terms import EntryKind

CAUSE_MS = 6 * 3_600_000
DEEDS = (
    EntryKind.FEED,
    EntryKind.STIR,
    EntryKind.TOP_UP,
    EntryKind.COVER,
    EntryKind.REMADE,
    EntryKind.PROBE_OUT,
    EntryKind.PROBE_BACK,
)
"""What a person can do about an excursion and writes down."""
_BEFORE = (*DEEDS, EntryKind.DIP)
NOTHING = "nothing written down"


@dataclass(frozen=True, slots=True)
class Excursion:
    """An episode and what people did. Times to notice, act and recover are in ms from when it was raised; None: never.

    Noticed: the first acknowledgement, or anything written of this vat. Acted: the first deed written down while it
    stood. `before` is the kind of the last thing written within six hours before, `before_ms` how long before.
    """

    episode: Episode
    before: str
    before_ms: int | None
    notice_ms: int | None
    act_ms: int | None
    recover_ms: int | None


@dataclass(frozen=True, slots=True)
class ExcursionSummary:
    """All excursions of one alarm of a vat. Lengths in ms; medians over those that have one; None where none has."""

    alarm: str
    count: int
    total_ms: int
    longest_ms: int | None
    notice_ms: float | None
    act_ms: float | None
    recover_ms: float | None
    unacted: int
    most_often_after: str
    most_often_count: int


def excursions_of(episodes: Sequence[Episode], journal: Sequence[JournalEntry]) -> tuple[Excursion, ...]:
    """Excursions in the order of the episodes; `journal` is the vat's own, by time, without what was taken back."""
    before = [entry for entry in journal if entry.kind in _BEFORE]
    deeds = [entry.time_ms for entry in journal if entry.kind in DEEDS]
    written = [entry.time_ms for entry in journal]
    before_times = [entry.time_ms for entry in before]
    return tuple(_excursion(episode, before, before_times, deeds, written) for episode in episodes)


def _excursion(
    episode: Episode,
    before: Sequence[JournalEntry],
    before_times: Sequence[int],
    deeds: Sequence[int],
    written: Sequence[int],
) -> Excursion:
    raised_ms = episode.raised_ms
    if raised_ms is None:
        return Excursion(episode, "", None, None, None, None)
    end_ms = episode.normal_ms
    place = bisect_right(before_times, raised_ms) - 1
    cause, cause_ms = NOTHING, None
    if place >= 0 and raised_ms - before_times[place] <= CAUSE_MS:
        cause, cause_ms = before[place].kind.value, raised_ms - before_times[place]
    noticed = [time for time in (episode.acknowledged_ms, _first(written, raised_ms, end_ms)) if time is not None]
    acted = _first(deeds, raised_ms, end_ms)
    return Excursion(
        episode,
        cause,
        cause_ms,
        min(noticed) - raised_ms if noticed else None,
        None if acted is None else acted - raised_ms,
        episode.lasted_ms,
    )


def _first(times: Sequence[int], after_ms: int, until_ms: int | None) -> int | None:
    """The first time later than one and not later than the other."""
    place = bisect_right(times, after_ms)
    if place == len(times) or (until_ms is not None and times[place] > until_ms):
        return None
    return times[place]


def summaries_of(excursions: Sequence[Excursion]) -> tuple[ExcursionSummary, ...]:
    """One per alarm, the one that lasted longest in all first."""
    grouped: dict[str, list[Excursion]] = {}
    for excursion in excursions:
        grouped.setdefault(excursion.episode.alarm, []).append(excursion)
    return tuple(
        sorted((_summary(alarm, group) for alarm, group in grouped.items()), key=lambda one: (-one.total_ms, one.alarm))
    )


def _summary(alarm: str, group: Sequence[Excursion]) -> ExcursionSummary:
    lasted = [one.recover_ms for one in group if one.recover_ms is not None]
    causes = Counter(one.before for one in group if one.before)
    most = max(causes.values(), default=0)
    return ExcursionSummary(
        alarm=alarm,
        count=len(group),
        total_ms=sum(lasted),
        longest_ms=max(lasted, default=None),
        notice_ms=_median([one.notice_ms for one in group]),
        act_ms=_median([one.act_ms for one in group]),
        recover_ms=_median([one.recover_ms for one in group]),
        unacted=sum(one.act_ms is None and one.episode.raised_ms is not None for one in group),
        most_often_after=min((cause for cause, count in causes.items() if count == most), default=""),
        most_often_count=most,
    )


def _median(values: Sequence[int | None]) -> float | None:
    known = [value for value in values if value is not None]
    return float(median(known)) if known else None


def any_between(times: Sequence[int], after_ms: int, until_ms: int) -> bool:
    """Whether one of the sorted times is in (after, until]."""
    return bisect_right(times, until_ms) > bisect_left(times, after_ms + 1)
