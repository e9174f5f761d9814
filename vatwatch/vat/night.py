"""The evening outlook and the morning report: one message each for the whole shed, at a set hour. Pure.

Evening: will each vat hold until morning, and what to do now if not. Morning: what happened, and which vat is dyeable.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo

from vatwatch.records import Push, Scan
from vatwatch.terms import Urgency, VatCondition
from vatwatch.vat import tiring, window
from vatwatch.vat.advice import what_to_do
from vatwatch.vat.phrases import clock_words, condition_words, reduction_words
from vatwatch.vat.settings import HOUR_MS, MINUTE_MS, VatSettings
from vatwatch.vat.state import VatState
from vatwatch.vat.wording import WHAT, alarm_words

_WARNS = {limit: alarm for alarm, limit in tiring.LIMIT_AHEAD.items()}


UNFORESEEN = "As the vats stand now; a lid left off, a heater that sticks or anything done to them later changes it."
"""An evening knows no mishaps of the night: none is promised away."""

NIGHT_MS = 12 * HOUR_MS
"""How far back the morning report looks."""


@dataclass(frozen=True, slots=True)
class NightSettings:
    """Minutes after local midnight at which outlook and report are due (None: not at all), and when silence is enough."""

    timezone: tzinfo
    evening_minute: int | None = 20 * 60
    morning_minute: int | None = 7 * 60
    silent_when_well: bool = False


@dataclass(frozen=True, slots=True)
class VatNow:
    """One vat as it stands after a slot."""

    settings: VatSettings
    state: VatState
    scan: Scan


def due(minute: int | None, zone: tzinfo, before_ms: int, now_ms: int) -> bool:
    """Whether the local time `minute` (after midnight) was passed in (before, now]; once a day, whatever the clock does."""
    if minute is None or now_ms - before_ms > HOUR_MS:
        return False
    return _minute_of_day(before_ms, zone) < minute <= _minute_of_day(now_ms, zone)


def _minute_of_day(time_ms: int, zone: tzinfo) -> float:
    then = datetime.fromtimestamp(time_ms / 1000, tz=UTC).astimezone(zone)
    return then.hour * 60 + then.minute + then.second / 60


def night_pushes(night: NightSettings, vats: Sequence[VatNow], before_ms: int, now_ms: int) -> list[Push]:
    """The evening outlook or the morning report, in the slot (before, now] in which its hour strikes; else nothing."""
    push = None
    if due(night.evening_minute, night.timezone, before_ms, now_ms):
        push = evening_outlook(night, vats, now_ms)
    elif due(night.morning_minute, night.timezone, before_ms, now_ms):
        push = morning_report(night, vats, now_ms - NIGHT_MS, now_ms)
    return [] if push is None else [push]


def evening_outlook(night: NightSettings, vats: Sequence[VatNow], now_ms: int) -> Push | None:
    """One message: each vat's night. None when all hold and the dyer wants no word then."""
    morning_ms = now_ms + _minutes_until(night.morning_minute or 7 * 60, now_ms, night.timezone) * MINUTE_MS
    lines, falling, unsure = [], [], []
    for vat in vats:
        word = night_of(vat, now_ms, morning_ms, night.timezone)
        lines.append(f"{vat.settings.name}: {word.words}")
        if not word.holds:
            falling.append(vat.settings.name)
        elif word.look:
            unsure.append(vat.settings.name)
    if not falling and not unsure and night.silent_when_well:
        return None
    if falling:
        title = f"Tonight: {_and(falling)} will not hold"
    elif unsure:
        title = f"Tonight: look at {_and(unsure)} before bed"
    else:
        title = "Tonight: every vat should hold"
    if len(falling) < len(vats):
        lines.append(UNFORESEEN)
    urgency = Urgency.ACT if falling else Urgency.TELL
    return Push(f"evening-{now_ms}", now_ms, "", "evening", urgency, title, "\n".join(lines))


@dataclass(frozen=True, slots=True)
class NightWord:
    """One vat's night: whether it holds, the limits that speak against it, whether a look would help, and the words."""

    holds: bool
    words: str
    limits: tuple[str, ...] = ()
    look: bool = False
    known: bool = True


def night_of(vat: VatNow, now_ms: int, morning_ms: int, zone: tzinfo) -> NightWord:
    """What can be said of one vat's night from here."""
    settings, state, scan = vat.settings, vat.state, vat.scan
    if scan.condition is VatCondition.UNKNOWN:
        return NightWord(False, f"cannot be told; {condition_words(scan, zone)}", known=False)
    if scan.condition in (VatCondition.OFF, VatCondition.TOO_HOT):
        worst = next((s for s in scan.shortfalls if s in WHAT), window.OFF_REDUCTION)
        return NightWord(False, f"{WHAT[worst]} already. {what_to_do(worst, settings, state, scan)}", (worst,))
    coming = [
        one
        for one in state.ahead.crossings
        if one.median_ms <= morning_ms
        and one.limit in state.been_inside
        and (settings.warmed or one.limit in _CHEMICAL)
    ]
    if not coming:
        likely = [one for one in state.ahead.chances if one.night >= 0.5 and one.limit in state.been_inside]
        if likely:
            # No hour can be named: it may stand there already, for all that is known of it.
            worst = max(likely, key=lambda one: one.night).limit
            doing = what_to_do(_WARNS.get(worst, worst), settings, state, scan)
            words = f"may well be {WHAT[worst]} by morning. Look at the liquor before bed. {doing}"
            return NightWord(False, words, tuple(one.limit for one in likely), look=worst == window.OFF_REDUCTION)
        chance = state.ahead.chance(window.OFF_REDUCTION)
        sure = scan.reduction is not None and scan.reduction.probability_fit >= window.SURE_ENOUGH
        sure = sure and (chance is None or chance.night <= 1.0 - window.SURE_ENOUGH)
        until, since_ms = clock_words(morning_ms, now_ms, zone), _watched_since_ms(state, now_ms)
        if now_ms - since_ms < WATCHED_LONG_ENOUGH_MS:
            since = clock_words(since_ms, now_ms, zone)
            doubt = f"if it goes on as since {since}: too short to foretell a night. Look at the liquor before bed."
        elif not sure:
            doubt = "but nobody can be sure: a look at the liquor before bed would tell."
        else:
            return NightWord(True, f"should hold until {until}.")
        return NightWord(True, f"may hold until {until}, {doubt}", look=True)
    first = min(coming, key=lambda one: one.median_ms)
    late = "" if first.late_ms is None else f", at the latest {clock_words(first.late_ms, now_ms, zone)}"
    early, middle = clock_words(first.early_ms, now_ms, zone), clock_words(first.median_ms, now_ms, zone)
    when = f"about {middle} (perhaps as early as {early}{late})"
    alarm = _WARNS.get(first.limit, first.limit)
    words = f"{WHAT[first.limit]} from {when}. {what_to_do(alarm, settings, state, scan)}"
    return NightWord(False, words, tuple(one.limit for one in coming))


WATCHED_LONG_ENOUGH_MS = 3 * HOUR_MS
"""A vat watched for less has shown no trend yet that a night could be read from. Judgement."""


def _watched_since_ms(state: VatState, now_ms: int) -> int:
    return state.ahead.lately[0].start_ms if state.ahead.lately else now_ms


_CHEMICAL = (window.OFF_REDUCTION, window.OFF_PH_LOW)
"""Limits a vat without a heater can be told to cross overnight; its temperature follows the room and is nobody's doing."""


def morning_report(night: NightSettings, vats: Sequence[VatNow], since_ms: int, now_ms: int) -> Push | None:
    """One message: what happened to each vat since the evening, and whether it is dyeable."""
    lines, ready, eventful = [], [], False
    for vat in vats:
        lately = sorted(
            (memory.last_raised_ms, alarm_words(name))
            for name, memory in vat.state.alarms.items()
            if memory.last_raised_ms is not None and memory.last_raised_ms > since_ms
        )
        raised = [f"{what} at {clock_words(at_ms, now_ms, night.timezone)}" for at_ms, what in lately]
        eventful = eventful or bool(raised)
        happened = f" In the night: {', '.join(raised)}." if raised else " A quiet night."
        share = ""
        if vat.scan.reduction is not None:
            share = f" {reduction_words(vat.scan.reduction, vat.settings.window.reduction_low)}."
            share = " ≥ 99 % reduced." if vat.scan.reduction.saturated else share[:1] + share[1:2].upper() + share[2:]
        lines.append(f"{vat.settings.name}: {_stands(vat.scan, night.timezone)}{share}{happened}")
        if vat.scan.condition is VatCondition.DYEABLE:
            ready.append(vat.settings.name)
    if night.silent_when_well and not eventful and len(ready) == len(vats):
        return None
    title = (
        f"This morning: {_and(ready)} {'is' if len(ready) == 1 else 'are'} dyeable"
        if ready
        else "This morning: no vat is dyeable"
    )
    return Push(f"morning-{now_ms}", now_ms, "", "morning", Urgency.TELL, title, "\n".join(lines))


def _stands(scan: Scan, zone: tzinfo) -> str:
    """The condition, and where it is off what it is off by."""
    wrong = [WHAT[one] for one in scan.shortfalls if one in WHAT]
    if scan.condition is VatCondition.OFF and wrong:
        return f"Off: {_and(wrong)}."
    return condition_words(scan, zone)


def _minutes_until(minute: int, now_ms: int, zone: tzinfo) -> int:
    return int(minute - _minute_of_day(now_ms, zone)) % (24 * 60)


def _and(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
