"""How long a probe takes to answer when something is done to the liquor, and whether that has grown. Pure.

An absolute time constant cannot be told from a vat: the chemistry's own pace is in it. What can be told is that the
same kind of feed or stir, which this probe used to follow within a minute, now takes it several times as long.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from statistics import median
from typing import Any

from vatwatch.vat.probe_signs import response_minutes

WATCHED_MINUTES = 30
SHORTEST_WATCH = 20
TOGETHER_MINUTES = 10
"""Deeds within this time of the first are one deed: a feed is often of two things."""
KEPT_ANSWERS = 6
KEPT_KINDS = 8
LEARNT_FROM = 2
LEARNT_FROM_ALL = 5
SLOWER_TIMES = 3.5
SLOWER_MINUTES = 3.0
SLOWEST_TIMES = 1.5
RECENT = 3
SLOW_OF_RECENT = 2
QUICK_AGAIN = 2
"""Two slow answers of the last three make a probe slow; two quick ones in a row forgive it."""


@dataclass(frozen=True, slots=True)
class Answers:
    """One probe: minutes to 63 % by kind of deed, from answers that were not slow; and which of the last were slow."""

    learnt: dict[str, tuple[float, ...]] = field(default_factory=dict)
    recent: tuple[bool, ...] = ()

    @property
    def is_slow(self) -> bool:
        return sum(self.recent) >= SLOW_OF_RECENT

    @property
    def is_quick_again(self) -> bool:
        return not any(self.recent[-QUICK_AGAIN:])


@dataclass(frozen=True, slots=True)
class Watch:
    """What was done, and each probe's minutes since, beside what it showed before."""

    deed: str
    base: dict[str, float]
    values: dict[str, tuple[float, ...]]


def watched(watch: Watch, means: Mapping[str, float | None]) -> Watch:
    """The watch with one minute more; a probe that gave nothing in it is watched no longer."""
    values = {probe: (*seen, mean) for probe, seen in watch.values.items() if (mean := means.get(probe)) is not None}
    return Watch(watch.deed, watch.base, values)


def is_over(watch: Watch) -> bool:
    return all(len(seen) >= WATCHED_MINUTES for seen in watch.values.values())


def judged(answers: Answers, deed: str, base: float, values: tuple[float, ...], least: float) -> Answers:
    """What one answer teaches. `least` is the size below which it says nothing (the unit of the probe's quantity)."""
    if len(values) < SHORTEST_WATCH:
        return answers
    size, minutes = response_minutes(base, values, least)
    if abs(size) < least:
        return answers
    known = answers.learnt.get(deed, ())
    # A deed not seen often enough is held against all the others together.
    like = known if len(known) >= LEARNT_FROM else tuple(time for times in answers.learnt.values() for time in times)
    if len(like) >= (LEARNT_FROM if like is known else LEARNT_FROM_ALL):
        usual = median(like)
        if minutes >= max(SLOWER_TIMES * usual, usual + SLOWER_MINUTES, SLOWEST_TIMES * max(like)):
            return Answers(answers.learnt, (*answers.recent, True)[-RECENT:])
    learnt = {**answers.learnt, deed: (*known, minutes)[-KEPT_ANSWERS:]}
    if len(learnt) > KEPT_KINDS:
        learnt.pop(next(iter(learnt)))
    return Answers(learnt, (*answers.recent, False)[-RECENT:])


def answers_from_plain(raw: Mapping[str, Any]) -> Answers:
    return Answers({deed: tuple(times) for deed, times in raw["learnt"].items()}, tuple(raw["recent"]))


def watch_from_plain(raw: Mapping[str, Any] | None) -> Watch | None:
    if raw is None:
        return None
    return Watch(raw["deed"], dict(raw["base"]), {probe: tuple(seen) for probe, seen in raw["values"].items()})
