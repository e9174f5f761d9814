"""How long a probe takes to answer when something is done to the liquor, and whether that has grown. Pure.

An absolute time constant cannot be told from a vat: the chemistry's own pace is in it. What can be told is that the
same kind of feed or stir, which this probe used to follow within a minute, now takes it several times as long.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from statistics import median
from typing import Any

from vatwatch.terms import Quantity
from vatwatch.vat.probe_signs import answer_minutes

WATCHED_MINUTES = 30
SHORTEST_WATCH = 20
TOGETHER_MINUTES = 10
"""Deeds within this time of the first are one deed: a feed is often of two things."""
KEPT_ANSWERS = 8
KEPT_KINDS = 16
LEARNT_FROM = 3
LEARNT_FROM_ALL = 6
SLOWER_TIMES = 3.0
SLOWER_MINUTES = 5.0
SLOWEST_TIMES = 1.3
UNPOISED = {Quantity.ORP: 200.0}
"""mV above its usual level: with the reductant gone nothing holds the potential, and it creeps whatever the platinum is
like. Judgement."""
RISES_BY = 0.1
RECENT = 4
QUICK_AGAIN = 2
"""So many slow answers without a quick one between them make a probe slow; two quick ones in a row forgive it."""
QUICK_TIMES = 1.5
"""An answer this close to the quickest quarter of all is proof of a clean probe: a coated one has no quick answer left,
while a liquor that has none left for one deed may have one for the next."""


@dataclass(frozen=True, slots=True)
class Answers:
    """One probe: minutes to 63 % by kind of deed, from answers that were not slow, and what the last answers were.

    Of `recent`, True was slow, False as quick as it ever is; what was neither says nothing and is left out.

    `usual` is the level the deeds found it at; it follows a fall at once and a rise slowly (see `UNPOISED`).
    """

    learnt: dict[str, tuple[float, ...]] = field(default_factory=dict)
    recent: tuple[bool, ...] = ()
    usual: float | None = None

    @property
    def is_slow(self) -> bool:
        return len(self.recent) == RECENT and all(self.recent)

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


def judged(
    answers: Answers, deed: str, base: float, values: tuple[float, ...], least: float, unpoised: float = math.inf
) -> Answers:
    """What one answer teaches. `least` is the size below which it says nothing (the unit of the probe's quantity).

    One from a level higher than the usual by `unpoised` is passed over: another liquor answers there.
    """
    if len(values) < SHORTEST_WATCH:
        return answers
    before = base if answers.usual is None else answers.usual
    usual = min(base, before + RISES_BY * (base - before))
    if base - before > unpoised:
        return Answers(answers.learnt, answers.recent, usual)
    learnt = answers.learnt
    verdicts: list[bool] = []
    for way, minutes in zip(("out", "back"), answer_minutes(base, values, least), strict=True):
        if minutes is None:
            continue
        key = f"{deed}/{way}"
        known = learnt.get(key, ())
        slow = _is_slow(minutes, known, _alike(learnt, deed, way))
        if slow:
            verdicts.append(True)
        elif slow is not None and way == "out" and _is_quick(minutes, learnt):
            verdicts.append(False)
        if not slow:
            learnt = {**learnt, key: (*known, minutes)[-KEPT_ANSWERS:]}
            if len(learnt) > KEPT_KINDS:
                learnt.pop(next(iter(learnt)))
    recent = answers.recent
    if verdicts:
        recent = (*recent, all(verdicts))[-RECENT:]
    return Answers(learnt, recent, usual)


def _is_quick(minutes: float, learnt: Mapping[str, tuple[float, ...]]) -> bool:
    every = sorted(time for times in learnt.values() for time in times)
    return len(every) >= LEARNT_FROM_ALL and minutes <= QUICK_TIMES * every[len(every) // 4]


def _alike(learnt: Mapping[str, tuple[float, ...]], deed: str, way: str) -> list[float]:
    """What a deed seldom seen is held against: deeds of its own verb when enough are known, else all that went its way.

    A feed dissolves within minutes where a top-up or a stir may take a quarter of an hour to show.
    """
    verb = deed.split(" ")[0]
    same = [time for one, times in learnt.items() if one.endswith(way) and one.startswith(verb) for time in times]
    if len(same) >= LEARNT_FROM_ALL:
        return same
    return [time for one, times in learnt.items() if one.endswith(way) for time in times]


def _is_slow(minutes: float, known: tuple[float, ...], others: list[float]) -> bool | None:
    """Whether an answer took too long; None while too little is learnt. A deed seldom seen is held against all."""
    if len(known) < LEARNT_FROM and len(others) < LEARNT_FROM_ALL:
        return None
    like = sorted(known if len(known) >= LEARNT_FROM else others)
    usual = median(like)
    # The slowest of several may have been the liquor's own doing: the second slowest counts.
    slowest = like[-2] if len(like) > 3 else like[-1]
    return minutes >= max(SLOWER_TIMES * usual, usual + SLOWER_MINUTES, SLOWEST_TIMES * slowest)


def answers_from_plain(raw: Mapping[str, Any]) -> Answers:
    return Answers(
        {deed: tuple(times) for deed, times in raw["learnt"].items()}, tuple(raw["recent"]), raw.get("usual")
    )


def watch_from_plain(raw: Mapping[str, Any] | None) -> Watch | None:
    if raw is None:
        return None
    return Watch(raw["deed"], dict(raw["base"]), {probe: tuple(seen) for probe, seen in raw["values"].items()})
