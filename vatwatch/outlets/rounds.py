"""What one phone is sent now, what is held, and until when: the decision alone, from pushes, time and settings. Pure.

Two lanes per phone, each with a cursor of its own. Danger goes at once, always. Everything else keeps quiet hours, becomes
one message when there is much at once, and one message after the phone could not be reached. Words are in `digests.py`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from enum import StrEnum

from vatwatch.outlets.digests import Message, Why, alone, together
from vatwatch.records import Numbered, Push
from vatwatch.terms import Urgency

MINUTE_MS = 60_000
LATE_MS = 15 * MINUTE_MS
"""A push older than this could not be delivered in time: what is said of it has to say so."""
LOUDNESS = {Urgency.TELL: 0, Urgency.ACT: 1, Urgency.DANGER: 2}


class Lane(StrEnum):
    """Danger overtakes all else, so it is counted and sent apart."""

    DANGER = "danger"
    OTHERS = "others"


@dataclass(frozen=True, slots=True)
class Wishes:
    """What one phone is to get, and when. Minutes are counted from local midnight; both quiet minutes or neither.

    `vats` empty means every vat. `shed` is whether it also gets what is about no single vat. More than `at_once` messages
    within `gather_ms` become one.
    """

    timezone: tzinfo
    at_least: Urgency = Urgency.TELL
    vats: frozenset[str] = frozenset()
    shed: bool = True
    quiet_from_minute: int | None = None
    quiet_until_minute: int | None = None
    at_once: int = 3
    gather_ms: int = 10 * MINUTE_MS


@dataclass(frozen=True, slots=True)
class Round:
    """`through`: the cursor once `message` is delivered (at once when there is none).

    `held_until_ms` is given when something waits on purpose behind it; `held` is how many pushes that are.
    """

    through: int
    message: Message | None = None
    held_until_ms: int | None = None
    held: int = 0


def wants(wishes: Wishes, lane: Lane, push: Push) -> bool:
    """Whether this phone gets this push at all, by this lane."""
    if (push.urgency is Urgency.DANGER) is not (lane is Lane.DANGER):
        return False
    if LOUDNESS[push.urgency] < LOUDNESS[wishes.at_least]:
        return False
    if not push.vat:
        return wishes.shed or lane is Lane.DANGER
    return not wishes.vats or push.vat in wishes.vats


def quiet_until_ms(wishes: Wishes, at_ms: int) -> int | None:
    """When the quiet hours that `at_ms` lies in end; None outside them."""
    begin, end = wishes.quiet_from_minute, wishes.quiet_until_minute
    if begin is None or end is None or begin == end:
        return None
    local = datetime.fromtimestamp(at_ms / 1000, tz=UTC).astimezone(wishes.timezone)
    minute = local.hour * 60 + local.minute
    if not (begin <= minute < end if begin < end else minute >= begin or minute < end):
        return None
    day = local.date() + timedelta(days=1 if begin > end and minute >= begin else 0)
    over = datetime(day.year, day.month, day.day, end // 60, end % 60, tzinfo=wishes.timezone)
    # Where that minute is skipped or repeated by a change of the clock, it is the first moment that reads so or later.
    return max(int(over.timestamp() * 1000), at_ms - at_ms % MINUTE_MS + MINUTE_MS)


def next_round(
    rows: Sequence[Numbered],
    wishes: Wishes,
    lane: Lane,
    now_ms: int,
    sent_ms: Sequence[int],
    standing: frozenset[tuple[str, str]] | None,
) -> Round:
    """The next thing to do with `rows`, which wait undelivered in order; at least one.

    `sent_ms` is when messages were sent of late, oldest first. `standing` names the alarms (vat, alarm) whose trouble lasts;
    None when that is not known.
    """
    waiting = [(row.number, row.record) for row in rows if isinstance(row.record, Push)]
    wanted = [(number, push) for number, push in waiting if wants(wishes, lane, push)]
    if not wanted:
        return Round(rows[-1].number)
    if lane is Lane.DANGER:
        return _danger(rows, wanted, wishes, now_ms, standing)
    before = Round(wanted[0][0] - 1)
    lately = [at_ms for at_ms in sent_ms if 0 <= now_ms - at_ms < wishes.gather_ms]
    held_until_ms = quiet_until_ms(wishes, now_ms)
    if held_until_ms is None and len(lately) >= wishes.at_once:
        held_until_ms = lately[-wishes.at_once] + wishes.gather_ms
    if held_until_ms is not None:
        return Round(before.through, None, held_until_ms, len(wanted))
    pushes = [push for _, push in wanted]
    if any(quiet_until_ms(wishes, push.slot_ms) is not None for push in pushes):
        why = Why.QUIET
    elif any(now_ms - push.slot_ms > LATE_MS for push in pushes):
        why = Why.LATE
    elif len(lately) + len(pushes) > wishes.at_once:
        why = Why.MANY
    else:
        number, push = wanted[0]
        return Round(number, alone(push))
    # None at all when everything came and went within the quiet hours.
    return Round(rows[-1].number, together(pushes, why, now_ms, wishes.timezone, standing))


def _danger(
    rows: Sequence[Numbered],
    wanted: Sequence[tuple[int, Push]],
    wishes: Wishes,
    now_ms: int,
    standing: frozenset[tuple[str, str]] | None,
) -> Round:
    newest = {(push.vat, push.alarm): number for number, push in wanted}
    # Only what could not be delivered for a while is overtaken by its own repetition; nothing fresh is ever left out.
    left = [
        (number, push)
        for number, push in wanted
        if newest[push.vat, push.alarm] == number or now_ms - push.slot_ms <= LATE_MS
    ]
    if len(left) > wishes.at_once:
        pushes = [push for _, push in wanted]
        return Round(rows[-1].number, together(pushes, Why.DANGERS, now_ms, wishes.timezone, standing))
    number, push = left[0]
    late = now_ms - push.slot_ms > LATE_MS
    over = late and standing is not None and (push.vat, push.alarm) not in standing
    return Round(number, alone(push, late, over, now_ms, wishes.timezone))
