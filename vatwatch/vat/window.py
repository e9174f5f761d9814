"""Is this vat fit to dye in this slot? One word, and the reasons behind it.

Order of the questions: too hot, not known, outside a limit, still settling, dyeable. What is missing is never taken as
well: without pH, ORP or temperature the word is "unknown".
"""

from __future__ import annotations

from collections.abc import Mapping

from vatwatch.records import Measured, Reduction
from vatwatch.terms import VatCondition
from vatwatch.vat.estimate import margin_of_share
from vatwatch.vat.limits import Limit, Side
from vatwatch.vat.settings import VatSettings
from vatwatch.vat.worked_out import Once

OVERHEAT = "overheat"
OFF_REDUCTION = "off-reduction"
OFF_PH_LOW = "off-ph-low"
OFF_PH_HIGH = "off-ph-high"
OFF_COLD = "off-cold"
OFF_WARM = "off-warm"
OFF_LIMITS = (OFF_REDUCTION, OFF_PH_LOW, OFF_PH_HIGH, OFF_COLD, OFF_WARM)

SETTLING = "settling"
NO_PH = "no-ph"
NO_ORP = "no-orp"
NO_TEMPERATURE = "no-temperature"
NO_ESTIMATE = "no-estimate"
UNSURE = "unsure"

SURE_ENOUGH = 0.9
"""Below this probability of standing above the reduction limit, a dyeable vat is called so with a word of doubt."""


def limits_of(settings: VatSettings, temperature_c: float | None) -> dict[str, Limit]:
    """Every limit of one vat by name. The reduction limit is held as a margin in mV, which does not saturate."""
    # An impossible temperature makes no estimate; the limit itself must still stand.
    at_c = 25.0 if temperature_c is None else min(max(temperature_c, 0.0), 100.0)
    margin = margin_of_share(settings.window.reduction_low, at_c)
    return {OFF_REDUCTION: Limit(Side.LOW, margin, settings.deadbands.margin_mv), **_fixed_limits(settings)}


@Once
def _fixed_limits(settings: VatSettings) -> dict[str, Limit]:
    window, bands = settings.window, settings.deadbands
    return {
        OFF_PH_LOW: Limit(Side.LOW, window.ph_low, bands.ph),
        OFF_PH_HIGH: Limit(Side.HIGH, window.ph_high, bands.ph),
        OFF_COLD: Limit(Side.LOW, window.temperature_low_c, bands.temperature_c),
        OFF_WARM: Limit(Side.HIGH, window.temperature_high_c, bands.temperature_c),
        OVERHEAT: Limit(Side.HIGH, window.ceiling_c, bands.temperature_c),
    }


def values_of(
    ph_25c: float | None, reduction: Reduction | None, temperature_c: float | None
) -> dict[str, float | None]:
    """The value each limit is held against; None where it cannot be told."""
    margin = None if reduction is None else reduction.margin_mv
    return {
        OFF_REDUCTION: margin,
        OFF_PH_LOW: ph_25c,
        OFF_PH_HIGH: ph_25c,
        OFF_COLD: temperature_c,
        OFF_WARM: temperature_c,
        OVERHEAT: temperature_c,
    }


def judge(
    ph: Measured,
    orp_mv: Measured,
    temperature_c: Measured,
    reduction: Reduction | None,
    beyond: Mapping[str, bool],
    settling: bool,
) -> tuple[VatCondition, tuple[str, ...]]:
    """The vat's condition and everything it falls short of, most pressing first. `beyond` is by limit name."""
    missing = [
        name
        for name, measured in ((NO_PH, ph), (NO_ORP, orp_mv), (NO_TEMPERATURE, temperature_c))
        if measured.value is None
    ]
    if not missing and reduction is None:
        missing.append(NO_ESTIMATE)
    outside = [name for name in OFF_LIMITS if beyond.get(name, False)]
    waiting = [SETTLING] if settling else []
    shortfalls = (*missing, *outside, *waiting)
    if temperature_c.value is not None and beyond.get(OVERHEAT, False):
        return VatCondition.TOO_HOT, (OVERHEAT, *(s for s in shortfalls if s != OFF_WARM))
    if missing:
        return VatCondition.UNKNOWN, shortfalls
    if outside:
        return VatCondition.OFF, shortfalls
    if settling:
        return VatCondition.SETTLING, shortfalls
    if reduction is not None and reduction.probability_fit < SURE_ENOUGH:
        return VatCondition.DYEABLE, (UNSURE,)
    return VatCondition.DYEABLE, ()
