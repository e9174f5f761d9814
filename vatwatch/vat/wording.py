"""Pushes as a person would write them: what is seen, how it moved, what to do, and a small chart in text.

Pure: local time comes from the settings' time zone, never from the machine.
"""

from __future__ import annotations

from datetime import UTC, datetime, tzinfo

from vatwatch.records import AlarmEvent, Measured, Push, Reduction, Scan, Urgency, VatCondition
from vatwatch.vat import window as limits
from vatwatch.vat.advice import what_to_do
from vatwatch.vat.alarms import STANDING, Trigger
from vatwatch.vat.history import History, HistoryBin, slope_per_hour
from vatwatch.vat.settings import VatSettings
from vatwatch.vat.state import LastFeed

_BLOCKS = "▁▂▃▄▅▆▇█"
_FIELD_OF_ALARM = {
    limits.OFF_REDUCTION: ("margin_mv", "margin", "mV", 0, 4.0),
    limits.OFF_PH_LOW: ("ph_25c", "pH (25 °C)", "", 1, 0.1),
    limits.OFF_PH_HIGH: ("ph_25c", "pH (25 °C)", "", 1, 0.1),
    limits.OFF_COLD: ("temperature_c", "temperature", "°C", 0, 1.0),
    limits.OFF_WARM: ("temperature_c", "temperature", "°C", 0, 1.0),
    limits.OVERHEAT: ("temperature_c", "temperature", "°C", 0, 1.0),
}
_WHAT_IS_OFF = {
    limits.OFF_REDUCTION: "too little reduced",
    limits.OFF_PH_LOW: "pH too low",
    limits.OFF_PH_HIGH: "pH too high",
    limits.OFF_COLD: "too cold",
    limits.OFF_WARM: "warmer than it should work",
    limits.OVERHEAT: "TOO HOT",
}
_PROBE_NAMES = {"silent-ph": "pH", "silent-orp": "ORP", "silent-temperature": "temperature"}


def push_for(
    event: AlarmEvent,
    settings: VatSettings,
    scan: Scan,
    history: History,
    last_feed: LastFeed | None,
    urgency: Urgency,
) -> Push | None:
    """The push for one alarm transition, or None when nobody needs to be told about it."""
    raised = event.transition in (Trigger.OCCURS.value, Trigger.RE_ALARMS.value)
    back = event.transition == Trigger.RETURNS.value and event.from_state in STANDING
    if not raised and not back:
        return None
    again = "still " if event.transition == Trigger.RE_ALARMS.value else ""
    if event.alarm in _PROBE_NAMES:
        probe = _PROBE_NAMES[event.alarm]
        title = f"{settings.name}: {probe} probe {'is back' if back else again + 'silent'}"
        seen = _back_sentence(settings, scan) if back else _silence_sentence(event.alarm, scan, settings.timezone)
    else:
        what = _WHAT_IS_OFF[event.alarm]
        title = f"{settings.name}: no longer {what.lower()}" if back else f"{settings.name}: {again}{what}"
        seen = _seen_sentence(event, settings, scan)
    lines = [seen]
    if event.alarm in _FIELD_OF_ALARM:
        lines.append(_moved_sentence(event.alarm, history, settings.timezone))
    if not back:
        lines.append("What to do: " + what_to_do(event.alarm, settings, last_feed, event.slot_ms))
    elif event.alarm == limits.OVERHEAT:
        lines.append("Find out why before you switch the heater on again; then reset this alarm.")
    elif event.alarm not in _PROBE_NAMES:
        lines.append(_condition_sentence(scan, settings.timezone))
    return Push(
        push_id=f"{event.vat}-{event.alarm}-{event.occurrence}-{event.transition.replace(' ', '-')}-{event.slot_ms}",
        slot_ms=event.slot_ms,
        vat=event.vat,
        alarm=event.alarm,
        urgency=urgency if raised else Urgency.TELL,
        title=title,
        body="\n".join(line for line in lines if line),
        chart=_chart(event.alarm, history, settings.timezone),
    )


def clock_words(time_ms: int, zone: tzinfo) -> str:
    return datetime.fromtimestamp(time_ms / 1000, tz=UTC).astimezone(zone).strftime("%H:%M")


def reduction_words(reduction: Reduction) -> str:
    """`≥ 99 % reduced (margin 85 mV)` or `86 % reduced (likely 60 to 96 %)`."""
    if reduction.saturated:
        return f"≥ 99 % reduced by the estimate (margin {reduction.margin_mv:.0f} ± {reduction.margin_mv_sigma:.0f} mV)"
    return (
        f"about {reduction.share:.0%} reduced (likely {reduction.share_low:.0%} to {reduction.share_high:.0%})".replace(
            "%", " %"
        )
    )


def _seen_sentence(event: AlarmEvent, settings: VatSettings, scan: Scan) -> str:
    parts = [clock_words(event.slot_ms, settings.timezone)]
    temperature = _number(scan.temperature_c, "{:.1f} °C")
    if event.alarm in (limits.OVERHEAT, limits.OFF_WARM, limits.OFF_COLD):
        bound = f" (limit {event.limit:g} °C)" if event.limit is not None else ""
        return f"{parts[0]}: {temperature}{bound}."
    if scan.reduction is not None:
        parts.append(reduction_words(scan.reduction))
    ph = _number(scan.ph, "pH {:.2f}")
    if scan.ph_25c is not None:
        ph += f" (at 25 °C {scan.ph_25c:.2f})"
    bound = ""
    if event.alarm in (limits.OFF_PH_LOW, limits.OFF_PH_HIGH) and event.limit is not None:
        bound = f"; your limit is {event.limit:.1f} at 25 °C"
    elif event.alarm == limits.OFF_REDUCTION:
        bound = f"; your limit is {settings.window.reduction_low:.0%} reduced".replace("%", " %")
    return f"{parts[0]}: {', '.join([*parts[1:], ph, temperature])}{bound}."


def _number(measured: Measured, form: str) -> str:
    return "no reading" if measured.value is None else form.format(measured.value)


def _silence_sentence(alarm: str, scan: Scan, zone: tzinfo) -> str:
    measured = {"silent-ph": scan.ph, "silent-orp": scan.orp_mv, "silent-temperature": scan.temperature_c}[alarm]
    since = f"Nothing usable since {clock_words(measured.time_ms, zone)}" if measured.time_ms else "Nothing usable yet"
    reason = f" ({measured.reason})" if measured.reason and measured.reason != "silent" else ""
    return f"{since}{reason}. Its number is withdrawn and the vat counts as unknown."


def _back_sentence(settings: VatSettings, scan: Scan) -> str:
    zone = settings.timezone
    return f"{clock_words(scan.slot_ms, zone)}: readings again. {_condition_sentence(scan, zone)}"


def _condition_sentence(scan: Scan, zone: tzinfo) -> str:
    match scan.condition:
        case VatCondition.DYEABLE:
            return "The vat is dyeable."
        case VatCondition.SETTLING if scan.settled_from_ms is not None:
            return f"Let it settle until {clock_words(scan.settled_from_ms, zone)}; then it is dyeable if this holds."
        case VatCondition.UNKNOWN:
            return "The vat as a whole is not known yet."
        case other:
            return f"The vat is {other.value}."


def _series(alarm: str, history: History) -> list[tuple[int, float]]:
    field = _FIELD_OF_ALARM[alarm][0]
    points: list[tuple[int, float]] = []
    for one in history:
        value: float | None = getattr(one, field)
        if value is not None:
            points.append((one.start_ms, value))
    return points


def _moved_sentence(alarm: str, history: History, zone: tzinfo) -> str:
    """How the quantity moved over the last hours, or nothing when there is too little to say."""
    _field, name, unit, digits, threshold = _FIELD_OF_ALARM[alarm]
    points = _series(alarm, history)[-13:]
    slope = slope_per_hour(points)
    if slope is None:
        return ""
    (first_ms, first), (_last_ms, last) = points[0], points[-1]
    unit = f" {unit}" if unit else ""
    if abs(last - first) < threshold:
        return f"The {name} has hardly moved since {clock_words(first_ms, zone)}."
    verb = "fell" if last < first else "rose"
    return (
        f"The {name} {verb} from {first:.{digits}f} to {last:.{digits}f}{unit} since {clock_words(first_ms, zone)} "
        f"(about {abs(slope):.{digits if digits else 1}f}{unit} an hour)."
    )


def _chart(alarm: str, history: History, zone: tzinfo) -> str:
    """Half-hour blocks over up to twelve hours, lowest and highest value and the times at both ends."""
    if alarm not in _FIELD_OF_ALARM:
        return ""
    _field, name, unit, digits, _threshold = _FIELD_OF_ALARM[alarm]
    field = _FIELD_OF_ALARM[alarm][0]
    pairs = [history[max(0, i - 2) : i] for i in range(len(history), 0, -2)][::-1]
    values = [_mean_of(pair, field) for pair in pairs]
    known = [value for value in values if value is not None]
    if len(known) < 2:
        return ""
    low, high = min(known), max(known)
    span = (high - low) or 1.0
    bar = "".join("·" if v is None else _BLOCKS[min(7, int((v - low) / span * 8))] for v in values)
    unit = f" {unit}" if unit else ""
    start, end = clock_words(history[0].start_ms, zone), clock_words(history[-1].start_ms, zone)
    return f"{name} {low:.{digits}f} to {high:.{digits}f}{unit}\n{bar}\n{start} to {end}"


def _mean_of(bins: tuple[HistoryBin, ...], field: str) -> float | None:
    known = [value for value in (getattr(one, field) for one in bins) if value is not None]
    return sum(known) / len(known) if known else None
