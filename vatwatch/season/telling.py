"""What the pushes of a span were worth: which excursions were told, how early, and which pushes nothing came of. Pure.

There is no hidden truth in a record: an excursion is a stay outside a limit by the vat's own readings. A push was needless
when no excursion of its limit came within half a day and nobody did anything about it. In a replay the vat goes on as it
did then: what would have been done upon another push is not in it.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass

from vatwatch.records import JournalEntry
from vatwatch.season.replay import Told
from vatwatch.season.stays import Stay
from vatwatch.terms import EntryKind, Urgency
from vatwatch.vat import tiring, window
from vatwatch.vat.alarms import Trigger
from vatwatch.vat.settings import HOUR_MS, MINUTE_MS

ALARMS_OF_LIMIT: dict[str, frozenset[str]] = {
    window.OFF_REDUCTION: frozenset({window.OFF_REDUCTION, tiring.TIRING_REDUCTION, tiring.DOUBTFUL}),
    window.OFF_PH_LOW: frozenset({window.OFF_PH_LOW, tiring.TIRING_PH}),
    window.OFF_PH_HIGH: frozenset({window.OFF_PH_HIGH}),
    window.OFF_COLD: frozenset({window.OFF_COLD, tiring.COOLING}),
    window.OFF_WARM: frozenset({window.OFF_WARM, tiring.HEATING, window.OVERHEAT}),
    window.OVERHEAT: frozenset({window.OVERHEAT, tiring.HEATING, window.OFF_WARM}),
}
"""Which alarms speak of which limit."""
_LIMITS_OF_ALARM = {
    alarm: frozenset(limit for limit, alarms in ALARMS_OF_LIMIT.items() if alarm in alarms)
    for alarms in ALARMS_OF_LIMIT.values()
    for alarm in alarms
}
AHEAD_MS = 24 * HOUR_MS
"""A push longer before an excursion than this is not taken for its warning."""
COMES_WITHIN_MS = 12 * HOUR_MS
ACTED_WITHIN_MS = 6 * HOUR_MS
SHORT_SILENCE_MS = 10 * MINUTE_MS
ACTS = (EntryKind.FEED, EntryKind.TOP_UP, EntryKind.COVER, EntryKind.REMADE)
_LOOKED = (EntryKind.CHECK,)
_DID = (EntryKind.FEED, EntryKind.STIR, EntryKind.DIP, EntryKind.TOP_UP, EntryKind.REMADE)
_SILENT = ("silent-ph", "silent-orp", "silent-temperature")


@dataclass(frozen=True, slots=True)
class Verdict:
    """One excursion and the first push that spoke of it. `first_ms` None: none did, it was missed."""

    stay: Stay
    first_ms: int | None

    @property
    def ahead_ms(self) -> int | None:
        """How long before its beginning it was told; negative: so long after."""
        return None if self.first_ms is None else self.stay.from_ms - self.first_ms


@dataclass(frozen=True, slots=True)
class Worth:
    """One vat's pushes against its excursions. `needless` are among `raised`; repetitions and all-clears are in neither."""

    pushes: int
    raised: tuple[Told, ...]
    needless: tuple[Told, ...]
    verdicts: tuple[Verdict, ...]

    def told_ahead(self, lead_ms: int) -> int:
        return sum(one.ahead_ms is not None and one.ahead_ms >= lead_ms for one in self.verdicts)

    @property
    def told(self) -> int:
        return sum(one.first_ms is not None for one in self.verdicts)

    @property
    def missed(self) -> int:
        return len(self.verdicts) - self.told


def worth_of(
    told: Sequence[Told], stays: Sequence[Stay], journal: Sequence[JournalEntry], from_ms: int, to_ms: int
) -> Worth:
    """What the pushes of one vat at slots in (from_ms, to_ms] were worth against stays that begin in it.

    `told`, `stays` and `journal` are one vat's, over the whole span: a part of it is judged with what lies around it.
    """
    within = [one for one in told if from_ms < one.slot_ms <= to_ms]
    raised = [one for one in told if one.transition == Trigger.OCCURS.value]
    mine = tuple(one for one in raised if from_ms < one.slot_ms <= to_ms)
    acts = _times(journal, ACTS)
    looks = _times(journal, (*ACTS, *_LOOKED))
    doings = _times(journal, _DID)
    over = [one for one in told if one.transition == Trigger.RETURNS.value]
    return Worth(
        pushes=len(within),
        raised=mine,
        needless=tuple(one for one in mine if _needless(one, stays, acts, looks, doings, over)),
        verdicts=tuple(
            Verdict(stay, _first_word(stay, raised, stays))
            for stay in stays
            if stay.counts and from_ms < stay.from_ms <= to_ms
        ),
    )


def _times(journal: Sequence[JournalEntry], kinds: Sequence[EntryKind]) -> list[int]:
    void = {entry.what for entry in journal if entry.kind is EntryKind.UNDO}
    return sorted(entry.time_ms for entry in journal if entry.kind in kinds and entry.entry_id not in void)


def _any_within(times: Sequence[int], from_ms: int, to_ms: int) -> bool:
    place = bisect_left(times, from_ms)
    return place < len(times) and times[place] <= to_ms


def _first_word(stay: Stay, raised: Sequence[Told], stays: Sequence[Stay]) -> int | None:
    """The first push about the stay's limit: after the excursion of that limit before it, at most a day ahead."""
    before = max(
        (one.to_ms for one in stays if one.limit == stay.limit and one.counts and one.to_ms < stay.from_ms), default=0
    )
    begin_ms = max(before + 1, stay.from_ms - AHEAD_MS)
    about = ALARMS_OF_LIMIT[stay.limit]
    return next((one.slot_ms for one in raised if one.alarm in about and begin_ms <= one.slot_ms <= stay.to_ms), None)


def _needless(
    told: Told,
    stays: Sequence[Stay],
    acts: Sequence[int],
    looks: Sequence[int],
    doings: Sequence[int],
    over: Sequence[Told],
) -> bool:
    at_ms = told.slot_ms
    if told.alarm in _SILENT:
        return any(one.alarm in _SILENT and 0 <= one.slot_ms - at_ms < SHORT_SILENCE_MS for one in over)
    if told.alarm == tiring.UNLOGGED:
        return not _any_within(doings, at_ms - ACTED_WITHIN_MS, at_ms + ACTED_WITHIN_MS)
    if _any_within(looks if told.alarm == tiring.DOUBTFUL else acts, at_ms + 1, at_ms + ACTED_WITHIN_MS):
        return False
    limits = _LIMITS_OF_ALARM.get(told.alarm, frozenset())
    danger = told.urgency == Urgency.DANGER.value
    return not any(
        stay.limit in limits
        and (stay.counts or danger)
        and stay.from_ms <= at_ms + COMES_WITHIN_MS
        and stay.to_ms >= at_ms
        for stay in stays
    )
