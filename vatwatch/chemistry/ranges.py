"""Refuse what a published relation does not cover. This module must not clip, guess or substitute a value."""

from __future__ import annotations

import math

from vatwatch.errors import RangeError


def require_range(value: float, low: float, high: float, what: str, unit: str, source: str) -> float:
    """Give `value` back as a float when it is finite and within `low`…`high`.

    `what` names the quantity, `unit` its unit, `source` the relation that sets the limits.

    Raises:
        RangeError: `value` is not finite or lies outside the limits.
    """
    if low <= value <= high:
        return float(value)
    found = f"{value:g}{' ' + unit if unit else ''}"
    span = f"{low:g} to {high:g}{' ' + unit if unit else ''}"
    if not math.isfinite(value):
        raise RangeError(f"{what} is {found}, which is not a number to reckon with; expected {span} ({source})")
    raise RangeError(f"{what} is {found}; {source} holds from {span}. Check the probe or the setting")


def require_finite(value: float, what: str, unit: str) -> float:
    """Give `value` back as a float when it is a finite number.

    Raises:
        RangeError: `value` is infinite or not a number.
    """
    if math.isfinite(value):
        return float(value)
    raise RangeError(
        f"{what} is {value:g} {unit}, which is not a number to reckon with; check the probe or the setting"
    )


def require_positive_int(value: int, what: str) -> int:
    """Give `value` back when it is a whole number of at least 1.

    Raises:
        RangeError: `value` is smaller than 1 or not whole.
    """
    if value >= 1 and value == int(value):
        return int(value)
    raise RangeError(f"{what} is {value}; expected a whole number of at least 1")
