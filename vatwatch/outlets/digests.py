"""Words of what a phone is sent: one push as it is, or one message that stands for several. Pure; decides nothing.

A digest says first what still lasts and what to do about it, then, in a line each, what is over. Its id is made from the
pushes in it, so that trying again gives the same message.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from enum import StrEnum

from vatwatch.records import Push
from vatwatch.terms import Urgency

RETURNS = "-returns-to-normal-"
OCCURS = "-occurs-"
"""Stand in the id of a push which says that an alarm is over, or that it has been raised."""
DO = "What to do: "
LINES_MOST = 8
ADVICE_MOST = 3
HOUR_MS = 3_600_000


class Why(StrEnum):
    """Why several pushes are one message."""

    QUIET = "quiet hours"
    LATE = "could not be reached"
    MANY = "many at once"
    DANGERS = "several dangers"


@dataclass(frozen=True, slots=True)
class Message:
    """What goes out. `reference` stays the same however often it is tried."""

    title: str
    body: str
    chart: str
    reference: str
    urgency: Urgency


@dataclass(frozen=True, slots=True)
class _Matter:
    """Everything waiting about one alarm of one vat, or one message of another kind."""

    push: Push
    since_ms: int
    over_ms: int | None
    lasts: bool
    came_and_went: bool


def alone(push: Push, late: bool = False, over: bool = False, now_ms: int = 0, zone: tzinfo = UTC) -> Message:
    """One push, as it is; with a line before it when it comes late."""
    body = push.body
    if late:
        body = (
            f"Sent late: written at {clock(push.slot_ms, now_ms, zone)}. "
            + ("It is over by now.\n" if over else "Look at the vat: it may have changed since.\n")
            + body
        )
    return Message(push.title, body, push.chart, push.push_id, push.urgency)


def together(
    pushes: Sequence[Push], why: Why, now_ms: int, zone: tzinfo, standing: frozenset[tuple[str, str]] | None
) -> Message | None:
    """One message for all. None when it all came and went within quiet hours: nobody need be told in the morning."""
    matters = _matters(pushes, standing)
    reports = [one for one in matters if one.lasts and not _is_alarm(one.push)]
    lasting = [one for one in matters if one.lasts and one not in reports]
    past = [one for one in matters if not one.lasts]
    if why is Why.QUIET and all(one.came_and_went for one in matters):
        return None
    if len(pushes) == 1:
        return _one_held(pushes[0], why, now_ms, zone)
    since = clock(min(push.slot_ms for push in pushes), now_ms, zone)
    begins = {Why.LATE: f"This address could not be reached. Since {since}:", Why.QUIET: "In your quiet hours:"}
    lines = [begins[why]] if why in begins and (lasting or past) else []
    lines += _lines(lasting, reports, past, now_ms, zone)
    return Message(
        title=_title(why, lasting, reports, past),
        body="\n".join(lines),
        chart=lasting[0].push.chart if len(lasting) == 1 else "",
        reference=_reference(pushes),
        urgency=max((one.push.urgency for one in [*lasting, *reports] or past), key=_loudness),
    )


def _one_held(push: Push, why: Why, now_ms: int, zone: tzinfo) -> Message:
    held = f"Held since {clock(push.slot_ms, now_ms, zone)} for your quiet hours."
    if why is Why.LATE:
        held = f"Sent late: written at {clock(push.slot_ms, now_ms, zone)}, this address could not be reached."
    return Message(push.title, f"{held}\n{push.body}", push.chart, push.push_id, push.urgency)


def _title(why: Why, lasting: Sequence[_Matter], reports: Sequence[_Matter], past: Sequence[_Matter]) -> str:
    """What matters most stands in it: a locked phone shows little more."""
    if lasting or reports:
        first, more = (lasting or reports)[0], len(lasting or reports) - 1
        what = first.push.title + (f", and {more} more" if more else "")
    else:
        what = past[0].push.title if len(past) == 1 else f"{len(past)} things, over by now"
    return f"Sent late: {what}" if why is Why.LATE else what


def _lines(
    lasting: Sequence[_Matter], reports: Sequence[_Matter], past: Sequence[_Matter], now_ms: int, zone: tzinfo
) -> list[str]:
    lines = []
    advised: set[str] = set()
    for one in lasting[:LINES_MOST]:
        lines.append(f"{clock(one.since_ms, now_ms, zone)}  {one.push.title}")
        # A vat's second trouble mostly comes of its first: what to do about that one comes first.
        if (one.push.vat not in advised and len(advised) < ADVICE_MOST) or one.push.urgency is Urgency.DANGER:
            advised.add(one.push.vat)
            lines += [line for line in one.push.body.splitlines() if line.startswith(DO)]
    for one in reports[:LINES_MOST]:
        lines.append(f"{clock(one.since_ms, now_ms, zone)}  {one.push.title}")
        if now_ms - one.push.slot_ms < HOUR_MS:
            lines += one.push.body.splitlines()
    room = LINES_MOST - min(len(lasting), LINES_MOST)
    if past and lasting and room:
        lines.append("Over by now:")
    for one in past[:room]:
        until = "" if one.over_ms is None or one.over_ms == one.since_ms else f" to {clock(one.over_ms, now_ms, zone)}"
        lines.append(f"{clock(one.since_ms, now_ms, zone)}{until}  {one.push.title}")
    left = len(lasting) + len(past) - min(len(lasting), LINES_MOST) - min(len(past), room)
    if left > 0:
        lines.append(f"and {left} more; the page has them all under Messages.")
    return lines


def _matters(pushes: Sequence[Push], standing: frozenset[tuple[str, str]] | None) -> list[_Matter]:
    groups: dict[tuple[str, str], list[Push]] = {}
    for push in pushes:
        groups.setdefault((push.vat, push.alarm), []).append(push)
    matters = []
    for key, group in groups.items():
        raised = [push for push in group if RETURNS not in push.push_id]
        back = [push for push in group if RETURNS in push.push_id]
        newest = group[-1]
        is_alarm = _is_alarm(newest)
        lasts = bool(raised) and newest is raised[-1] and (not is_alarm or standing is None or key in standing)
        over_ms = back[-1].slot_ms if back and newest is back[-1] else None
        # One raised before has been told, so its end is told too; one both raised and over meanwhile is a line at most.
        meanwhile = is_alarm and not lasts and any(OCCURS in push.push_id for push in group)
        matters.append(_Matter(raised[-1] if meanwhile else newest, group[0].slot_ms, over_ms, lasts, meanwhile))
    return sorted(matters, key=lambda one: (-_loudness(one.push.urgency), -one.since_ms))


def _is_alarm(push: Push) -> bool:
    """Whether the push tells of an alarm's life; the id of one names its alarm and its occurrence."""
    return push.push_id.startswith((f"{push.vat}-{push.alarm}-", f"shed-{push.alarm}-"))


def _loudness(urgency: Urgency) -> int:
    return [Urgency.TELL, Urgency.ACT, Urgency.DANGER].index(urgency)


def _reference(pushes: Sequence[Push]) -> str:
    joined = "\n".join(push.push_id for push in pushes)
    return f"digest-{hashlib.sha256(joined.encode()).hexdigest()[:12]}"


def clock(time_ms: int, now_ms: int, zone: tzinfo) -> str:
    """`23:57` within the last eighteen hours, else with its day."""
    then = datetime.fromtimestamp(time_ms / 1000, tz=UTC).astimezone(zone)
    if abs(now_ms - time_ms) < 18 * HOUR_MS:
        return f"{then:%H:%M}"
    return f"{then.day} {then:%b %H:%M}"
