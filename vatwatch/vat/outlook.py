"""What is in sight for a vat: through which limit it will leave its window and when, or when it will be fit again. Pure.

Works from the trends that the alarms which look ahead keep, so that the screen and the phone tell the same hour.
"""

from __future__ import annotations

from dataclasses import replace

from vatwatch.records import Outlook, Scan
from vatwatch.terms import VatCondition
from vatwatch.vat import window
from vatwatch.vat.forecast import Crossing
from vatwatch.vat.limits import Limit, Side
from vatwatch.vat.settings import MINUTE_MS, VatSettings
from vatwatch.vat.state import VatState
from vatwatch.vat.tiring import ways_ahead

SAME_WITHIN_MS = 5 * MINUTE_MS
"""A median that moved by less is the same word to a dyer, and no reason to write."""


def leaving(state: VatState) -> Crossing | None:
    """The first limit the vat is on its way to, of those it can leave; None when none is in sight or it cannot be told."""
    coming = (one for one in state.ahead.crossings if one.limit in state.been_inside)
    return min(coming, key=lambda one: one.median_ms, default=None)


def returning(settings: VatSettings, state: VatState, scan: Scan) -> Crossing | None:
    """When the last of the limits the vat stands beyond will be met again; None when that cannot be told of any of them."""
    temperature_c = scan.temperature_c.value
    limits = window.limits_of(settings, temperature_c)
    found = []
    for name in window.OFF_LIMITS:
        if state.beyond.get(name, False):
            limit = _from_beyond(limits[name])
            ways = ways_ahead(state.ahead, name, limit, state.belief, scan.ph.sigma or 0.0, temperature_c)
            back = None if ways is None else ways.crossing(scan.slot_ms)
            if back is None:
                return None
            found.append(back)
    return max(found, key=lambda one: one.median_ms, default=None)


def outlook(settings: VatSettings, state: VatState, scan: Scan) -> Outlook | None:
    """What is in sight after this scan. Nothing is said of a vat that is too hot or not known."""
    if scan.condition in (VatCondition.DYEABLE, VatCondition.SETTLING):
        coming = leaving(state)
    elif scan.condition is VatCondition.OFF:
        coming = returning(settings, state, scan)
    else:
        coming = None
    if coming is None:
        return None
    return Outlook(
        vat=settings.vat,
        slot_ms=scan.slot_ms,
        limit=coming.limit,
        comes_back=scan.condition is VatCondition.OFF,
        early_ms=coming.early_ms,
        median_ms=coming.median_ms,
        late_ms=coming.late_ms,
    )


def is_news(before: Outlook | None, after: Outlook | None) -> bool:
    """Whether a dyer would hear something else in `after` than in `before`."""
    if before is None or after is None:
        return before is not after
    if (before.limit, before.comes_back) != (after.limit, after.comes_back):
        return True
    return abs(after.median_ms - before.median_ms) > SAME_WITHIN_MS


def _from_beyond(limit: Limit) -> Limit:
    """The limit as seen from outside: passed when the value is far enough back inside to count again."""
    if limit.side is Side.LOW:
        return replace(limit, side=Side.HIGH, at=limit.at + limit.deadband)
    return replace(limit, side=Side.LOW, at=limit.at - limit.deadband)
