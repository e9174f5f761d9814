"""How a falling quantity goes on to its limit: straight, ever faster, or ever slower. Times in hours, pure arithmetic.

A vat's margin is logarithmic in what is used up (m = s·ln of a ratio, s = RT/2F), so a steady loss is no straight line:

- While reductant is left the share follows its strength, and the ratio r/(1−r) falls steadily: m = s·ln(c·(t_e − t)).
  The fall grows ever steeper; s/|dm/dt| is the time left until the reductant is gone, whatever the vat's offset.
- Once it is gone, air oxidises the leuco at a steady pace and 1−r rises steadily: the fall in mV slows down.
- pH above its buffers does as the first (pH = log10 of a hydroxide that falls steadily, s = 1/ln 10).
- A heater that is off lets the liquor cool to the room (Newton's law): ever slower.

Derived from the Nernst equation and a constant rate of loss; the rates themselves are never assumed, only measured.
"""

from __future__ import annotations

import math

NEVER_H = math.inf
PH_SCALE = 1.0 / math.log(10.0)


def straight(distance: float, per_hour: float) -> float:
    """Hours until `distance` (> 0) is used up at a loss of `per_hour` (> 0)."""
    return distance / per_hour


def ever_faster(distance: float, per_hour: float, scale: float) -> float:
    """The same while what is used up falls steadily and the quantity is `scale` times its logarithm."""
    return scale / per_hour * (1.0 - math.exp(-distance / scale))


def ever_slower(distance: float, per_hour: float, scale: float) -> float:
    """The same while what takes its place rises steadily and the quantity is −`scale` times its logarithm."""
    return scale / per_hour * (math.exp(min(distance / scale, 50.0)) - 1.0)


def cooling(temperature_c: float, limit_c: float, per_hour: float, room_c: float) -> float:
    """Hours until a liquor cooling at `per_hour` (> 0) reaches the limit, in a room of `room_c`: Newton's law."""
    if limit_c <= room_c or temperature_c <= room_c:
        return NEVER_H
    above, below = temperature_c - room_c, limit_c - room_c
    return above / per_hour * math.log(above / below) if above > below else 0.0
