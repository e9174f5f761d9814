"""Pushes as a person would write them: what is seen, how it moved, what to do, and a small chart in text.

Pure: local time comes from the settings' time zone, never from the machine. Numbers and movements are in `phrases.py`,
what to do in `advice.py`.
"""

from __future__ import annotations

from collections.abc import Sequence

from vatwatch.records import AlarmEvent, Measured, Push, Scan
from vatwatch.terms import Flag, Urgency
from vatwatch.vat import phrases, tiring
from vatwatch.vat import window as limits
from vatwatch.vat.advice import what_to_do
from vatwatch.vat.alarms import STANDING, Trigger
from vatwatch.vat.phrases import clock_words, condition_words
from vatwatch.vat.settings import MINUTE_MS, VatSettings
from vatwatch.vat.state import VatState

SAME_TIME_MS = 5 * MINUTE_MS
"""An interval shorter than this is one time to a person."""
_TOLD = {
    limits.OFF_REDUCTION: phrases.MARGIN,
    tiring.DOUBTFUL: phrases.MARGIN,
    limits.OFF_PH_LOW: phrases.PH,
    limits.OFF_PH_HIGH: phrases.PH,
    limits.OFF_COLD: phrases.TEMPERATURE,
    limits.OFF_WARM: phrases.TEMPERATURE,
    limits.OVERHEAT: phrases.TEMPERATURE,
    tiring.TIRING_REDUCTION: phrases.MARGIN,
    tiring.TIRING_PH: phrases.PH,
    tiring.COOLING: phrases.TEMPERATURE,
    tiring.HEATING: phrases.TEMPERATURE,
}
WHAT = {
    limits.OFF_REDUCTION: "too little reduced",
    limits.OFF_PH_LOW: "pH too low",
    limits.OFF_PH_HIGH: "pH too high",
    limits.OFF_COLD: "too cold",
    limits.OFF_WARM: "too warm",
    limits.OVERHEAT: "TOO HOT",
    tiring.TIRING_REDUCTION: "tiring",
    tiring.TIRING_PH: "turning sour",
    tiring.COOLING: "cooling down",
    tiring.HEATING: "HEATING towards its ceiling",
    tiring.UNLOGGED: "stirred, fed or dipped? Please log it",
    tiring.DOUBTFUL: "look at the liquor",
}
_OVER = {
    limits.OFF_REDUCTION: "reduced enough again",
    limits.OFF_PH_LOW: "pH is high enough again",
    limits.OFF_PH_HIGH: "pH is low enough again",
    limits.OFF_COLD: "warm enough again",
    limits.OFF_WARM: "no longer too warm",
    limits.OVERHEAT: "no longer too hot",
    tiring.COOLING: "holds its warmth again",
    tiring.HEATING: "no longer heating up",
}
_PROBE_NAMES = {"silent-ph": "pH", "silent-orp": "ORP", "silent-temperature": "temperature"}


def alarm_words(alarm: str) -> str:
    """An alarm in a few words, such as `pH too low`."""
    return f"{_PROBE_NAMES[alarm]} probe silent" if alarm in _PROBE_NAMES else WHAT[alarm]


def pushes_for(
    events: Sequence[tuple[AlarmEvent, Urgency]], settings: VatSettings, scan: Scan, state: VatState
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
            pushes.append(_push(event, settings, scan, state, urgency))
    pushes.extend(_probe_push(together, settings, scan, state) for together in probes.values())
    return pushes


def _worth_telling(event: AlarmEvent) -> bool:
    if event.transition in (Trigger.OCCURS.value, Trigger.RE_ALARMS.value):
        return True
    if event.transition != Trigger.RETURNS.value or event.from_state not in STANDING:
        return False
    # A forecast that has changed is not news; only the end of what was is.
    return event.alarm not in (*tiring.LIMIT_AHEAD, tiring.UNLOGGED, tiring.DOUBTFUL)


def _push(event: AlarmEvent, settings: VatSettings, scan: Scan, state: VatState, urgency: Urgency) -> Push:
    zone, now_ms = settings.timezone, event.slot_ms
    back = event.transition == Trigger.RETURNS.value
    again = "still " if event.transition == Trigger.RE_ALARMS.value else ""
    what = WHAT[event.alarm]
    told = _TOLD.get(event.alarm)
    lines = [f"{clock_words(now_ms, now_ms, zone)}: {_seen(event, settings, scan, state)}"]
    if event.alarm in tiring.LIMIT_AHEAD and not back:
        lines.append(_coming(event, settings, state))
    if not back:
        # Before how it moved: the first lines are all that a locked phone shows.
        lines.append("What to do: " + what_to_do(event.alarm, settings, state, scan))
    if told is not None:
        lines.append(phrases.moved_words(told, state.history, now_ms, zone))
    if back and event.alarm == limits.OVERHEAT:
        lines.insert(1, "Find out why before you switch the heater on again; then reset this alarm.")
    elif back:
        lines.insert(1, condition_words(scan, zone))
    return Push(
        push_id=_push_id(event),
        slot_ms=now_ms,
        vat=event.vat,
        alarm=event.alarm,
        urgency=Urgency.TELL if back else urgency,
        title=f"{settings.name}: {_OVER.get(event.alarm, f'no longer {what}') if back else again + what}",
        body="\n".join(line for line in lines if line),
        chart="" if told is None else phrases.chart(told, state.history, now_ms, zone),
    )


def _seen(event: AlarmEvent, settings: VatSettings, scan: Scan, state: VatState) -> str:
    window, bands = settings.window, settings.deadbands
    temperature = phrases.temperature_words(scan, state.history, settings.timezone)
    told = _TOLD.get(event.alarm)
    if told is phrases.TEMPERATURE:
        bound = f" (limit {phrases.short(event.limit)} °C)" if event.limit is not None else ""
        return f"{temperature}{bound}.{_not_yet_back(event, bands.temperature_c, '°C')}"
    reduced = "" if scan.reduction is None else phrases.reduction_words(scan.reduction, window.reduction_low)
    if told is phrases.PH:
        # What the alarm is about first; the limit with as many figures, or it would seem to contradict the reading.
        limit = window.ph_high if event.alarm == limits.OFF_PH_HIGH else window.ph_low
        ph = phrases.reading(scan.ph, "pH {:.2f}")
        if scan.ph_25c is not None:
            ph = f"pH {scan.ph_25c:.2f} at 25 °C (your limit is {limit:.2f}; the probe reads {ph.removeprefix('pH ')})"
        return f"{', '.join(part for part in (ph, temperature, reduced) if part)}.{_not_yet_back(event, bands.ph, '')}"
    ph = phrases.reading(scan.ph, "pH {:.2f}")
    if scan.ph_25c is not None:
        ph += f" ({scan.ph_25c:.2f} at 25 °C)"
    if reduced and event.alarm in (limits.OFF_REDUCTION, tiring.TIRING_REDUCTION, tiring.DOUBTFUL):
        reduced += f"; your limit is {phrases.percent(window.reduction_low)} reduced"
    hint = ""
    if event.alarm == limits.OFF_REDUCTION and event.transition != Trigger.RETURNS.value and scan.reduction is not None:
        # Its deadband is in mV, which says nothing to a reader.
        near = scan.reduction.share >= window.reduction_low
        hint = " It was below until just now and is not safely back inside." if near else ""
    return f"{'. '.join(part for part in (reduced, f'{ph}, {temperature}') if part)}.{hint}"


def _not_yet_back(event: AlarmEvent, deadband: float, unit: str) -> str:
    """Why an alarm goes on although the value is inside its limit again: it must come back by the deadband."""
    if event.transition == Trigger.RETURNS.value or event.value is None or event.limit is None:
        return ""
    low_side = event.alarm in (limits.OFF_PH_LOW, limits.OFF_COLD)
    if (event.value >= event.limit) is not low_side:
        return ""
    back_at = event.limit + deadband if low_side else event.limit - deadband
    return f" It must come back to {phrases.short(back_at)}{' ' + unit if unit else ''} to count as back inside."


def _coming(event: AlarmEvent, settings: VatSettings, state: VatState) -> str:
    """When the limit will be passed, as an interval."""
    coming = state.ahead.crossing(tiring.LIMIT_AHEAD[event.alarm])
    if coming is None:
        return ""
    zone, now_ms = settings.timezone, event.slot_ms
    early, middle = clock_words(coming.early_ms, now_ms, zone), clock_words(coming.median_ms, now_ms, zone)
    late = "later than can be told" if coming.late_ms is None else clock_words(coming.late_ms, now_ms, zone)
    where = "reach its ceiling" if event.alarm == tiring.HEATING else "leave its window"
    near = coming.late_ms is not None and coming.late_ms - coming.early_ms < SAME_TIME_MS
    return f"At this pace it will {where} at about {middle}" + ("." if near else f" (between {early} and {late}).")


def _probe_push(
    together: Sequence[tuple[AlarmEvent, Urgency]], settings: VatSettings, scan: Scan, state: VatState
) -> Push:
    """One message for every probe of the vat that changed in this slot; the most urgent of them leads."""
    event, urgency = min(together, key=lambda pair: list(Urgency).index(pair[1]))
    zone, now_ms = settings.timezone, event.slot_ms
    back = event.transition == Trigger.RETURNS.value
    names = [_PROBE_NAMES[one.alarm] for one, _ in together]
    probes = f"{_and(names)} probe{'s' if len(names) > 1 else ''}"
    if back:
        title = f"{settings.name}: {probes} {'are' if len(names) > 1 else 'is'} back"
        body = f"{clock_words(now_ms, now_ms, zone)}: readings again. {condition_words(scan, zone)}"
    else:
        again = "still " if event.transition == Trigger.RE_ALARMS.value else ""
        silent = all(_measured(one.alarm, scan).flag is Flag.MISSING for one, _ in together)
        title = f"{settings.name}: {probes} {again}{'silent' if silent else 'not believable'}"
        hot = state.alarms.get(limits.OVERHEAT)
        if event.alarm == "silent-temperature" and hot is not None and hot.state in STANDING:
            title = f"{settings.name}: was TOO HOT, and its thermometer is {again}silent"
        body = _silence(event, settings, scan, state)
    return Push(_push_id(event), now_ms, event.vat, event.alarm, Urgency.TELL if back else urgency, title, body)


def _measured(alarm: str, scan: Scan) -> Measured:
    return {"silent-ph": scan.ph, "silent-orp": scan.orp_mv, "silent-temperature": scan.temperature_c}[alarm]


def _silence(event: AlarmEvent, settings: VatSettings, scan: Scan, state: VatState) -> str:
    """What is known of a probe that is not heard or not believed, and what to do about it."""
    zone, now_ms = settings.timezone, event.slot_ms
    measured = _measured(event.alarm, scan)
    doing = what_to_do(event.alarm, settings, state, scan)
    found = [one.sentence for one in state.faults.findings if one.flag is Flag.FAIL]
    if found and measured.flag is Flag.FAIL:
        # Such a sentence says itself what to do about the probe; the heater is another matter.
        own = f"\nWhat to do: {doing}" if event.alarm == "silent-temperature" else ""
        return f"{' '.join(found)} Until then the vat counts as unknown.{own}"
    since = "Nothing heard yet"
    if measured.time_ms:
        since = f"Nothing heard since {clock_words(measured.time_ms, now_ms, zone)}"
    reason = f" ({measured.reason})" if measured.reason and measured.reason != "silent" else ""
    last = ""
    known = [one.temperature_c for one in state.history if one.temperature_c is not None]
    if event.alarm == "silent-temperature" and known:
        last = f"; it was {known[-1]:.0f} °C then"
    return f"{since}{reason}{last}. Until it is back the vat counts as unknown.\nWhat to do: {doing}"


def _push_id(event: AlarmEvent) -> str:
    return f"{event.vat}-{event.alarm}-{event.occurrence}-{event.transition.replace(' ', '-')}-{event.slot_ms}"


def _and(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
