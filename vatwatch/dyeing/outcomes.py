"""How a finished piece turned out: which statements can be true. Pure.

Shade is in the dyer's own words and, where measured, CIELAB coordinates or K/S; rubbing in grades of the grey scale.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from vatwatch.dyeing.steps import Detail

RUBBING_GRADES = ("5", "4-5", "4", "3-4", "3", "2-3", "2", "1-2", "1")
"""Grey scale for assessing staining, 5 (nothing rubs off) to 1, half grades between them.

Source: ISO 105-X12:2016, Colour fastness to rubbing, assessed with the grey scale of ISO 105-A03.
"""
MEASURED: Mapping[Detail, tuple[str, float, float]] = {
    Detail.L_STAR: ("L*", 0.0, 100.0),
    Detail.A_STAR: ("a*", -150.0, 150.0),
    Detail.B_STAR: ("b*", -150.0, 150.0),
    Detail.K_OVER_S: ("K/S", 0.0, 100.0),
}
"""Label and range. L* runs from 0 to 100 (ISO/CIE 11664-4:2019); the other bounds only catch slips of the hand."""


def k_over_s(reflectance: float) -> float:
    """K/S of an opaque layer from its reflectance (0 exclusive to 1).

    Source: Kubelka, P. & Munk, F. (1931), Z. tech. Physik 12, 593: K/S = (1 − R)²/(2R). Raises ValueError outside.
    """
    if not 0.0 < reflectance <= 1.0:
        raise ValueError(f"reflectance is {reflectance:g}; expected more than 0 and at most 1")
    return (1.0 - reflectance) ** 2 / (2.0 * reflectance)


def outcome_complaints(text: str, details: Mapping[str, str]) -> list[str]:
    """What cannot be true in an outcome, as sentences; empty when it can be kept."""
    found = []
    for name, (label, low, high) in MEASURED.items():
        given = details.get(name)
        if given is None:
            continue
        try:
            value = float(given)
        except ValueError:
            value = math.nan
        if not low <= value <= high:
            found.append(f"{label}: expected a number from {low:g} to {high:g}; given “{given[:20]}”.")
    lab = [details.get(name) is not None for name in (Detail.L_STAR, Detail.A_STAR, Detail.B_STAR)]
    if any(lab) and not all(lab):
        found.append("L*, a* and b* belong together: give all three, or none.")
    for name, how in ((Detail.RUBBING_DRY, "Dry"), (Detail.RUBBING_WET, "Wet")):
        if details.get(name, "5") not in RUBBING_GRADES:
            found.append(f"{how} rubbing: expected a grade of the grey scale, {', '.join(RUBBING_GRADES)}.")
    said = any(details.get(name) for name in (*MEASURED, Detail.RUBBING_DRY, Detail.RUBBING_WET))
    if not (text.strip() or said):
        found.append("Say how it turned out: the shade in your own words, or a rubbing grade.")
    if (text.strip() or details.get(Detail.L_STAR) or details.get(Detail.K_OVER_S)) and details.get(
        Detail.JUDGED_DRY
    ) != "yes":
        found.append("Judge the shade when the piece is dry, since it lightens as it dries; then tick that it is.")
    return found
