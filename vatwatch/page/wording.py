"""What the page says: sentences for vats, readings, journal entries and alarms. Pure; knows neither HTML nor the store.

Every sentence is for somebody with wet blue hands: the state first, then what to do. A number that is not trusted now
is never repeated here as if it were.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from enum import StrEnum

from vatwatch.records import (
    AlarmEvent,
    AlarmState,
    EntryKind,
    Flag,
    JournalEntry,
    Measured,
    Quantity,
    Reduction,
    Scan,
    VatCard,
    VatCondition,
)

MONTHS = [
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
]
_NUMBER_THEN_UNIT = re.compile(r"(\d) (?=(?:°C|%|mV|min|days|[gslh])(?:\W|$))")
CHECK_COLOURS = ("blue", "blue-green", "green", "yellow-green", "amber")
CONDITION_WORDS = {
    VatCondition.DYEABLE: "dyeable",
    VatCondition.SETTLING: "settling",
    VatCondition.OFF: "off",
    VatCondition.TOO_HOT: "too hot",
    VatCondition.UNKNOWN: "not known",
}
QUANTITY_WORDS = {
    Quantity.PH: "pH",
    Quantity.ORP: "ORP",
    Quantity.TEMPERATURE: "temperature",
}


class Freshness(StrEnum):
    """How far the newest scan can speak for now."""

    NEVER = "never"
    FRESH = "fresh"
    STALE = "stale"
    AHEAD = "ahead"


@dataclass(frozen=True, slots=True)
class Reading:
    """One line of numbers on a screen. `value` is empty when the number is withdrawn; `remark` then says why."""

    label: str
    value: str
    unit: str
    beside: str
    remark: str

    @property
    def withdrawn(self) -> bool:
        return not self.value


def freshness(scan: Scan | None, now_ms: int, stale_after_ms: int) -> Freshness:
    """Whether a scan may speak for now. A scan dated ahead of the clock is as doubtful as an old one."""
    if scan is None:
        return Freshness.NEVER
    age_ms = now_ms - scan.slot_ms
    if age_ms > stale_after_ms:
        return Freshness.STALE
    if age_ms < -stale_after_ms:
        return Freshness.AHEAD
    return Freshness.FRESH


def condition_now(scan: Scan | None, fresh: Freshness) -> VatCondition:
    """The condition to show: whatever the scan said, unless it cannot speak for now."""
    if scan is None or fresh is not Freshness.FRESH:
        return VatCondition.UNKNOWN
    return scan.condition


def clock_words(time_ms: int, now_ms: int, zone: tzinfo) -> str:
    """A local time as short as the day allows: `14:10`, `yesterday 23:10`, `3 June 14:10`."""
    then = datetime.fromtimestamp(time_ms / 1000, zone)
    today = datetime.fromtimestamp(now_ms / 1000, zone).date()
    hours = f"{then:%H:%M}"
    if then.date() == today:
        return hours
    if then.date() == today - timedelta(days=1):
        return f"yesterday {hours}"
    if then.date() == today + timedelta(days=1):
        return f"tomorrow {hours}"
    year = "" if then.year == today.year else f" {then.year}"
    return f"{then.day} {MONTHS[then.month - 1]}{year} {hours}"


def span_words(span_ms: int) -> str:
    """A length of time in its one fitting unit: `42 s`, `3 min`, `5 h`, `3 days`."""
    seconds = max(0, span_ms) // 1000
    if seconds < 90:
        return f"{seconds} s"
    if seconds < 90 * 60:
        return f"{seconds // 60} min"
    if seconds < 36 * 3600:
        return f"{seconds // 3600} h"
    return f"{seconds // 86400} days"


def age_words(scan: Scan | None, fresh: Freshness, now_ms: int) -> str:
    """How old the data is. Silence reads differently from freshness."""
    if scan is None:
        return "No data yet"
    if fresh is Freshness.STALE:
        return f"No data for {span_words(now_ms - scan.slot_ms)}"
    if fresh is Freshness.AHEAD:
        return "Data dated in the future"
    return f"Measured {span_words(now_ms - scan.slot_ms)} ago"


def bound(text: str) -> str:
    """Tie each number to its unit, so that a narrow screen does not part them."""
    return _NUMBER_THEN_UNIT.sub("\\1\u00a0", text)


def vat_sentence(card: VatCard, scan: Scan | None, fresh: Freshness, now_ms: int, zone: tzinfo) -> str:
    """The one sentence a dyer reads first: may I dye now; if not, why, and what to do or when."""
    if scan is None:
        return "Not known: no reading has arrived yet."
    if fresh is Freshness.STALE:
        return f"Not known: nothing heard since {clock_words(scan.slot_ms, now_ms, zone)}."
    if fresh is Freshness.AHEAD:
        return "Not known: the newest reading is dated ahead of this computer's clock. Check the clock."
    match scan.condition:
        case VatCondition.DYEABLE:
            return "Ready to dye."
        case VatCondition.SETTLING:
            return _settling_sentence(scan, now_ms, zone)
        case VatCondition.TOO_HOT:
            return _too_hot_sentence(card, scan)
        case VatCondition.OFF:
            return f"Not fit to dye: {'; '.join(_departures(card, scan)) or 'outside its window'}."
        case VatCondition.UNKNOWN:
            return _unknown_sentence(scan, now_ms, zone)


def _settling_sentence(scan: Scan, now_ms: int, zone: tzinfo) -> str:
    if scan.settled_from_ms is None:
        return "Not yet: settling after it was disturbed."
    if scan.settled_from_ms <= now_ms:
        return "Not yet: settling, ready any minute."
    return f"Not yet: settling, ready about {clock_words(scan.settled_from_ms, now_ms, zone)}."


def _too_hot_sentence(card: VatCard, scan: Scan) -> str:
    remedy = "Switch the heater off at the wall." if card.warmed else "Shade it and let it cool."
    value = trusted(scan.temperature_c)
    if value is None:
        return f"Too hot when last measured, and not measured now. {remedy}"
    if value <= card.ceiling_c:
        return f"It has been too hot; now {value:.0f} °C. {remedy}"
    return f"Too hot: {_apart(value, card.ceiling_c, 0)} °C. {remedy}"


def _unknown_sentence(scan: Scan, now_ms: int, zone: tzinfo) -> str:
    parts = []
    for quantity, measured in _quantities(scan):
        if trusted(measured) is not None:
            continue
        parts.append(_withdrawn_words(quantity, measured, now_ms, zone))
    if not parts:
        return f"Not known: {'; '.join(scan.shortfalls) or 'the readings do not allow a judgement yet'}."
    return f"Not known: {'; '.join(parts)}."


def _withdrawn_words(quantity: Quantity, measured: Measured, now_ms: int, zone: tzinfo) -> str:
    probe = f"the {QUANTITY_WORDS[quantity]} probe"
    since = "" if measured.time_ms is None else f" since {clock_words(measured.time_ms, now_ms, zone)}"
    if measured.flag is Flag.MISSING:
        return f"{probe} has been silent{since}" if since else f"{probe} is silent"
    reason = f" ({measured.reason})" if measured.reason else ""
    return f"{probe} has not been believable{since}{reason}"


def _departures(card: VatCard, scan: Scan) -> list[str]:
    """Which limits the scan breaks, in the order a dyer would mend them."""
    found = []
    # The limits are stated for 25 °C: a warm vat reads lower with nothing wrong, so the equivalent is what counts.
    ph = trusted(scan.ph) if scan.ph_25c is None else scan.ph_25c
    at = "" if scan.ph_25c is None else " (as at 25 °C)"
    temperature_c = trusted(scan.temperature_c)
    if scan.reduction is not None and scan.reduction.share < card.reduction_low:
        found.append(
            f"only about {share_words(scan.reduction.share)} reduced, wanted {share_words(card.reduction_low)} or more"
        )
    if ph is not None and ph < card.ph_low:
        found.append(f"pH {_apart(ph, card.ph_low, 1)}{at} is below {card.ph_low:g}")
    if ph is not None and ph > card.ph_high:
        found.append(f"pH {_apart(ph, card.ph_high, 1)}{at} is above {card.ph_high:g}")
    if temperature_c is not None and temperature_c < card.temperature_low_c:
        found.append(
            f"{_apart(temperature_c, card.temperature_low_c, 0)} °C is colder than {card.temperature_low_c:g} °C"
        )
    if temperature_c is not None and temperature_c > card.temperature_high_c:
        found.append(
            f"{_apart(temperature_c, card.temperature_high_c, 0)} °C is warmer than {card.temperature_high_c:g} °C"
        )
    return found or list(scan.shortfalls)


def _apart(value: float, limit: float, decimals: int) -> str:
    """`value` with just enough decimals not to read the same as the limit it breaks."""
    for digits in range(decimals, decimals + 3):
        text = f"{value:.{digits}f}"
        if float(text) != limit:
            return text
    return f"{value:.{decimals + 2}f}"


def trusted(measured: Measured) -> float | None:
    """The value, or None when the scan withdrew it or its quality flag says fail or missing."""
    if measured.flag in (Flag.FAIL, Flag.MISSING):
        return None
    return measured.value


def _quantities(scan: Scan) -> tuple[tuple[Quantity, Measured], ...]:
    return (
        (Quantity.PH, scan.ph),
        (Quantity.ORP, scan.orp_mv),
        (Quantity.TEMPERATURE, scan.temperature_c),
    )


def share_words(share: float) -> str:
    """A share of 0…1 as a whole percentage that never rounds up to 100."""
    return f"{min(99, round(share * 100))} %"


def reduction_words(reduction: Reduction, reduction_low: float) -> str:
    """The reduction estimate with its 90 % interval and its own limit, in words."""
    wanted = f"wanted {share_words(reduction_low)} or more (stitched line)"
    if reduction.saturated:
        return f"99 % or more reduced, {reduction.margin_mv:.0f} mV to spare; {wanted}"
    return (
        f"About {share_words(reduction.share)} reduced, somewhere between "
        f"{share_words(reduction.share_low)} and {share_words(reduction.share_high)}; {wanted}"
    )


def readings(card: VatCard, scan: Scan | None, fresh: Freshness, now_ms: int, zone: tzinfo) -> list[Reading]:
    """pH, temperature and ORP as lines for a screen; withdrawn unless the scan can speak for now."""
    lines = (
        (Quantity.PH, "pH", 2, "", f"window {card.ph_low:g} to {card.ph_high:g} at 25 °C"),
        (
            Quantity.TEMPERATURE,
            "Temperature",
            1,
            "°C",
            f"window {card.temperature_low_c:g} to {card.temperature_high_c:g} °C, ceiling {card.ceiling_c:g} °C",
        ),
        (Quantity.ORP, "ORP", 0, "mV", ""),
    )
    if scan is None or fresh is not Freshness.FRESH:
        why = "no data yet" if scan is None else age_words(scan, fresh, now_ms).lower()
        return [Reading(label, "", unit, beside, why) for _, label, _, unit, beside in lines]
    by_quantity = dict(_quantities(scan))
    return [
        _reading(label, by_quantity[quantity], decimals, unit, _beside(quantity, scan, beside), scan, now_ms, zone)
        for quantity, label, decimals, unit, beside in lines
    ]


def _beside(quantity: Quantity, scan: Scan, beside: str) -> str:
    if quantity is Quantity.PH and scan.ph_25c is not None and trusted(scan.ph) is not None:
        return f"same as {scan.ph_25c:.2f} at 25 °C; {beside}"
    if quantity is Quantity.ORP and scan.eh_mv is not None and trusted(scan.orp_mv) is not None:
        return f"Eh {_signed(scan.eh_mv, 0)} mV against the hydrogen electrode"
    return beside


def _reading(
    label: str, measured: Measured, decimals: int, unit: str, beside: str, scan: Scan, now_ms: int, zone: tzinfo
) -> Reading:
    value = trusted(measured)
    if value is None:
        reason = measured.reason or ("silent" if measured.flag is Flag.MISSING else "not believable")
        since = "" if measured.time_ms is None else f", since {clock_words(measured.time_ms, now_ms, zone)}"
        return Reading(label, "", unit, beside, f"{reason}{since}")
    remarks = []
    if measured.flag is Flag.SUSPECT:
        remarks.append(f"doubtful: {measured.reason}" if measured.reason else "doubtful")
    if measured.time_ms is not None and scan.slot_ms - measured.time_ms > 30_000:
        remarks.append(f"{span_words(now_ms - measured.time_ms)} old")
    return Reading(label, _signed(value, decimals), unit, beside, ", ".join(remarks))


def _signed(value: float, decimals: int) -> str:
    return f"{value:.{decimals}f}".replace("-", "−")


def entry_words(entry: JournalEntry) -> str:
    """A journal entry as one short line, without its time."""
    grams = "" if entry.grams is None else f"{entry.grams:g} g "
    litres = "" if entry.litres is None else f"{entry.litres:g} l "
    minutes = "" if entry.minutes is None else f", {entry.minutes:g} min"
    tail = f" ({entry.text})" if entry.text else ""
    match entry.kind:
        case EntryKind.FEED:
            return f"Fed {grams}{entry.what}{tail}".strip()
        case EntryKind.STIR:
            return f"Stirred{minutes}{tail}"
        case EntryKind.DIP:
            return f"Dipped {entry.what}{minutes}{tail}".replace("Dipped ,", "Dipped,").rstrip()
        case EntryKind.CHECK:
            return f"Liquor looked {entry.what}{tail}"
        case EntryKind.TOP_UP:
            return f"Topped up {litres}{entry.what}{tail}".strip()
        case EntryKind.COVER:
            return f"{entry.what.capitalize() or 'Covered'}{tail}"
        case EntryKind.NOTE:
            return entry.text or entry.what
        case EntryKind.OUTCOME:
            return f"Outcome: {entry.what}{tail}"
        case EntryKind.REMADE:
            return f"Vat made anew{tail}"


def alarm_name(alarm: str) -> str:
    """An alarm's kind as words; a kind this page has not met is read out as it is."""
    known = {
        "overheat": "Too hot",
        "off-ph-low": "pH too low",
        "off-ph-high": "pH too high",
        "off-reduction-low": "Not reduced enough",
        "off-temperature-low": "Too cold",
        "off-temperature-high": "Warmer than its window",
    }
    words = alarm.replace("-", " ").replace("_", " ").strip()
    return known.get(alarm, words[:1].upper() + words[1:])


def alarm_words(event: AlarmEvent, now_ms: int, zone: tzinfo) -> str:
    """A standing alarm as a sentence: what, in which state, since when."""
    since = clock_words(event.slot_ms, now_ms, zone)
    states = {
        AlarmState.UNACKNOWLEDGED: f"nobody has answered yet, since {since}",
        AlarmState.ACKNOWLEDGED: f"acknowledged at {since}, still so",
        AlarmState.RETURNED: f"over since {since}, nobody has answered",
        AlarmState.LATCHED_UNACKNOWLEDGED: f"over since {since}, nobody has answered, kept until you reset it",
        AlarmState.LATCHED_ACKNOWLEDGED: f"over or acknowledged since {since}, kept until you reset it",
    }
    return f"{alarm_name(event.alarm)}: {states.get(event.to_state, f'{event.to_state} since {since}')}."
