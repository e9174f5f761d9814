"""A back-test in words and table rows. Pure; computes nothing but differences of times, and knows no terminal."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from vatwatch.season import words
from vatwatch.season.backtest import Moved, VatBacktest
from vatwatch.season.searching import Score, SearchFinding, Tried
from vatwatch.season.telling import Verdict, Worth
from vatwatch.vat.settings import MINUTE_MS

SHOWN = 40
"""Lines of one list before the rest is only counted."""
WHAT_IT_IS_NOT = (
    "The vat goes on as it did then: what you would have done upon another message is not in this. Evening outlook and "
    "morning report belong to the shed and are left out."
)
Time = Callable[[int], str]


def rows(backtest: VatBacktest, lead_ms: int) -> list[tuple[str, str, str]]:
    """(what, as it was, with the change) for one vat's table; the third is empty where nothing was changed."""
    found = _rows(backtest.recorded, backtest.changed, lead_ms)
    if backtest.recorded_by_changed is not None and backtest.changed_by_changed is not None:
        found += [
            (f"{what}, by the changed limits", then, now)
            for what, then, now in _rows(backtest.recorded_by_changed, backtest.changed_by_changed, lead_ms)
            if what.startswith(("excursions", "told", "missed", "needless"))
        ]
    return found


def _rows(then: Worth, now: Worth | None, lead_ms: int) -> list[tuple[str, str, str]]:
    figures: list[tuple[str, Callable[[Worth], int]]] = [
        ("messages", lambda one: one.pushes),
        ("of them new alarms", lambda one: len(one.raised)),
        ("needless", lambda one: len(one.needless)),
        ("excursions over 30 min", lambda one: len(one.verdicts)),
        (f"told {words.length(lead_ms)} ahead or more", lambda one: one.told_ahead(lead_ms)),
        ("told later or while it lasted", lambda one: one.told - one.told_ahead(lead_ms)),
        ("missed", lambda one: one.missed),
    ]
    return [(what, str(of(then)), "" if now is None else str(of(now))) for what, of in figures]


def equality_words(backtest: VatBacktest, name: str) -> str:
    """Whether the unchanged replay gave what was recorded."""
    slots = f"{backtest.slots:,}".replace(",", " ")
    if not backtest.differing:
        return f"{name}: {slots} slots replayed unchanged; every scan, flag, alarm and message is the one recorded."
    return (
        f"{name}: {backtest.differing} of {slots} slots do not come out as they were recorded. Another version of vatwatch "
        "wrote them, or the record was damaged; both columns below are by this version."
    )


def excursion_words(backtest: VatBacktest, time: Time) -> list[str]:
    """Every excursion that the change tells earlier, later, or not at all."""
    if backtest.changed is None:
        return _limited([_told_of(one, time) for one in backtest.recorded.verdicts])
    pairs = list(zip(backtest.recorded.verdicts, backtest.changed.verdicts, strict=True))
    if backtest.recorded_by_changed is not None and backtest.changed_by_changed is not None:
        pairs = list(zip(backtest.recorded_by_changed.verdicts, backtest.changed_by_changed.verdicts, strict=True))
    return _limited(
        [
            f"{_told_of(then, time)} as it was; {_when(now)} with the change."
            for then, now in pairs
            if then.first_ms != now.first_ms
        ]
    )


def moved_words(moved: Sequence[Moved], time: Time) -> list[str]:
    """Every message that differs, in plain words."""
    return _limited([_moved(one, time) for one in moved])


def search_words(finding: SearchFinding) -> list[str]:
    """What the search found and how far it may be believed."""
    in_force, best = finding.tried[0], finding.tried[finding.best]
    said = []
    if finding.refusal:
        said.append(finding.refusal)
    if finding.best == 0:
        said.append("None of the settings tried would have been better than the ones in force.")
        return said
    said.append(
        f"Fewest needless messages over the whole span: {best.label}, with {best.whole.needless} instead of "
        f"{in_force.whole.needless}, and {_ahead(best.whole)} as before {_ahead(in_force.whole)}."
    )
    for chosen, half, other, score in (
        (finding.best_first, "first", "second", lambda one: one.second),
        (finding.best_second, "second", "first", lambda one: one.first),
    ):
        said.append(_half(finding.tried, chosen, half, other, score))
    said.append(
        "The choice holds on the half it was not made on."
        if finding.holds
        else "The choice does not hold on the half it was not made on: it may be chance, and is better left alone."
    )
    return said


def _half(tried: Sequence[Tried], chosen: int, half: str, other: str, score: Callable[[Tried], Score]) -> str:
    then, now = score(tried[0]), score(tried[chosen])
    label = tried[chosen].label or "the settings in force"
    return (
        f"Chosen on the {half} half alone: {label}. On the {other} half that gives {now.needless} needless messages instead "
        f"of {then.needless}, with {_ahead(now)} instead of {_ahead(then)}."
    )


def _ahead(score: Score) -> str:
    return f"{score.ahead} of {score.excursions} excursions told in time"


def _told_of(verdict: Verdict, time: Time) -> str:
    stay = verdict.stay
    return f"{time(stay.from_ms)} to {time(stay.to_ms)}, {words.alarm(stay.limit)}: {_when(verdict)}"


def _when(verdict: Verdict) -> str:
    ahead = verdict.ahead_ms
    if ahead is None:
        return "never told"
    if ahead >= MINUTE_MS:
        return f"told {words.length(ahead)} ahead"
    return "told as it began" if ahead > -MINUTE_MS else f"told {words.length(-ahead)} after it began"


def _moved(moved: Moved, time: Time) -> str:
    title = moved.told.title
    if moved.then_ms is None:
        return f"{time(moved.told.slot_ms)} “{title}” would have come as well"
    if moved.now_ms is None:
        return f"{time(moved.told.slot_ms)} “{title}” would not have come"
    shift = moved.then_ms - moved.now_ms
    way = "earlier" if shift > 0 else "later"
    return f"{time(moved.then_ms)} “{title}” would have come {words.length(abs(shift))} {way}"


def _limited(lines: list[str]) -> list[str]:
    more = len(lines) - SHOWN
    return lines if more <= 0 else [*lines[:SHOWN], f"… and {more} more"]
