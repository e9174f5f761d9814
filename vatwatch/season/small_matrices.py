"""The little linear algebra a fit with a handful of parameters needs. Pure.

Not for large matrices: a dependency of tens of megabytes for systems of ten unknowns would cost a small shed computer more
than these lines. Tests hold them against scipy.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from operator import mul

Matrix = Sequence[Sequence[float]]


def cholesky(matrix: Matrix) -> list[list[float]]:
    """Lower triangle L with L·Lᵀ = matrix. Raises ValueError unless the matrix is symmetric positive definite."""
    size = len(matrix)
    lower = [[0.0] * size for _ in range(size)]
    for i in range(size):
        for j in range(i + 1):
            rest = matrix[i][j] - sum(map(mul, lower[i][:j], lower[j][:j]))
            if i != j:
                lower[i][j] = rest / lower[j][j]
            elif rest > 1e-12:
                lower[i][i] = math.sqrt(rest)
            else:
                raise ValueError("the matrix is not positive definite")
    return lower


def solve_lower(lower: Matrix, right: Sequence[float]) -> list[float]:
    """x with L·Lᵀ·x = right."""
    size = len(lower)
    forward: list[float] = []
    for i in range(size):
        forward.append((right[i] - sum(map(mul, lower[i][:i], forward))) / lower[i][i])
    found = [0.0] * size
    for i in range(size - 1, -1, -1):
        later = sum(lower[k][i] * found[k] for k in range(i + 1, size))
        found[i] = (forward[i] - later) / lower[i][i]
    return found


def inverse(matrix: Matrix) -> list[list[float]]:
    """The inverse of a symmetric positive definite matrix. Raises ValueError if it is not one."""
    lower = cholesky(matrix)
    size = len(matrix)
    return [solve_lower(lower, [1.0 if i == j else 0.0 for i in range(size)]) for j in range(size)]


def lower_times(lower: Matrix, vector: Sequence[float]) -> list[float]:
    """L·vector for a lower triangle."""
    return [sum(map(mul, row, vector[: i + 1])) for i, row in enumerate(lower)]
