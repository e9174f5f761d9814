"""What is wrong now, as screens show it: standing alarms with their buttons, and messages that do not get through.

Reads through a reader it is given; renders nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import tzinfo

from vatwatch.page import wording
from vatwatch.records import AlarmEvent, Delivery
from vatwatch.store.reading import StoreReader
from vatwatch.terms import AlarmState, Stream, Urgency

_ANSWERABLE = (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED, AlarmState.LATCHED_UNACKNOWLEDGED)
_SET_ASIDE = (AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE)
_UNSAID = (AlarmState.NORMAL, AlarmState.SUPPRESSED, *_SET_ASIDE)
_RESETTABLE = (AlarmState.LATCHED_UNACKNOWLEDGED, AlarmState.LATCHED_ACKNOWLEDGED)
OF_SHED = ""
DAY_MS = 86_400_000
_PHONE, _DANGER = "phone-", "danger-"

Outlets = Callable[[], Mapping[str, tuple[int, int] | None]]
"""The outlets of the present settings, each with what it holds on purpose: until when (ms), and how many."""


@dataclass(frozen=True, slots=True)
class AlarmView:
    """A standing alarm and which buttons belong beside it."""

    event: AlarmEvent
    words: str
    answerable: bool
    resettable: bool
    shelvable: bool


@dataclass(frozen=True, slots=True)
class Standing:
    """The alarms of one vat, or of the shed: those that are said, and those set aside for now."""

    alarms: list[AlarmView]
    set_aside: list[AlarmView]


def standing_of(vat: str, reader: StoreReader, now_ms: int, zone: tzinfo) -> Standing:
    """The alarms of one vat; of the shed as a whole where `vat` is empty."""
    events = [event for event in reader.standing_alarms() if event.vat == vat]
    views = [_view(event, reader, now_ms, zone) for event in events]
    return Standing(
        [view for view in views if view.event.to_state not in _UNSAID],
        [view for view in views if view.event.to_state in _SET_ASIDE],
    )


def _view(event: AlarmEvent, reader: StoreReader, now_ms: int, zone: tzinfo) -> AlarmView:
    until_ms = reader.shelved_until(event) if event.to_state is AlarmState.SHELVED else None
    return AlarmView(
        event,
        wording.alarm_words(event, now_ms, zone, until_ms),
        answerable=event.to_state in _ANSWERABLE,
        resettable=event.to_state in _RESETTABLE,
        shelvable=event.to_state not in _SET_ASIDE,
    )


CLOCK_NOT_SET = (
    "This machine's clock is not known to be right. The vats are watched and messages go out, but nothing is forwarded "
    "to broker or database until the time is known; the record then gets its true times. Look to the network, or set "
    "the clock."
)


def troubles(
    reader: StoreReader, outlets: Outlets | None, now_ms: int, zone: tzinfo, with_refused: bool = True
) -> list[str]:
    """Messages that are not getting through, and those that wait on purpose, in sentences."""
    present = None if outlets is None else outlets()
    newest = reader.newest(Stream.PUSHES)
    found: dict[str, str] = {}
    for delivery in reader.deliveries():
        if present is not None and delivery.outlet not in present:
            continue  # of settings that are no more
        name = people_call(delivery.outlet)
        if _is_failing(delivery) and (delivery.stream == Stream.PUSHES or delivery.outlet == "heartbeat"):
            since = wording.clock_words(delivery.last_error_ms or now_ms, now_ms, zone)
            if delivery.outlet == "heartbeat":
                found[name] = f"The heartbeat address has not answered since {since}: {delivery.last_error}"
                continue
            left = max(0, newest - delivery.position)
            waiting = "" if not left else " (1 waits)" if left == 1 else f" ({left} wait)"
            found.setdefault(
                name,
                f"Messages through {name} have not been getting through since {since}{waiting}: {delivery.last_error}",
            )
    for outlet, held in (present or {}).items():
        if held is not None:
            until = wording.clock_words(held[0], now_ms, zone)
            count = "1 message is" if held[1] == 1 else f"{held[1]} messages are"
            found.setdefault(people_call(outlet), f"{count} held for {people_call(outlet)} until {until}.")
    clock = () if reader.doubt() is None else (CLOCK_NOT_SET,)
    return [*clock, *found.values(), *(_refused(reader, now_ms) if with_refused else ())]


def _refused(reader: StoreReader, now_ms: int) -> list[str]:
    """Rows that an outlet's peer refused within the last day."""
    lately = [one for one in reader.rejected(limit=1000) if one.time_ms > now_ms - DAY_MS]
    found = []
    for outlet in dict.fromkeys(one.outlet for one in lately):
        mine = [one for one in lately if one.outlet == outlet]
        rows = "1 row" if len(mine) == 1 else f"{len(mine)} rows"
        found.append(f"{outlet} refused {rows} within a day; they are left out there, and kept here: {mine[0].reason}")
    return found


def not_delivered_to(number: int, urgency: Urgency, deliveries: list[Delivery]) -> list[str]:
    """The phones that a message of this number has not reached yet; danger goes by a lane of its own."""
    lane = _DANGER + _PHONE if urgency is Urgency.DANGER else _PHONE
    return [
        people_call(one.outlet)
        for one in deliveries
        if one.stream == Stream.PUSHES and one.outlet.startswith(lane) and one.position < number
    ]


def people_call(outlet: str) -> str:
    """`phone-ida` for both of its lanes; any other outlet by its own name."""
    return outlet.removeprefix(_DANGER) if outlet.startswith(_DANGER + _PHONE) else outlet


def _is_failing(delivery: Delivery) -> bool:
    return delivery.last_error_ms is not None and delivery.last_error_ms > (delivery.last_ok_ms or 0)
