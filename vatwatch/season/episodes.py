"""Alarm transitions gathered into episodes: raised, acknowledged, back to normal, how long. Pure.

One episode is one occurrence of one alarm of one vat. States after ISA-18.2: for a latching alarm the process is back
to normal as soon as the alarm is latched; resetting it later is a person's answer, not the end of the excursion.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from vatwatch.records import AlarmEvent
from vatwatch.terms import AlarmState

_BEYOND = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)
_BACK = (
    AlarmState.NORMAL,
    AlarmState.RETURNED,
    AlarmState.LATCHED_UNACKNOWLEDGED,
    AlarmState.LATCHED_ACKNOWLEDGED,
)
_SIDE = {
    "overheat": 1,
    "off-warm": 1,
    "off-ph-high": 1,
    "heating": 1,
    "off-reduction": -1,
    "off-ph-low": -1,
    "off-cold": -1,
    "tiring-reduction": -1,
    "tiring-ph": -1,
    "cooling": -1,
}
"""On which side of its limit an alarm lies: a delayed one may first be told with a value that is back inside."""
_SET_ASIDE = (AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE)


@dataclass(frozen=True, slots=True)
class Episode:
    """One excursion. `raised_ms` None: raised before the span looked at. `normal_ms` None: not over within it.

    `set_aside` means it was shelved, suppressed or taken out of service before it was seen to end.
    `farthest` is the value furthest beyond the limit among the transitions, None where there was no number.
    """

    vat: str
    alarm: str
    occurrence: int
    raised_ms: int | None
    acknowledged_ms: int | None
    normal_ms: int | None
    set_aside: bool
    farthest: float | None
    limit: float | None

    @property
    def lasted_ms(self) -> int | None:
        if self.raised_ms is None or self.normal_ms is None:
            return None
        return self.normal_ms - self.raised_ms


def episodes_of(events: Iterable[AlarmEvent]) -> tuple[Episode, ...]:
    """Episodes in the order they began, from transitions in slot order."""
    grouped: dict[tuple[str, str, int], list[AlarmEvent]] = {}
    for event in events:
        # Occurrence 0 is a shelving or the like before the alarm was ever raised: nothing happened to the vat.
        if event.occurrence > 0:
            grouped.setdefault((event.vat, event.alarm, event.occurrence), []).append(event)
    return tuple(_episode(group) for group in grouped.values() if _shows_excursion(group))


def _episode(events: list[AlarmEvent]) -> Episode:
    first = events[0]
    # A first transition out of a standing state shows that the episode had begun before the span looked at.
    begun_here = first.to_state is AlarmState.UNACKNOWLEDGED and first.from_state not in _BEYOND
    raised_ms = first.slot_ms if begun_here else None
    acknowledged_ms: int | None = None
    normal_ms: int | None = None
    set_aside = False
    for event in events:
        if event.to_state in _BEYOND:
            normal_ms, set_aside = None, False
        elif event.to_state in _BACK and normal_ms is None and event.from_state in _BEYOND:
            normal_ms = event.slot_ms
        elif event.to_state in _SET_ASIDE and normal_ms is None:
            set_aside = True
        if acknowledged_ms is None and event.transition == "acknowledge":
            acknowledged_ms = event.slot_ms
    limits = [event.limit for event in events if event.limit is not None]
    values = [event.value for event in events if event.value is not None]
    limit = limits[0] if limits else None
    farthest = None
    if values:
        farthest = (
            values[0] if limit is None else max(values, key=lambda value: _beyond(first.alarm, value, values[0], limit))
        )
    return Episode(
        first.vat, first.alarm, first.occurrence, raised_ms, acknowledged_ms, normal_ms, set_aside, farthest, limit
    )


def _shows_excursion(events: list[AlarmEvent]) -> bool:
    """Whether the process was beyond its limit at any of these transitions; else they only tidy up an older episode."""
    return any(event.from_state in _BEYOND or event.to_state in _BEYOND for event in events)


def _beyond(alarm: str, value: float, first: float, limit: float) -> float:
    """How far a value lies on the alarm's own side of its limit; else on the side on which the episode began."""
    side = _SIDE.get(alarm) or (1 if first >= limit else -1)
    return side * (value - limit)
