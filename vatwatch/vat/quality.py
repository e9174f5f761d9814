"""Is a single sample believable at all? Gross range and known fault values, flagged after IOOS QARTOD.

Flags: 1 pass, 2 not evaluated, 3 suspect, 4 fail, 9 missing (IOOS QARTOD manuals). A bad value keeps its number in the
record, with the flag and the reason, and never reaches the judgement.
"""

from __future__ import annotations

import math
from dataclasses import replace

from vatwatch.chemistry.thermometers import is_digital_fault
from vatwatch.records import Flag, Sample, Signal

GROSS_RANGE: dict[Signal, tuple[float, float]] = {
    Signal.PH: (0.0, 14.0),
    # 7 pH units of Nernst slope at 60 °C is 463 mV; an offset beyond ±60 mV is a broken electrode.
    Signal.PH_MV: (-525.0, 525.0),
    # Zinc in strong alkali is the most reducing vat there is (down to about −1250 mV); ZoBell's +430 mV is the check.
    Signal.ORP_MV: (-1500.0, 1000.0),
    # A water vat neither freezes solid nor boils.
    Signal.TEMPERATURE_C: (-5.0, 100.0),
    # IEC 60751: 98.04 Ω at −5 °C, 138.51 Ω at 100 °C.
    Signal.PT100_OHM: (98.0, 138.6),
}
"""What each signal can be in a working vat; outside it the sample fails. Judgement of this project."""


def flag_sample(sample: Sample, slot_start_ms: int) -> Sample:
    """The sample with its flag and, if it is not good, the reason in words.

    A sample older than its slot came too late for the scan it belongs to: it is kept, not evaluated and not judged.
    """
    if sample.value is None:
        return sample if sample.reason else replace(sample, flag=Flag.MISSING, reason="no value")
    if not math.isfinite(sample.value):
        return replace(sample, value=None, flag=Flag.FAIL, reason="not a finite number")
    if sample.time_ms < slot_start_ms:
        return replace(sample, flag=Flag.NOT_EVALUATED, reason="late")
    if sample.signal is Signal.TEMPERATURE_C and is_digital_fault(sample.value):
        return replace(sample, flag=Flag.FAIL, reason=f"{sample.value:g} °C is the sensor's own fault value")
    low, high = GROSS_RANGE[sample.signal]
    if not low <= sample.value <= high:
        return replace(
            sample,
            flag=Flag.FAIL,
            reason=f"{sample.value:g} is outside {low:g} to {high:g}, what a working vat can show",
        )
    return replace(sample, flag=Flag.PASS, reason="")
