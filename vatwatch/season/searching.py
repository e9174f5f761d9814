"""Which of a few settings would have told with the fewest needless pushes, without warning later than it was. Pure.

Objective, stated: among settings that missed no more excursions and told no fewer of them at least the lead ahead than the
settings in force did, the one with the fewest needless pushes; of equals the one with fewest pushes, then the first tried.
Excursions are those by the limits in force, so that a setting cannot win by calling fewer things an excursion.

Choosing among many by the same record flatters the choice. So the choice is made on each half of the span apart and tried
on the other half: that figure, and not the one it was chosen by, is what may be hoped for.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from vatwatch.season.replay import VatReplay
from vatwatch.season.telling import worth_of

LEAST_EXCURSIONS = 5
"""In each half; with fewer, one excursion more or less decides. Own choice, no source."""


@dataclass(frozen=True, slots=True)
class Score:
    """What one setting would have told of one part of the span, over all vats."""

    pushes: int
    needless: int
    excursions: int
    ahead: int
    missed: int

    def no_worse_than(self, other: Score) -> bool:
        return self.ahead >= other.ahead and self.missed <= other.missed


@dataclass(frozen=True, slots=True)
class Tried:
    """One setting of the grid; the first of all is the one in force, with an empty label."""

    label: str
    whole: Score
    first: Score
    second: Score


@dataclass(frozen=True, slots=True)
class SearchFinding:
    """`best` by the whole span, `best_first` and `best_second` by one half each; places in `tried`.

    `holds`: each half's choice was also no worse, and saved needless pushes, on the half it was not chosen on. `refusal`
    says why nothing should be read into it; empty when there were excursions enough.
    """

    lead_ms: int
    middle_ms: int
    tried: tuple[Tried, ...]
    best: int
    best_first: int
    best_second: int
    holds: bool
    refusal: str


def search_of(replays: Sequence[VatReplay], labels: Sequence[str], lead_ms: int) -> SearchFinding:
    """Score every track of `replays` (all with the same trials, in the order of `labels`; the unchanged one comes first)."""
    from_ms = min(replay.first_ms for replay in replays) - 1
    to_ms = max(replay.last_ms for replay in replays)
    middle_ms = (from_ms + to_ms) // 2
    tried = tuple(
        Tried(
            label,
            _score(replays, track, lead_ms, from_ms, to_ms),
            _score(replays, track, lead_ms, from_ms, middle_ms),
            _score(replays, track, lead_ms, middle_ms, to_ms),
        )
        for track, label in enumerate(("", *labels))
    )
    best_first = _best([one.first for one in tried])
    best_second = _best([one.second for one in tried])
    fewest = min(tried[0].first.excursions, tried[0].second.excursions)
    refusal = ""
    if fewest < LEAST_EXCURSIONS:
        refusal = (
            f"Too few excursions to choose by: {tried[0].first.excursions} in the first half of the span and "
            f"{tried[0].second.excursions} in the second, at least {LEAST_EXCURSIONS} are needed in each."
        )
    return SearchFinding(
        lead_ms=lead_ms,
        middle_ms=middle_ms,
        tried=tried,
        best=_best([one.whole for one in tried]),
        best_first=best_first,
        best_second=best_second,
        holds=_held(tried[best_first].second, tried[0].second) and _held(tried[best_second].first, tried[0].first),
        refusal=refusal,
    )


def _held(chosen: Score, in_force: Score) -> bool:
    return chosen.no_worse_than(in_force) and chosen.needless < in_force.needless


def _best(scores: Sequence[Score]) -> int:
    allowed = [place for place, score in enumerate(scores) if score.no_worse_than(scores[0])]
    return min(allowed, key=lambda place: (scores[place].needless, scores[place].pushes, place))


def _score(replays: Sequence[VatReplay], track: int, lead_ms: int, from_ms: int, to_ms: int) -> Score:
    worths = [
        worth_of(replay.tracks[track].told, replay.tracks[0].stays, replay.journal, from_ms, to_ms)
        for replay in replays
    ]
    return Score(
        pushes=sum(one.pushes for one in worths),
        needless=sum(len(one.needless) for one in worths),
        excursions=sum(len(one.verdicts) for one in worths),
        ahead=sum(one.told_ahead(lead_ms) for one in worths),
        missed=sum(one.missed for one in worths),
    )
