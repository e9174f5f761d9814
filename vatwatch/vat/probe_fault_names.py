"""What can be wrong with a probe, by name, and the sentence a dyer reads about it. Words only; recognises nothing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from enum import StrEnum

from vatwatch.terms import Flag, Quantity


class FaultName(StrEnum):
    """The whole vocabulary of findings."""

    OUT_OF_LIQUOR = "out of the liquor"
    SHORTED = "shorted"
    OPEN = "open circuit"
    FAULT_VALUE = "sensor's own fault value"
    STUCK = "stuck"
    SLOW = "slow to answer"
    DISAGREE = "two probes disagree"
    ALKALINE_ERROR = "alkaline error"
    WRONG_UNIT = "wrong unit"


NOT_SEPARABLE = (
    "A slow drift of the reference electrode shifts ORP (and pH, where they share it) just as slow chemistry does: from "
    "the vat's own readings the two cannot be told apart, so no such finding is made. Only a check solution, or a second "
    "probe, can tell."
)
"""Said wherever a dyer might expect a finding about drift."""


@dataclass(frozen=True, slots=True)
class Finding:
    """Something wrong with one or more probes of a vat, in words a dyer can act on.

    `flag` is what it makes of their readings: suspect ones are judged and say so, failed ones are withdrawn.
    `reads_low_by` (pH) is a one-sided error that widens the reading's uncertainty; 0 for every other finding.
    """

    name: FaultName
    probes: tuple[str, ...]
    flag: Flag
    sentence: str
    since_ms: int
    reads_low_by: float = 0.0


@dataclass(frozen=True, slots=True)
class Seen:
    """One probe's part in a finding: what it showed before (None: not known) and shows now, in its quantity's unit."""

    probe: str
    quantity: Quantity
    before: float | None
    now: float | None


_WHAT = {Quantity.PH: "pH probe", Quantity.ORP: "ORP probe", Quantity.TEMPERATURE: "thermometer"}
_TRY = {
    Quantity.PH: "put the probe into a buffer: if it still shows this, look at plug and cable, then at the glass",
    Quantity.ORP: "put the probe into a check solution: if it still shows this, look at plug and cable",
    Quantity.TEMPERATURE: "look at plug and cable",
}


_LASTING = (FaultName.STUCK, FaultName.SLOW, FaultName.DISAGREE, FaultName.ALKALINE_ERROR)
"""These may stand for days without anybody being called: an hour without its day would mislead."""


def number_words(quantity: Quantity, value: float | None) -> str:
    match quantity:
        case _ if value is None:
            return "nothing"
        case Quantity.PH:
            return f"pH {value:.2f}"
        case Quantity.ORP:
            return f"{value:.0f} mV"
        case _:
            return f"{value:.1f} °C"


def sentence_for(name: FaultName, seen: Sequence[Seen], since_ms: int, zone: tzinfo, warmed: bool, firm: bool) -> str:
    """Two or three sentences: what is seen, since when, what it looks like, what to do."""
    then = datetime.fromtimestamp(since_ms / 1000, tz=UTC).astimezone(zone)
    since = f"{then:%H:%M}"
    if name in _LASTING or not firm:
        since = f"{then.day}.{then.month}. {since}"
    first = seen[0]
    who = _and([f"{_WHAT[one.quantity]} {one.probe}" for one in seen])
    them = "them" if len(seen) > 1 else "it"
    shows = number_words(first.quantity, first.now)
    match name:
        case FaultName.OUT_OF_LIQUOR:
            went = _and([f"{_from_to(one)}" for one in seen])
            heat = (
                " If that thermometer rules a heater, switch the heater off by hand until it hangs in the liquor again."
                if warmed and any(one.quantity is Quantity.TEMPERATURE for one in seen)
                else ""
            )
            return (
                f"The {who} seem{'' if len(seen) > 1 else 's'} to be out of the liquor since {since}: {went} within "
                f"minutes. Hang {them} back, clear of sludge and film.{heat}"
            )
        case FaultName.SHORTED:
            rest = "the meter's zero" if first.quantity is Quantity.ORP else "what 0 mV means to a pH meter"
            return (
                f"The {who} has rested at {shows}, {rest}, since {since}: most likely shorted (wet plug, crushed cable, "
                f"cracked glass). To be sure, {_TRY[first.quantity]}."
            )
        case FaultName.OPEN:
            now = f"shows {shows}" if first.now is not None else "stands at the end of its scale"
            return (
                f"The {who} {now} and is not reading the liquor since {since}: most likely an open circuit (pulled plug, "
                f"broken wire, dry junction). To be sure, {_TRY[first.quantity]}."
            )
        case FaultName.FAULT_VALUE:
            return (
                f"The {who} gives its own fault value since {since}, not a temperature: look at plug, cable and supply."
            )
        case FaultName.STUCK:
            return (
                f"The {who} has shown exactly {shows} since {since}, far longer than it ever rests: its number is old or "
                "frozen. Lift it out for a moment; if the number does not move, restart the meter."
            )
        case FaultName.SLOW:
            return (
                f"The {who} now takes several times as long to answer a feed or stir as it used to, since {since}: "
                "most likely coated. Clean it and let it soak."
            )
        case FaultName.DISAGREE:
            pair = " and ".join(f"{one.probe} {number_words(one.quantity, one.now)}" for one in seen)
            return (
                f"The {who} disagree since {since} ({pair}), and which of them is right cannot be told from here. Hold a "
                "third beside them, or try both in one cup."
            )
        case FaultName.ALKALINE_ERROR:
            return (
                f"Above pH 12 in a soda or caustic liquor ordinary pH glass reads too low: behind {shows} the liquor may be "
                "more alkaline. Give no alkali on this number alone; use a probe for high pH, or a strip as well."
            )
        case FaultName.WRONG_UNIT:
            sure = "reads in °F, not °C" if firm else "may be reading in °F, not °C"
            return (
                f"The {who} {sure}, since {since}: {first.now or 0.0:.0f} would be {((first.now or 0.0) - 32) / 1.8:.1f} °C."
                f" Look at a thermometer in the vat, then set the meter to °C."
            )


def _from_to(one: Seen) -> str:
    if one.before is None:
        return number_words(one.quantity, one.now)
    return f"{number_words(one.quantity, one.before)} became {number_words(one.quantity, one.now)}"


def _and(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
