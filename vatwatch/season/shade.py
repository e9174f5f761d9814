"""Measured shade against the vat's state: a straight line through L* and K/S. Pure.

Ordinary least squares with Student's intervals; the quantile after Abramowitz & Stegun (1964), Handbook of Mathematical
Functions, 26.7.5. A shade also depends on cloth and dips: time in the liquor stands in the line, cloth does not.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist, fmean

from vatwatch.season.outcome_factors import scales_of
from vatwatch.season.piece_states import PieceState
from vatwatch.season.small_matrices import inverse

LEAST_MEASURED = 20
PIECES_PER_FACTOR = 6


@dataclass(frozen=True, slots=True)
class ShadeEffect:
    """Change of the measure per `step_words`, with a 90 % interval."""

    factor: str
    label: str
    step_words: str
    change: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class ShadeFinding:
    """One vat and one measure ("L*": lower is darker; "K/S": higher is deeper). `explained` is R², 0 to 1."""

    vat: str
    measure: str
    pieces: int
    refusal: str
    effects: tuple[ShadeEffect, ...] = ()
    explained: float | None = None


def shade_finding(pieces: Sequence[PieceState], vat: str) -> list[ShadeFinding]:
    """What the measured shades of one vat's pieces say; nothing for a measure nobody took."""
    found = []
    for measure in ("L*", "K/S"):
        values = [(piece, piece.l_star if measure == "L*" else piece.k_over_s) for piece in pieces]
        measured = [(piece, value) for piece, value in values if value is not None]
        if measured:
            found.append(_fit([piece for piece, _ in measured], [value for _, value in measured], measure, vat))
    return found


def _fit(pieces: Sequence[PieceState], values: Sequence[float], measure: str, vat: str) -> ShadeFinding:
    count = len(pieces)
    if count < LEAST_MEASURED:
        return ShadeFinding(
            vat, measure, count, f"Not enough pieces yet: {count} measured, at least {LEAST_MEASURED} are needed."
        )
    scales, _ = scales_of(pieces, max(1, count // PIECES_PER_FACTOR))
    if not scales:
        return ShadeFinding(vat, measure, count, "The vat was nearly the same for every piece.")
    rows = [[1.0, *(scale.z(scale.factor.of(piece)) for scale in scales)] for piece in pieces]
    size = len(rows[0])
    squares = [[math.fsum(row[i] * row[j] for row in rows) for j in range(size)] for i in range(size)]
    try:
        inverted = inverse(squares)
    except ValueError:
        return ShadeFinding(vat, measure, count, "Two sides of the vat's state moved as one and cannot be told apart.")
    right = [math.fsum(row[i] * value for row, value in zip(rows, values, strict=True)) for i in range(size)]
    line = [math.fsum(a * b for a, b in zip(row, right, strict=True)) for row in inverted]
    rest = math.fsum(
        (value - math.fsum(a * b for a, b in zip(line, row, strict=True))) ** 2
        for row, value in zip(rows, values, strict=True)
    )
    whole = math.fsum((value - fmean(values)) ** 2 for value in values)
    free = count - size
    half = student_95(free) * math.sqrt(rest / free)
    effects = []
    for place, scale in enumerate(scales, start=1):
        change = line[place] * scale.step_z
        reach = half * math.sqrt(inverted[place][place]) * scale.step_z
        factor = scale.factor
        effects.append(
            ShadeEffect(factor.name, factor.label, factor.step_words, change, change - reach, change + reach)
        )
    return ShadeFinding(vat, measure, count, "", tuple(effects), 1.0 - rest / whole if whole > 0 else None)


def student_95(free: int) -> float:
    """The 95 % quantile of Student's t with `free` ≥ 5 degrees of freedom, to 0.001."""
    x = NormalDist().inv_cdf(0.95)
    terms = (
        (x**3 + x) / 4,
        (5 * x**5 + 16 * x**3 + 3 * x) / 96,
        (3 * x**7 + 19 * x**5 + 17 * x**3 - 15 * x) / 384,
        (79 * x**9 + 776 * x**7 + 1482 * x**5 - 1920 * x**3 - 945 * x) / 92160,
    )
    return x + math.fsum(term / float(free) ** power for power, term in enumerate(terms, start=1))
