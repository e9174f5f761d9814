"""Pushes as a person would write them: what is seen, how it moved, what to do, and a small chart in text.

Pure: local time comes from the settings' time zone, never from the machine.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, tzinfo

from vatwatch.records import AlarmEvent, Measured, Push, Reduction, Scan, Urgency, VatCondition
from vatwatch.vat import window as limits
from vatwatch.vat.advice import what_to_do
from vatwatch.vat.alarms import STANDING, Trigger
from vatwatch.vat.history import History, HistoryBin, slope_per_hour
from vatwatch.vat.settings import VatSettings
from vatwatch.vat.state import Doing

LATELY_BINS = 5
"""Five quarters of an hour: which way a thing moves now, as against over the night."""
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


def pushes_for(
    events: Sequence[tuple[AlarmEvent, Urgency]],
    settings: VatSettings,
    scan: Scan,
    history: History,
    last_feed: Doing | None,
) -> list[Push]:
    """The pushes of one slot. Probes that fall silent or come back together are told together."""
    pushes = []
    probes: dict[str, list[tuple[AlarmEvent, Urgency]]] = {}
    for event, urgency in events:
        if not _worth_telling(event):
            continue
        if event.alarm in _PROBE_NAMES:
            probes.setdefault(event.transition, []).append((event, urgency))
        else:
            pushes.append(_limit_push(event, settings, scan, history, last_feed, urgency))
    pushes.extend(_probe_push(together, settings, scan) for together in probes.values())
    return pushes


def _worth_telling(event: AlarmEvent) -> bool:
    raised = event.transition in (Trigger.OCCURS.value, Trigger.RE_ALARMS.value)
    return raised or (event.transition == Trigger.RETURNS.value and event.from_state in STANDING)


def _limit_push(
    event: AlarmEvent,
    settings: VatSettings,
    scan: Scan,
    history: History,
    last_feed: Doing | None,
    urgency: Urgency,
) -> Push:
    back = event.transition == Trigger.RETURNS.value
    again = "still " if event.transition == Trigger.RE_ALARMS.value else ""
    what = _WHAT_IS_OFF[event.alarm]
    lines = [_seen_sentence(event, settings, scan), _moved_sentence(event.alarm, history, settings.timezone)]
    if not back:
        per_hour = slope_per_hour(_series(event.alarm, history)[-LATELY_BINS:])
        lines.append("What to do: " + what_to_do(event.alarm, settings, last_feed, event.slot_ms, per_hour))
    elif event.alarm == limits.OVERHEAT:
        lines.append("Find out why before you switch the heater on again; then reset this alarm.")
    else:
        lines.append(_condition_sentence(scan, settings.timezone))
    return Push(
        push_id=_push_id(event),
        slot_ms=event.slot_ms,
        vat=event.vat,
        alarm=event.alarm,
        urgency=Urgency.TELL if back else urgency,
        title=f"{settings.name}: no longer {what.lower()}" if back else f"{settings.name}: {again}{what}",
        body="\n".join(line for line in lines if line),
        chart=_chart(event.alarm, history, settings.timezone),
    )


def _probe_push(together: Sequence[tuple[AlarmEvent, Urgency]], settings: VatSettings, scan: Scan) -> Push:
    """One message for every probe of the vat that changed in this slot; the most urgent of them leads."""
    event, urgency = min(together, key=lambda pair: list(Urgency).index(pair[1]))
    back = event.transition == Trigger.RETURNS.value
    names = [_PROBE_NAMES[one.alarm] for one, _ in together]
    probes = f"{_and(names)} probe{'s' if len(names) > 1 else ''}"
    if back:
        title = f"{settings.name}: {probes} {'are' if len(names) > 1 else 'is'} back"
        body = _back_sentence(settings, scan)
    else:
        again = "still " if event.transition == Trigger.RE_ALARMS.value else ""
        title = f"{settings.name}: {probes} {again}silent"
        doing = what_to_do(event.alarm, settings, None, event.slot_ms)
        body = f"{_silence_sentence(event.alarm, scan, settings.timezone)}\nWhat to do: {doing}"
    return Push(_push_id(event), event.slot_ms, event.vat, event.alarm, Urgency.TELL if back else urgency, title, body)


def _push_id(event: AlarmEvent) -> str:
    return f"{event.vat}-{event.alarm}-{event.occurrence}-{event.transition.replace(' ', '-')}-{event.slot_ms}"


def _and(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def clock_words(time_ms: int, zone: tzinfo) -> str:
    return datetime.fromtimestamp(time_ms / 1000, tz=UTC).astimezone(zone).strftime("%H:%M")


def reduction_words(reduction: Reduction, limit: float) -> str:
    """`≥ 99 % reduced (margin 85 mV)` or `about 86 % reduced (likely 60 % to 96 %)`; `limit` is the vat's own share."""
    if reduction.saturated:
        return f"≥ 99 % reduced by the estimate (margin {reduction.margin_mv:.0f} ± {reduction.margin_mv_sigma:.0f} mV)"
    high = "over 99 %" if reduction.share_high > 0.99 else _percent(reduction.share_high)
    # Next to its own limit a rounded share would seem to contradict the alarm.
    share = _percent(reduction.share, 1 if abs(reduction.share - limit) < 0.01 else 0)
    return f"about {share} reduced (likely {_percent(reduction.share_low)} to {high})"


def _percent(share: float, decimals: int = 0) -> str:
    return f"{100 * share:.{decimals}f} %"


def _seen_sentence(event: AlarmEvent, settings: VatSettings, scan: Scan) -> str:
    parts = [clock_words(event.slot_ms, settings.timezone)]
    temperature = _number(scan.temperature_c, "{:.1f} °C")
    if event.alarm in (limits.OVERHEAT, limits.OFF_WARM, limits.OFF_COLD):
        bound = f" (limit {event.limit:g} °C)" if event.limit is not None else ""
        return f"{parts[0]}: {temperature}{bound}."
    if scan.reduction is not None:
        parts.append(reduction_words(scan.reduction, settings.window.reduction_low))
    ph = _number(scan.ph, "pH {:.2f}")
    if scan.ph_25c is not None:
        ph += f" (at 25 °C {scan.ph_25c:.2f})"
    bound = ""
    if event.alarm in (limits.OFF_PH_LOW, limits.OFF_PH_HIGH) and event.limit is not None:
        bound = f"; your limit is {event.limit:.1f} at 25 °C"
    elif event.alarm == limits.OFF_REDUCTION:
        bound = f"; your limit is {_percent(settings.window.reduction_low)} reduced"
    return f"{parts[0]}: {', '.join([*parts[1:], ph, temperature])}{bound}."


def _number(measured: Measured, form: str) -> str:
    return "no reading" if measured.value is None else form.format(measured.value)


def _silence_sentence(alarm: str, scan: Scan, zone: tzinfo) -> str:
    measured = {"silent-ph": scan.ph, "silent-orp": scan.orp_mv, "silent-temperature": scan.temperature_c}[alarm]
    since = f"Nothing usable since {clock_words(measured.time_ms, zone)}" if measured.time_ms else "Nothing usable yet"
    reason = f" ({measured.reason})" if measured.reason and measured.reason != "silent" else ""
    return f"{since}{reason}. What is not heard is not shown, and the vat counts as unknown."


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
