"""What the page says of readings, times, journal entries and alarms. Pure; knows neither HTML nor the store.

The one sentence about a vat is in `sentence.py`. A number that is not trusted now is never repeated here as if it were.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import tzinfo

from vatwatch.dyeing.pieces import detail
from vatwatch.dyeing.steps import FINISHING, Detail, Part, Step
from vatwatch.page.hand import outcome_words
from vatwatch.page.measures import (
    Freshness,
    bound,
    clock_words,
    freshness,
    quantities_of,
    share_words,
    span_words,
    trusted,
)
from vatwatch.page.sentence import outlook_words, vat_sentence
from vatwatch.records import AlarmEvent, JournalEntry, Measured, Reduction, Scan, VatCard
from vatwatch.terms import AlarmState, EntryKind, Flag, Look, Quantity, VatCondition

__all__ = [
    "CHECK_LOOKS",
    "CONDITION_WORDS",
    "Freshness",
    "Reading",
    "age_words",
    "alarm_name",
    "alarm_words",
    "bound",
    "clock_words",
    "condition_now",
    "entry_words",
    "freshness",
    "outlook_words",
    "readings",
    "reduction_words",
    "share_words",
    "span_words",
    "trusted",
    "vat_sentence",
]

CHECK_LOOKS: tuple[tuple[str, tuple[Look, ...]], ...] = (
    ("Under the surface, the liquor looks", (Look.BLUE, Look.BLUE_GREEN, Look.GREEN, Look.YELLOW_GREEN, Look.AMBER)),
    ("After an hour's rest, on the surface lies", (Look.FILM_NONE, Look.FILM_THIN, Look.FILM_COPPERY)),
    ("A strip of cloth, as it comes up, is", (Look.STRIP_BLUE, Look.STRIP_GREEN, Look.STRIP_YELLOW)),
)
"""What a check can report, by what was looked at."""
CONDITION_WORDS = {
    VatCondition.DYEABLE: "dyeable",
    VatCondition.SETTLING: "settling",
    VatCondition.OFF: "off",
    VatCondition.TOO_HOT: "too hot",
    VatCondition.UNKNOWN: "not known",
}


@dataclass(frozen=True, slots=True)
class Reading:
    """One line of numbers on a screen. `value` is empty when the number is withdrawn; `remark` then says why.

    `trust` says how far a number that is shown may be believed; when it is `doubtful`, why, and what to do about it.
    """

    label: str
    value: str
    unit: str
    beside: str
    remark: str
    trust: str = ""
    doubtful: bool = False

    @property
    def withdrawn(self) -> bool:
        return not self.value


def condition_now(scan: Scan | None, fresh: Freshness) -> VatCondition:
    """The condition to show: whatever the scan said, unless it cannot speak for now."""
    if scan is None or fresh is not Freshness.FRESH:
        return VatCondition.UNKNOWN
    return scan.condition


def age_words(scan: Scan | None, fresh: Freshness, now_ms: int) -> str:
    """How old the data is. Silence reads differently from freshness."""
    if scan is None:
        return "No data yet"
    if fresh is Freshness.STALE:
        return f"No data for {span_words(now_ms - scan.slot_ms)}"
    if fresh is Freshness.AHEAD:
        return "Data dated in the future"
    if all(measured.value is None for _, measured in quantities_of(scan)):
        return "Nothing is measured now"
    return f"Measured {span_words(now_ms - scan.slot_ms)} ago"


def reduction_words(reduction: Reduction, reduction_low: float) -> str:
    """The reduction estimate with its 90 % interval and its own limit, in words."""
    wanted = f"wanted {share_words(reduction_low)} or more"
    if reduction.saturated:
        return f"99 % or more reduced, {reduction.margin_mv:.0f} mV to spare; {wanted}"
    return (
        f"About {share_words(reduction.share)} reduced, somewhere between "
        f"{share_words(reduction.share_low)} and {share_words(reduction.share_high)}; {wanted}"
    )


def readings(card: VatCard, scan: Scan | None, fresh: Freshness, now_ms: int, zone: tzinfo) -> list[Reading]:
    """pH, temperature and ORP as lines for a screen; withdrawn unless the scan can speak for now."""
    lines = (
        (Quantity.PH, "pH", 2, "", f"window {round(card.ph_low, 2):g} to {round(card.ph_high, 2):g} at 25 °C"),
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
    by_quantity = dict(quantities_of(scan))
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
    remark = ""
    if measured.time_ms is not None and scan.slot_ms - measured.time_ms > 30_000:
        remark = f"{span_words(now_ms - measured.time_ms)} old"
    doubtful = measured.flag is Flag.SUSPECT
    trust = trust_words(measured, unit)
    return Reading(label, _signed(value, decimals), unit, beside, remark, trust, doubtful)


def trust_words(measured: Measured, unit: str) -> str:
    """How far a reading may be believed: twice its standard uncertainty, or what makes it doubtful, in plain words."""
    if measured.flag is Flag.SUSPECT:
        return f"Doubtful: {measured.reason}" if measured.reason else "Doubtful"
    if not measured.sigma:
        return ""
    width = 2.0 * measured.sigma
    decimals = 0 if width >= 10.0 or unit == "mV" else 1 if width >= 0.095 else 2
    return f"Good to about ±{width:.{decimals}f} {unit}".rstrip()


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
            return _dip_words(entry, minutes, tail)
        case EntryKind.CHECK:
            return f"{_look_words(entry.what)}{tail}"
        case EntryKind.TOP_UP:
            return f"Topped up {litres}{entry.what}{tail}".strip()
        case EntryKind.COVER:
            return f"{entry.what.capitalize() or 'Covered'}{tail}"
        case EntryKind.NOTE:
            if detail(entry, Detail.STEP) == Step.PRE_WET:
                return f"{entry.what}: put to pre-wet"
            return entry.text or entry.what
        case EntryKind.OUTCOME:
            judged = outcome_words(entry)
            return f"{entry.what}: {judged}" if judged else f"Outcome: {entry.what}"
        case EntryKind.FINISH:
            done = {finishing.step: finishing.done_words for finishing in FINISHING}
            step = detail(entry, Detail.STEP)
            return f"{entry.what}: {done[Step(step)].lower() if step in done else 'finishing'}{minutes}{tail}"
        case EntryKind.REMADE:
            return f"Vat made anew{tail}"
        case EntryKind.UNDO:
            return f"Took an entry back{tail}"
        case EntryKind.PROBE_OUT:
            return f"Took {entry.what} out{minutes}{tail}"
        case EntryKind.PROBE_BACK:
            return f"Put {entry.what} back{tail}"


def _dip_words(entry: JournalEntry, minutes: str, tail: str) -> str:
    despite = f", though: {words}" if (words := detail(entry, Detail.DESPITE)) else ""
    match detail(entry, Detail.PART):
        case Part.IN:
            return f"{entry.what} into the vat{despite}{tail}"
        case Part.OUT:
            return f"{entry.what} out of the vat{minutes}{tail}"
        case _:
            return f"Dipped {entry.what}{minutes}{tail}".replace("Dipped ,", "Dipped,").rstrip()


def _look_words(what: str) -> str:
    if what.startswith("strip "):
        return f"A strip came up {what.removeprefix('strip ')}"
    return f"On the surface: {what}" if what.endswith("film") else f"Liquor looked {what}"


def alarm_name(alarm: str) -> str:
    """An alarm's kind as words; a kind this page has not met is read out as it is."""
    known = {
        "overheat": "Too hot",
        "off-ph-low": "pH too low",
        "off-ph-high": "pH too high",
        "off-reduction": "Too little reduced",
        "off-cold": "Too cold",
        "off-warm": "Warmer than its window",
        "tiring-reduction": "Tiring: reduction is running down",
        "tiring-ph": "Turning sour",
        "cooling": "Cooling down, heater not holding",
        "heating": "Heating towards its ceiling",
        "doubtful": "Near its limit: look at the liquor",
        "unlogged": "Something done that is not logged",
        "calibration-due": "Calibration due",
        "outlet-undelivered": "Messages do not get through",
        "disk-low": "The disk is nearly full",
        "clock-unset": "The computer's clock may be wrong",
        "silent-ph": "pH probe silent",
        "silent-orp": "ORP probe silent",
        "silent-temperature": "Temperature probe silent",
    }
    words = alarm.replace("-", " ").replace("_", " ").strip()
    return known.get(alarm, words[:1].upper() + words[1:])


def alarm_words(event: AlarmEvent, now_ms: int, zone: tzinfo, until_ms: int | None = None) -> str:
    """A standing alarm as a sentence: what, in which state, since when; shelved, until when."""
    since = clock_words(event.slot_ms, now_ms, zone)
    until = f"since {since}" if until_ms is None else f"until {clock_words(until_ms, now_ms, zone)}"
    states = {
        AlarmState.UNACKNOWLEDGED: f"nobody has answered yet, since {since}",
        AlarmState.ACKNOWLEDGED: f"acknowledged at {since}, still so",
        AlarmState.RETURNED: f"over since {since}, nobody has answered",
        AlarmState.LATCHED_UNACKNOWLEDGED: f"over since {since}, nobody has answered, kept until you reset it",
        AlarmState.LATCHED_ACKNOWLEDGED: f"over or acknowledged since {since}, kept until you reset it",
        AlarmState.SHELVED: f"shelved {until}, not told meanwhile",
        AlarmState.OUT_OF_SERVICE: f"out of service since {since}, not told meanwhile",
    }
    return f"{alarm_name(event.alarm)}: {states.get(event.to_state, f'{event.to_state} since {since}')}."
