"""What the pace of a fall tells of where the margin stands, when the reductant is gone and air takes the leuco.

The potential of a vat whose reductant runs out falls steeply (the knee of its titration curve), and then ever more slowly:
air oxidises the leuco at a steady pace, 1−r = a·t, so that m = −s·ln(a·t), and s/|dm/dt| is the time since the reductant was
gone, whatever the vat's offset. How long the whole leuco would last (1/a) follows from the oxygen that a covered surface
lets in, and is known within a factor of three; a logarithm makes little of that: the margin is known within some 20 mV,
better than from an untaught electrode. Only a look is better.

Sources: saturation of oxygen, 8.3 mg/l at 25 °C (Benson & Krause 1984, Limnol. Oceanogr. 29, 620); two leuco to one oxygen
(arithmetic). Film coefficient of a covered surface, about 2e-6 m/s: judgement, no source. With 4 m² of surface per m³ and
1 g/l of indigo that gives 1/a of about 300 h under a lid and 50 h without.
"""

from __future__ import annotations

import math

from vatwatch.vat.estimate import OFFSETS_MV, OffsetBelief
from vatwatch.vat.lately import MARGIN, Lately, slope_per_hour
from vatwatch.vat.settings import HOUR_MS

LEUCO_LASTS_H = 200.0
PACE_SIGMA_MV = 18.0
"""1 σ of the margin so told: a factor of three in `LEUCO_LASTS_H`, and a time read off some hours."""
KNEE_MV = 25.0
"""A fall by this much within a day is more than a sharp vat's margin wanders."""
RECENT_MS, BEFORE_MS = 3 * HOUR_MS, 6 * HOUR_MS
LEAST_PACE_MV_H, MOST_PACE_MV_H = 0.15, 8.0
SLOWING = 0.7
RISEN_MV = 12.0
"""A rise by this much above the lowest since then says that reductant is at work again."""


def spent_since(
    known_ms: int | None, lately: Lately, at_ms: int, quiet_from_ms: int | None, scale_mv: float, fed: bool
) -> int | None:
    """When the reductant was gone, as far as the fall tells; None while some is left, or nobody can tell.

    Found once, when a knee lies behind and the fall has slowed down; kept until the vat is fed or mends. `scale_mv` is
    RT/2F. The bare margin of `lately` carries no offset, and none is needed: only its pace is read.
    """
    values = [one.margin_mv for one in lately if one.margin_mv is not None]
    if fed or len(values) < 8:
        return None
    if known_ms is not None:
        since = [one.margin_mv for one in lately if one.margin_mv is not None and one.start_ms >= known_ms]
        return None if len(since) >= 4 and min(since[-2:]) > min(since) + RISEN_MV else known_ms
    if max(values) - values[-1] < KNEE_MV:
        return None
    quiet_ms = quiet_from_ms or 0
    recent = slope_per_hour(lately, MARGIN, max(quiet_ms, at_ms - RECENT_MS), at_ms)
    before = slope_per_hour(lately, MARGIN, max(quiet_ms, at_ms - RECENT_MS - BEFORE_MS), at_ms - RECENT_MS)
    if recent is None or before is None or not LEAST_PACE_MV_H <= -recent <= MOST_PACE_MV_H:
        return None
    if recent < SLOWING * before:
        return None  # hardly slower than before: reductant is still going
    # The pace is that of the middle of its window.
    return at_ms - RECENT_MS // 2 - int(scale_mv / -recent * HOUR_MS)


def margin_by_pace(spent_ms: int, at_ms: int, scale_mv: float) -> float:
    """The margin that the time since the reductant was gone speaks for, in mV."""
    hours = max((at_ms - spent_ms) / HOUR_MS, 0.5)
    return scale_mv * math.log(LEUCO_LASTS_H / hours)


def narrowed(belief: OffsetBelief, bare_mv: float, margin_mv: float) -> OffsetBelief:
    """The belief as the pace would have it; for looking ahead only, a look teaches the vat's own."""
    return OffsetBelief.from_weights(
        [
            weight * math.exp(-0.5 * ((bare_mv + offset - margin_mv) / PACE_SIGMA_MV) ** 2) + 1e-12 * weight
            for weight, offset in zip(belief.weights, OFFSETS_MV, strict=True)
        ]
    )
