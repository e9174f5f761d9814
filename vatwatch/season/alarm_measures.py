"""How well the alarms serve: rate, chattering, stale, floods, needless. Pure.

Measures after ANSI/ISA-18.2-2016 and IEC 62682:2014, clause on monitoring and assessment; yardsticks as EEMUA
publication 191 gives them, from memory: chattering is three or more within a minute, stale is standing for more than
24 h, a flood is more than ten within ten minutes.
"""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from vatwatch.records import JournalEntry
from vatwatch.season.episodes import Episode
from vatwatch.season.excursions import DEEDS, any_between

MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS
DAY_MS = 24 * HOUR_MS
CHATTER_COUNT, CHATTER_MS = 3, MINUTE_MS
FLOOD_MORE_THAN, FLOOD_MS = 10, 10 * MINUTE_MS
STALE_MS = DAY_MS
BACK_AGAIN_MS = HOUR_MS


@dataclass(frozen=True, slots=True)
class AlarmMeasures:
    """`chattering` counts alarms (of one vat each), the others episodes, `floods` stretches.

    `again`: raised within an hour after the same alarm had gone. `needless`: over again although no deed was written down
    while it stood. `stale`: stood for more than 24 h, or had so at the end. `most` are the commonest (vat, alarm, count).
    """

    raised: int
    per_day: float
    acknowledged: int
    chattering: int
    again: int
    stale: int
    needless: int
    ended: int
    floods: int
    most: tuple[tuple[str, str, int], ...]


def alarm_measures(
    episodes: Sequence[Episode], journals: Mapping[str, Sequence[JournalEntry]], from_ms: int, to_ms: int
) -> AlarmMeasures:
    """Measures over the episodes raised in the span; `journals` by vat, by time, without what was taken back."""
    raised = [episode for episode in episodes if episode.raised_ms is not None]
    deeds = {vat: [e.time_ms for e in journal if e.kind in DEEDS] for vat, journal in journals.items()}
    by_alarm: dict[tuple[str, str], list[Episode]] = {}
    for episode in sorted(raised, key=lambda one: one.raised_ms or 0):
        by_alarm.setdefault((episode.vat, episode.alarm), []).append(episode)
    needless = sum(
        not any_between(deeds.get(one.vat, ()), one.raised_ms or 0, one.normal_ms)
        for one in raised
        if one.normal_ms is not None
    )
    counts = Counter({key: len(group) for key, group in by_alarm.items()})
    return AlarmMeasures(
        raised=len(raised),
        per_day=len(raised) * DAY_MS / (to_ms - from_ms),
        acknowledged=sum(one.acknowledged_ms is not None for one in raised),
        chattering=sum(_crowded([one.raised_ms or 0 for one in group]) for group in by_alarm.values()),
        again=sum(_again(group) for group in by_alarm.values()),
        stale=sum(_stood_ms(one, to_ms) > STALE_MS for one in raised),
        needless=needless,
        ended=sum(one.normal_ms is not None for one in raised),
        floods=_floods(sorted(one.raised_ms or 0 for one in raised)),
        most=tuple((*key, count) for key, count in sorted(counts.items(), key=lambda pair: (-pair[1], pair[0]))[:5]),
    )


def _crowded(times: Sequence[int]) -> bool:
    return any(later - earlier <= CHATTER_MS for earlier, later in zip(times, times[CHATTER_COUNT - 1 :], strict=False))


def _again(group: Sequence[Episode]) -> int:
    return sum(
        before.normal_ms is not None and 0 <= (after.raised_ms or 0) - before.normal_ms <= BACK_AGAIN_MS
        for before, after in itertools.pairwise(group)
    )


def _stood_ms(episode: Episode, to_ms: int) -> int:
    # What was shelved or put out of service no longer stands before anybody's eyes.
    if episode.raised_ms is None or (episode.normal_ms is None and episode.set_aside):
        return 0
    return (to_ms if episode.normal_ms is None else episode.normal_ms) - episode.raised_ms


def _floods(times: Sequence[int]) -> int:
    """Stretches in each of which more than ten came within ten minutes."""
    found, within = 0, False
    for place, time in enumerate(times):
        earliest = place - FLOOD_MORE_THAN
        crowded = earliest >= 0 and time - times[earliest] <= FLOOD_MS
        found += crowded and not within
        within = crowded
    return found
