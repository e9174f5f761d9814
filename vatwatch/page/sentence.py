"""The one sentence a dyer reads first. Pure; judges nothing, only says what the scan judged.

It is for somebody with wet blue hands: the state first, then what to do or when.
"""

from __future__ import annotations

from datetime import tzinfo

from vatwatch.page.measures import QUANTITY_WORDS, Freshness, clock_words, quantities_of, share_words, trusted
from vatwatch.records import Measured, Outlook, Scan, VatCard
from vatwatch.terms import Flag, VatCondition


def vat_sentence(
    card: VatCard,
    scan: Scan | None,
    fresh: Freshness,
    now_ms: int,
    zone: tzinfo,
    outlook: Outlook | None = None,
) -> str:
    """The one sentence a dyer reads first: may I dye now; if not, why, and what to do or when.

    `outlook` is what is in sight for this vat, where that is known; one that has passed, or is of another condition than
    the scan's, says nothing any more.
    """
    outlook = _still_true(outlook, scan, now_ms)
    if scan is None:
        return "Not known: no reading has arrived yet."
    if fresh is Freshness.STALE:
        return f"Not known: nothing heard since {clock_words(scan.slot_ms, now_ms, zone)}."
    if fresh is Freshness.AHEAD:
        return "Not known: the newest reading is dated ahead of this computer's clock. Check the clock."
    match scan.condition:
        case VatCondition.DYEABLE:
            if "unsure" in scan.shortfalls:
                return "Ready to dye, as far as can be told: look at the liquor first."
            if outlook is not None:
                return f"Ready to dye until about {about(outlook.median_ms, now_ms, zone)}."
            return "Ready to dye."
        case VatCondition.SETTLING:
            return _settling_sentence(scan, now_ms, zone)
        case VatCondition.TOO_HOT:
            return _too_hot_sentence(card, scan)
        case VatCondition.OFF:
            back = "" if outlook is None else f"; ready about {about(outlook.median_ms, now_ms, zone)} as it goes now"
            return f"Not fit to dye: {'; '.join(_departures(card, scan)) or 'outside its window'}{back}."
        case VatCondition.UNKNOWN:
            return _unknown_sentence(scan, now_ms, zone)


def outlook_words(outlook: Outlook | None, scan: Scan | None, fresh: Freshness, now_ms: int, zone: tzinfo) -> str:
    """What is in sight, with its limit and how sure the time is; empty when nothing can be said."""
    outlook = _still_true(outlook, scan, now_ms)
    if outlook is None or fresh is not Freshness.FRESH:
        return ""
    early, middle = about(outlook.early_ms, now_ms, zone), about(outlook.median_ms, now_ms, zone)
    between = (
        f"9 times in 10 not before {early}"
        if outlook.late_ms is None
        else f"8 times in 10 between {early} and {about(outlook.late_ms, now_ms, zone)}"
    )
    if outlook.comes_back:
        return f"At this pace inside its window about {middle}; {between}."
    return f"At this pace {LEAVES_WORDS.get(outlook.limit, outlook.limit)} from about {middle}; {between}."


LEAVES_WORDS = {
    "off-reduction": "too little reduced",
    "off-ph-low": "pH too low",
    "off-ph-high": "pH too high",
    "off-cold": "too cold",
    "off-warm": "too warm to dye",
    "overheat": "above its ceiling",
}


def about(time_ms: int, now_ms: int, zone: tzinfo) -> str:
    """A forecast time to the nearest five minutes: more would be pretence."""
    step = 5 * 60_000
    return clock_words(round(time_ms / step) * step, now_ms, zone)


def _still_true(outlook: Outlook | None, scan: Scan | None, now_ms: int) -> Outlook | None:
    if outlook is None or scan is None or outlook.median_ms <= now_ms:
        return None
    comes_back = scan.condition is VatCondition.OFF
    fits = comes_back or scan.condition in (VatCondition.DYEABLE, VatCondition.SETTLING)
    return outlook if fits and outlook.comes_back is comes_back else None


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
    # Probes that say the same of themselves are named together: a pulled cable silences all of them at once.
    saying: dict[str, list[str]] = {}
    for quantity, measured in quantities_of(scan):
        if trusted(measured) is None:
            saying.setdefault(_withdrawn_words(measured, now_ms, zone), []).append(QUANTITY_WORDS[quantity])
    if not saying:
        return "Not known: how far it is reduced cannot be estimated from these readings."
    return f"Not known: {'; '.join(_together(names, words) for words, names in saying.items())}."


def _together(names: list[str], words: str) -> str:
    if len(names) == 1:
        return f"the {names[0]} probe {words}"
    verb, _, rest = words.partition(" ")
    plural = {"has": "have", "is": "are", "gives": "give"}[verb]
    return f"the {', '.join(names[:-1])} and {names[-1]} probes {plural} {rest}"


def _withdrawn_words(measured: Measured, now_ms: int, zone: tzinfo) -> str:
    since = "" if measured.time_ms is None else f" since {clock_words(measured.time_ms, now_ms, zone)}"
    if measured.flag is Flag.MISSING and measured.reason in ("", "silent", "no value"):
        return f"has been silent{since}" if since else "is silent"
    if measured.flag is Flag.MISSING:
        return f"gives nothing{since}: {measured.reason}"
    reason = f" ({measured.reason})" if measured.reason else ""
    return f"has not been believable{since}{reason}"


def _departures(card: VatCard, scan: Scan) -> list[str]:
    """Which limits the scan is called off for, in words, in the scan's own order.

    The scan's word counts, not a comparison made here: just back inside a limit is not yet far enough inside it.
    """
    # The pH limits are stated for 25 °C: a warm vat reads lower with nothing wrong, so the equivalent is what counts.
    ph = trusted(scan.ph) if scan.ph_25c is None else scan.ph_25c
    ph_words = "pH {}" if scan.ph_25c is None else "pH {} (as at 25 °C)"
    warmth = trusted(scan.temperature_c)
    found = []
    for shortfall in scan.shortfalls:
        match shortfall:
            case "off-reduction":
                found.append(_too_little_reduced(card, scan))
            case "off-ph-low":
                found.append(_beside_limit(ph_words, ph, card.ph_low, 1, "below", ph is None or ph < card.ph_low))
            case "off-ph-high":
                found.append(_beside_limit(ph_words, ph, card.ph_high, 1, "above", ph is None or ph > card.ph_high))
            case "off-cold":
                low_c = card.temperature_low_c
                cold = warmth is None or warmth < low_c
                found.append(_beside_limit("{} °C", warmth, low_c, 0, "colder than", cold))
            case "off-warm":
                high_c = card.temperature_high_c
                warm = warmth is None or warmth > high_c
                found.append(_beside_limit("{} °C", warmth, high_c, 0, "warmer than", warm))
            case "settling":
                pass
            case _:
                found.append(shortfall)
    return found


def _too_little_reduced(card: VatCard, scan: Scan) -> str:
    wanted = share_words(card.reduction_low)
    if scan.reduction is None:
        return f"too little reduced, wanted {wanted} or more"
    share = share_words(scan.reduction.share)
    if scan.reduction.share < card.reduction_low:
        return f"only about {share} reduced, wanted {wanted} or more"
    return f"about {share} reduced, not yet safely back above {wanted}"


def _beside_limit(words: str, value: float | None, limit: float, decimals: int, side: str, beyond: bool) -> str:
    if value is None:
        return f"it was last {side} {round(limit, 2):g}"
    shown = words.format(_apart(value, limit, decimals))
    unit = " °C" if words.endswith("°C") else ""
    if beyond:
        return f"{shown} is {side} {round(limit, 2):g}{unit}"
    return f"{shown} is not yet safely back from {side} {round(limit, 2):g}{unit}"


def _apart(value: float, limit: float, decimals: int) -> str:
    """`value` with just enough decimals not to read the same as the limit it breaks."""
    for digits in range(decimals, decimals + 3):
        text = f"{value:.{digits}f}"
        if float(text) != limit:
            return text
    return f"{value:.{decimals + 2}f}"
