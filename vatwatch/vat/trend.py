"""Level and slope of one quantity by a Kalman filter: the local linear trend model, robust to spikes, re-openable.

    y_t = μ_t + ε_t,   μ_{t+1} = μ_t + ν_t + η_t,   ν_{t+1} = ν_t + ζ_t

Source: J. Durbin & S. J. Koopman, Time Series Analysis by State Space Methods, 2nd ed. (2012), sections 2.2 (local
level), 3.2.1 (local linear trend), 2.7 (missing observations). The step is general: time between observations need not
be even, the noise of a long gap grows as that of an integrated random walk.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

DIFFUSE = 1e7
"""Variance that stands for "nothing known" at the start."""
SPIKE_SIGMAS = 4.0
"""An innovation beyond this many of its own σ is taken for a spike: it moves the level no further than that."""


@dataclass(frozen=True, slots=True)
class Trend:
    """Filtered level and slope (per unit of time), their covariance, and observations `seen` since re-opening.

    `astray` counts observations in a row that were clipped on the same side (its sign): a spike is over at once, a new
    level is not.
    """

    level: float = 0.0
    slope: float = 0.0
    p00: float = DIFFUSE
    p01: float = 0.0
    p11: float = DIFFUSE
    seen: int = 0
    astray: int = 0


@dataclass(frozen=True, slots=True)
class Forecast:
    """Mean and 1 σ of the level (not of a noisy reading) some time ahead."""

    mean: float
    sigma: float


def predict(trend: Trend, dt: float, q00: float, q01: float, q11: float) -> Trend:
    """The state `dt` later, with process noise covariance (q00, q01, q11) added."""
    p00 = trend.p00 + 2.0 * dt * trend.p01 + dt * dt * trend.p11 + q00
    p01 = trend.p01 + dt * trend.p11 + q01
    return Trend(trend.level + dt * trend.slope, trend.slope, p00, p01, trend.p11 + q11, trend.seen, trend.astray)


def update(trend: Trend, value: float, variance: float, *, robust: bool = True) -> Trend:
    """The state after an observation with noise `variance`; a spike is clipped (Huber's idea) when `robust`."""
    innovation = value - trend.level
    total = trend.p00 + variance
    astray = 0
    if robust and trend.seen >= 3:
        reach = SPIKE_SIGMAS * math.sqrt(total)
        if abs(innovation) > reach:
            side = 1 if innovation > 0 else -1
            astray = trend.astray + side if trend.astray * side >= 0 else side
            innovation = side * reach
    k0, k1 = trend.p00 / total, trend.p01 / total
    return Trend(
        trend.level + k0 * innovation,
        trend.slope + k1 * innovation,
        trend.p00 * (1.0 - k0),
        trend.p01 * (1.0 - k0),
        trend.p11 - k1 * trend.p01,
        trend.seen + 1,
        astray,
    )


def drift_noise(dt: float, level_q: float, slope_q: float) -> tuple[float, float, float]:
    """Process noise over `dt` for continuous random walks of level (`level_q` per time) and slope (`slope_q` per time).

    Source: the same, section 3.8 (continuous-time local linear trend).
    """
    return level_q * dt + slope_q * dt**3 / 3.0, slope_q * dt * dt / 2.0, slope_q * dt


def started(value: float, variance: float, slope_variance: float) -> Trend:
    """A filter that has seen one value and knows nothing of the slope but how large it may be."""
    return Trend(value, 0.0, variance, 0.0, slope_variance, 1)


def ahead(trend: Trend, dt: float, level_q: float, slope_q: float) -> Forecast:
    """Where the level will be `dt` from now."""
    later = predict(trend, dt, *drift_noise(dt, level_q, slope_q))
    return Forecast(later.level, math.sqrt(max(later.p00, 0.0)))
