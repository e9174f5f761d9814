"""What makes one vat's estimate unsure, and what would make it surer: an uncertainty budget a person can read.

Each term is a standard uncertainty of the margin in mV; independent terms add as squares (GUM, JCGM 100:2008, 5.1.2).
"""

from __future__ import annotations

from dataclasses import dataclass

from vatwatch.chemistry.calibration import ORP_DRIFT_MV_PER_DAY
from vatwatch.chemistry.electrodes import reference_potential_sigma_mv
from vatwatch.chemistry.indigo import half_reduced_slope_mv_per_ph
from vatwatch.errors import RangeError
from vatwatch.records import Scan
from vatwatch.terms import Quantity
from vatwatch.vat.settings import DAY_MS, VatSettings
from vatwatch.vat.state import VatState


@dataclass(frozen=True, slots=True)
class BudgetTerm:
    """One source of doubt: its name, 1 σ in mV, its part of the whole variance (0 to 1), and what would shrink it."""

    name: str
    sigma_mv: float
    part: float
    remedy: str


def uncertainty_budget(settings: VatSettings, state: VatState, scan: Scan) -> tuple[BudgetTerm, ...]:
    """The terms behind `scan.reduction`, largest first; empty when there is no estimate to explain."""
    ph, orp, temperature = scan.ph, scan.orp_mv, scan.temperature_c
    if scan.reduction is None or ph.value is None or orp.value is None or temperature.value is None:
        return ()
    probe = next(p for p in settings.probes if p.signal.quantity is Quantity.ORP)
    if probe.reference is None:
        return ()
    try:
        slope = half_reduced_slope_mv_per_ph(ph.value, temperature.value)
        reference = reference_potential_sigma_mv(probe.reference, temperature.value)
    except RangeError:
        return ()
    age_days = 0.0
    if probe.calibrated_ms is not None:
        age_days = max(0, scan.slot_ms - probe.calibrated_ms) / DAY_MS
    taught = "tell it how the liquor looks" if state.checks == 0 else "one more look at the liquor, at another margin"
    found = [
        ("what this vat and dye add to the couple", state.belief.sigma_mv(), taught),
        (
            "the ORP electrode's calibration",
            probe.orp_calibration.sigma_mv,
            "check it in a redox solution (ZoBell's, Light's or quinhydrone)",
        ),
        (
            "the ORP electrode's wandering since its calibration",
            ORP_DRIFT_MV_PER_DAY * age_days,
            f"check it again in a redox solution: the last time was {age_days:.0f} days ago",
        ),
        ("the ORP electrode's noise", probe.sigma, "look at cable, earthing and the platinum's cleanliness"),
        ("the reference electrode's table", reference, "nothing: tables differ by this much"),
        ("pH, through the couple", abs(slope) * (ph.sigma or 0.0), _ph_remedy(settings, scan)),
    ]
    whole = sum(sigma**2 for _, sigma, _ in found) or 1.0
    terms = [BudgetTerm(name, sigma, sigma**2 / whole, remedy) for name, sigma, remedy in found if sigma > 0.0]
    return tuple(sorted(terms, key=lambda term: -term.sigma_mv))


def _ph_remedy(settings: VatSettings, scan: Scan) -> str:
    """What would make the pH surer; its own 1 σ holds calibration, age and noise already (`scan.calibrated`)."""
    dates = [p.calibrated_ms for p in settings.probes if p.signal.quantity is Quantity.PH]
    made = dates[0] if dates else None
    if made is None:
        return "calibrate the pH electrode in buffers 7 and 10"
    days = max(0, scan.slot_ms - made) / DAY_MS
    return f"calibrate the pH electrode in buffers 7 and 10: the last time was {days:.0f} days ago"
