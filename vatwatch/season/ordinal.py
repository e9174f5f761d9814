"""Ordered outcomes against a few numbers: proportional odds with weakly informative priors. Pure, no randomness.

    logit P(Y ≤ j) = c_j − Σ b_i z_i        j = 0 … K−2, c_0 < c_1 < …

Model: McCullagh, P. (1980) "Regression models for ordinal data", J. R. Statist. Soc. B 42, 109-142.
Priors: Gelman, A., Jakulin, A., Pittau, M. G. & Su, Y.-S. (2008) "A weakly informative default prior distribution for
logistic and other regression models", Ann. Appl. Stat. 2, 1360-1383, doi 10.1214/08-AOAS191: inputs scaled to mean 0 and
standard deviation 0.5, Cauchy(0, 2.5) on slopes, Cauchy(0, 10) on the constant, here the cut that is asked about.
The log distances between neighbouring cuts are normal(0, 1.5): own choice, wide enough for 0.05 to 19.
Posterior: importance sampling around its mode with a mixture of two normals (Owen & Zhou 2000, "Safe and effective
importance sampling", J. Am. Statist. Assoc. 95, 135-143, from memory) at the points of a Halton sequence (1960, Numer.
Math. 2, 84-90), so that the same pieces give the same answer.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from operator import mul
from statistics import NormalDist

from vatwatch.season.small_matrices import cholesky, inverse, lower_times, solve_lower

SLOPE_SCALE = 2.5
CONSTANT_SCALE = 10.0
LOG_GAP_SIGMA = 1.5
DRAWS = 2_000
SKIPPED_POINTS = 64
NARROW, WIDE, NARROW_SHARE = 1.1, 2.0, 0.75
PRIMES = (2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31)
MOST_PARAMETERS = len(PRIMES) - 1
_STEPS = 60


@dataclass(frozen=True, slots=True)
class OrdinalFit:
    """Draws of (cuts, slopes) with weights that sum to 1. `effective` is how many equal draws they are worth (Kish).

    Slopes are per z, that is per two standard deviations of their input.
    """

    cuts: tuple[tuple[float, ...], ...]
    slopes: tuple[tuple[float, ...], ...]
    weights: tuple[float, ...]
    mode_cuts: tuple[float, ...]
    mode_slopes: tuple[float, ...]
    effective: float


def fit_ordinal(
    rows: Sequence[Sequence[float]], categories: Sequence[int], count: int, asked: int, draws: int = DRAWS
) -> OrdinalFit:
    """The posterior of cuts and slopes. `rows` are the scaled inputs, `categories` the outcomes 0 … count − 1.

    `asked` is the cut of interest, 0 … count − 2: it carries the constant's prior. Raises ValueError when the shapes do
    not fit or there are more parameters than the sequence has dimensions.
    """
    if len(rows) != len(categories) or not rows or not 0 <= asked < count - 1:
        raise ValueError("expected one category per row, and a cut between two of them")
    posterior = _Posterior(rows, categories, count, asked)
    if posterior.size > MOST_PARAMETERS:
        raise ValueError(f"{posterior.size} parameters; expected at most {MOST_PARAMETERS}")
    mode, hessian = _mode(posterior)
    spread = cholesky(inverse(hessian))
    found: list[list[float]] = []
    logs: list[float] = []
    for index in range(draws):
        point = [_halton(index + SKIPPED_POINTS, prime) for prime in PRIMES[: posterior.size + 1]]
        scale = NARROW if point[0] < NARROW_SHARE else WIDE
        normal = [scale * NormalDist().inv_cdf(one) for one in point[1:]]
        parameters = [m + step for m, step in zip(mode, lower_times(spread, normal), strict=True)]
        found.append(parameters)
        logs.append(posterior.log(parameters) - _log_proposal(sum(map(mul, normal, normal)), posterior.size))
    top = max(logs)
    raw = [math.exp(one - top) for one in logs]
    total = math.fsum(raw)
    weights = tuple(one / total for one in raw)
    cuts_slopes = [posterior.split(one) for one in found]
    mode_cuts, mode_slopes = posterior.split(mode)
    return OrdinalFit(
        cuts=tuple(cuts for cuts, _ in cuts_slopes),
        slopes=tuple(slopes for _, slopes in cuts_slopes),
        weights=weights,
        mode_cuts=mode_cuts,
        mode_slopes=mode_slopes,
        effective=1.0 / math.fsum(map(mul, weights, weights)),
    )


def weighted_quantiles(
    values: Sequence[float], weights: Sequence[float], probabilities: Sequence[float]
) -> list[float]:
    """Quantiles of weighted draws; infinite values are allowed at either end. `weights` sum to 1."""
    ordered = sorted(zip(values, weights, strict=True))
    found = []
    for probability in probabilities:
        below = 0.0
        chosen = ordered[-1][0]
        for value, weight in ordered:
            below += weight
            if below >= probability:
                chosen = value
                break
        found.append(chosen)
    return found


def expit(x: float) -> float:
    """1 / (1 + e^−x) without overflow."""
    if x >= 0:
        return 1.0 / (1.0 + math.exp(-x))
    grown = math.exp(x)
    return grown / (1.0 + grown)


def _softplus(x: float) -> float:
    return max(x, 0.0) + math.log1p(math.exp(-abs(x)))


class _Posterior:
    """Log posterior and gradient in free parameters: the asked cut, log distances to the others, slopes."""

    def __init__(self, rows: Sequence[Sequence[float]], categories: Sequence[int], count: int, asked: int) -> None:
        self._data = list(zip(rows, categories, strict=True))
        self._cuts, self._asked = count - 1, asked
        self.size = self._cuts + len(rows[0])

    def split(self, parameters: Sequence[float]) -> tuple[tuple[float, ...], tuple[float, ...]]:
        """Cuts in order, and slopes. The log distances stand in the order of the cuts they lead to."""
        cuts = [parameters[0]] * self._cuts
        for cut in range(self._asked + 1, self._cuts):
            cuts[cut] = cuts[cut - 1] + math.exp(parameters[cut])
        for cut in range(self._asked - 1, -1, -1):
            cuts[cut] = cuts[cut + 1] - math.exp(parameters[cut + 1])
        return tuple(cuts), tuple(parameters[self._cuts :])

    def log(self, parameters: Sequence[float]) -> float:
        cuts, slopes = self.split(parameters)
        last = len(cuts)
        total = self._log_prior(parameters, slopes)
        for row, category in self._data:
            eta = sum(map(mul, slopes, row))
            if category == 0:
                total -= _softplus(eta - cuts[0])
            elif category == last:
                total -= _softplus(cuts[-1] - eta)
            else:
                a, b = cuts[category] - eta, cuts[category - 1] - eta
                total += math.log(-math.expm1(b - a) or 1e-300) - _softplus(-a) - _softplus(b)
        return total

    def _log_prior(self, parameters: Sequence[float], slopes: Sequence[float]) -> float:
        total = -math.log1p((parameters[0] / CONSTANT_SCALE) ** 2)
        total -= 0.5 * sum((gap / LOG_GAP_SIGMA) ** 2 for gap in parameters[1 : self._cuts])
        return total - sum(math.log1p((slope / SLOPE_SCALE) ** 2) for slope in slopes)

    def gradient(self, parameters: Sequence[float]) -> list[float]:
        cuts, slopes = self.split(parameters)
        last = len(cuts)
        by_cut = [0.0] * last
        by_slope = [-2.0 * slope / (SLOPE_SCALE**2 + slope**2) for slope in slopes]
        for row, category in self._data:
            eta = sum(map(mul, slopes, row))
            # d log P / d(upper end), d log P / d(lower end)
            if category == 0:
                upper, lower = expit(eta - cuts[0]), 0.0
            elif category == last:
                upper, lower = 0.0, -expit(cuts[-1] - eta)
            else:
                a, b = cuts[category] - eta, cuts[category - 1] - eta
                share = math.exp(b - a) / (-math.expm1(b - a) or 1e-300)
                upper, lower = share + expit(-a), -share - expit(b)
            if category < last:
                by_cut[category] += upper
            if category > 0:
                by_cut[category - 1] += lower
            by_eta = -(upper + lower)
            for place, value in enumerate(row):
                by_slope[place] += by_eta * value
        first = parameters[0]
        found = [sum(by_cut) - 2.0 * first / (CONSTANT_SCALE**2 + first**2)]
        for place in range(1, self._cuts):
            if place > self._asked:
                moved = math.fsum(by_cut[place:]) * math.exp(parameters[place])
            else:
                moved = -math.fsum(by_cut[:place]) * math.exp(parameters[place])
            found.append(moved - parameters[place] / LOG_GAP_SIGMA**2)
        return found + by_slope

    def hessian(self, parameters: Sequence[float]) -> list[list[float]]:
        """Minus the second derivatives, from central differences of the gradient."""
        step = 1e-4
        columns = []
        for place in range(self.size):
            up, down = list(parameters), list(parameters)
            up[place] += step
            down[place] -= step
            columns.append(
                [(low - high) / (2 * step) for high, low in zip(self.gradient(up), self.gradient(down), strict=True)]
            )
        return [[(columns[i][j] + columns[j][i]) / 2 for j in range(self.size)] for i in range(self.size)]


def _mode(posterior: _Posterior) -> tuple[list[float], list[list[float]]]:
    """Newton with a ridge where the curvature is not yet that of a peak, and halved steps where it overshoots."""
    at = [0.0] * posterior.size
    here = posterior.log(at)
    for _ in range(_STEPS):
        gradient = posterior.gradient(at)
        curvature = _peaked(posterior.hessian(at))
        lower = cholesky(curvature)
        direction = solve_lower(lower, gradient)
        step = 1.0
        while step > 1e-6:
            trial = [x + step * d for x, d in zip(at, direction, strict=True)]
            there = posterior.log(trial)
            if there >= here:
                break
            step /= 2
        else:
            break
        moved = there - here
        at, here = trial, there
        if moved < 1e-10 and max(map(abs, gradient)) < 1e-5:
            break
    return at, _peaked(posterior.hessian(at))


def _peaked(matrix: list[list[float]]) -> list[list[float]]:
    ridge = 0.0
    while True:
        raised = [[value + (ridge if i == j else 0.0) for j, value in enumerate(row)] for i, row in enumerate(matrix)]
        try:
            cholesky(raised)
        except ValueError:
            ridge = max(2 * ridge, 1e-3)
        else:
            return raised


def _log_proposal(squared: float, size: int) -> float:
    """Log density of the mixture at a point `squared` standard deviations² from the mode, up to a constant."""
    narrow = math.log(NARROW_SHARE) - size * math.log(NARROW) - 0.5 * squared / NARROW**2
    wide = math.log(1.0 - NARROW_SHARE) - size * math.log(WIDE) - 0.5 * squared / WIDE**2
    top = max(narrow, wide)
    return top + math.log(math.exp(narrow - top) + math.exp(wide - top))


def _halton(index: int, base: int) -> float:
    value, part = 0.0, 1.0
    while index:
        part /= base
        index, digit = divmod(index, base)
        value += digit * part
    return value
