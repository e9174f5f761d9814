"""Records to rows and back, exactly. Knows columns, not connections; makes no decision about what to keep.

A row is a plain tuple in the order of `columns.py`. Floats keep every bit, None stays None (NULL).
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from math import nan
from typing import Any

from vatwatch.errors import StoreError
from vatwatch.records import (
    AlarmAction,
    AlarmEvent,
    Delivery,
    JournalEntry,
    Measured,
    Outlook,
    PortEvent,
    Push,
    Reduction,
    Rejected,
    Sample,
    Scan,
    VatCard,
)
from vatwatch.store import columns
from vatwatch.terms import ActionVerb, AlarmState, EntryKind, Flag, Signal, Stream, Urgency, VatCondition

Row = tuple[Any, ...]

_SIGNALS = {signal.value: signal for signal in Signal}
_FLAGS = {flag.value: flag for flag in Flag}
_CONDITIONS = {condition.value: condition for condition in VatCondition}


def sample_row(sample: Sample) -> Row:
    return (
        sample.time_ms,
        sample.vat,
        sample.probe,
        sample.signal.value,
        _real(sample.value, "a sample's value"),
        int(sample.flag),
        sample.reason,
    )


def sample_of(row: Sequence[Any]) -> Sample:
    time_ms, vat, probe, signal, value, flag, reason = row
    return Sample(time_ms, vat, probe, _SIGNALS[signal], value, _FLAGS[flag], reason)


def scan_row(scan: Scan) -> Row:
    return (
        scan.slot_ms,
        scan.vat,
        *_measured_row(scan.ph, "ph"),
        *_measured_row(scan.orp_mv, "orp_mv"),
        *_measured_row(scan.temperature_c, "temperature_c"),
        _real(scan.eh_mv, "eh_mv"),
        _real(scan.eh_mv_sigma, "eh_mv_sigma"),
        _real(scan.ph_25c, "ph_25c"),
        *_reduction_row(scan.reduction),
        scan.condition.value,
        json.dumps(scan.shortfalls, ensure_ascii=False),
        scan.settled_from_ms,
    )


def scan_of(row: Sequence[Any]) -> Scan:
    return Scan(
        slot_ms=row[0],
        vat=row[1],
        ph=_measured_of(row[2:7]),
        orp_mv=_measured_of(row[7:12]),
        temperature_c=_measured_of(row[12:17]),
        eh_mv=row[17],
        eh_mv_sigma=row[18],
        ph_25c=row[19],
        reduction=_reduction_of(row[20:27]),
        condition=_CONDITIONS[row[27]],
        shortfalls=() if row[28] == "[]" else tuple(json.loads(row[28])),
        settled_from_ms=row[29],
    )


def state_of(
    vat: str,
    slot_ms: int,
    condition: str,
    shortfalls_json: str,
    ph_25c: float | None,
    temperature_c: float | None,
    share: float | None,
    margin_mv: float | None,
) -> Scan:
    """A scan of which only these are known; the rest is nothing or NaN."""
    nothing = Measured(None, None, Flag.NOT_EVALUATED)
    reduction = None
    if share is not None and margin_mv is not None:
        reduction = Reduction(share, nan, nan, margin_mv, nan, False, nan)
    return Scan(
        slot_ms,
        vat,
        nothing,
        nothing,
        Measured(temperature_c, None, Flag.NOT_EVALUATED),
        None,
        None,
        ph_25c,
        reduction,
        _CONDITIONS[condition],
        tuple(json.loads(shortfalls_json)),
    )


def alarm_event_row(event: AlarmEvent) -> Row:
    return (
        event.slot_ms,
        event.vat,
        event.alarm,
        event.occurrence,
        event.transition,
        event.from_state.value,
        event.to_state.value,
        _real(event.value, "an alarm's value"),
        _real(event.limit, "an alarm's limit"),
        event.by,
    )


def alarm_event_of(row: Sequence[Any]) -> AlarmEvent:
    slot_ms, vat, alarm, occurrence, transition, from_state, to_state, value, limit, by = row
    return AlarmEvent(
        slot_ms, vat, alarm, occurrence, transition, AlarmState(from_state), AlarmState(to_state), value, limit, by
    )


def push_row(push: Push) -> Row:
    return (
        push.push_id,
        push.slot_ms,
        push.vat,
        push.alarm,
        push.urgency.value,
        push.title,
        push.body,
        push.chart,
    )


def push_of(row: Sequence[Any]) -> Push:
    push_id, slot_ms, vat, alarm, urgency, title, body, chart = row
    return Push(push_id, slot_ms, vat, alarm, Urgency(urgency), title, body, chart)


def journal_row(entry: JournalEntry) -> Row:
    return (
        entry.entry_id,
        entry.time_ms,
        entry.logged_ms,
        entry.vat,
        entry.kind.value,
        entry.what,
        _real(entry.grams, "grams"),
        _real(entry.litres, "litres"),
        _real(entry.minutes, "minutes"),
        entry.text,
        entry.by,
        json.dumps(entry.details, ensure_ascii=False),
    )


def journal_of(row: Sequence[Any]) -> JournalEntry:
    *plain, details_json = row
    entry_id, time_ms, logged_ms, vat, kind, what, grams, litres, minutes, text, by = plain
    details = tuple((name, value) for name, value in json.loads(details_json))
    return JournalEntry(
        entry_id, time_ms, logged_ms, vat, EntryKind(kind), what, grams, litres, minutes, text, by, details
    )


def action_row(action: AlarmAction) -> Row:
    return (
        action.action_id,
        action.time_ms,
        action.vat,
        action.alarm,
        action.verb.value,
        action.until_ms,
        action.by,
    )


def action_of(row: Sequence[Any]) -> AlarmAction:
    action_id, time_ms, vat, alarm, verb, until_ms, by = row
    return AlarmAction(action_id, time_ms, vat, alarm, ActionVerb(verb), until_ms, by)


def port_event_row(event: PortEvent) -> Row:
    return (event.time_ms, event.port, event.event, event.detail)


def port_event_of(row: Sequence[Any]) -> PortEvent:
    return PortEvent(*row)


def card_row(card: VatCard) -> Row:
    return (
        card.vat,
        card.name,
        card.chemistry,
        card.fibre,
        _real(card.volume_l, "volume_l"),
        int(card.warmed),
        _real(card.ph_low, "ph_low"),
        _real(card.ph_high, "ph_high"),
        _real(card.temperature_low_c, "temperature_low_c"),
        _real(card.temperature_high_c, "temperature_high_c"),
        _real(card.ceiling_c, "ceiling_c"),
        _real(card.reduction_low, "reduction_low"),
        _real(card.settle_minutes, "settle_minutes"),
        json.dumps(card.cautions, ensure_ascii=False),
        card.orp_meaning,
    )


def card_of(row: Sequence[Any]) -> VatCard:
    known = dict(zip(columns.CARD, row, strict=True))
    cautions = tuple(json.loads(known.pop("cautions_json")))
    return VatCard(**{**known, "warmed": bool(known["warmed"])}, cautions=cautions)


def delivery_row(delivery: Delivery) -> Row:
    return (
        delivery.outlet,
        str(delivery.stream),
        delivery.position,
        delivery.delivered,
        delivery.dropped,
        delivery.failures,
        delivery.last_ok_ms,
        delivery.last_error,
        delivery.last_error_ms,
    )


def rejected_row(rejected: Rejected) -> Row:
    return (rejected.outlet, str(rejected.stream), rejected.row_number, rejected.time_ms, rejected.reason)


def rejected_of(row: Sequence[Any]) -> Rejected:
    return Rejected(*row)


def delivery_of(row: Sequence[Any]) -> Delivery:
    return Delivery(*row)


def outlook_row(outlook: Outlook) -> Row:
    return (
        outlook.vat,
        outlook.slot_ms,
        outlook.limit,
        int(outlook.comes_back),
        outlook.early_ms,
        outlook.median_ms,
        outlook.late_ms,
    )


def outlook_of(row: Sequence[Any]) -> Outlook:
    vat, slot_ms, limit, comes_back, early_ms, median_ms, late_ms = row
    return Outlook(vat, slot_ms, limit, bool(comes_back), early_ms, median_ms, late_ms)


def stream_record_of(stream: Stream) -> Callable[[Sequence[Any]], Scan | AlarmEvent | JournalEntry | Push]:
    """The function that turns rows of a stream's table back into records."""
    return _STREAM_RECORD_OF[stream]


_STREAM_RECORD_OF: dict[Stream, Callable[[Sequence[Any]], Scan | AlarmEvent | JournalEntry | Push]] = {
    Stream.SCANS: scan_of,
    Stream.ALARM_EVENTS: alarm_event_of,
    Stream.JOURNAL: journal_of,
    Stream.PUSHES: push_of,
}


def _real(value: float | None, where: str) -> float | None:
    if value is None:
        return None
    number = float(value)
    if number != number:  # SQLite would silently keep NULL instead, and a replay would differ from the record.
        raise StoreError(f"{where} is not a number (NaN); a value that is not known is None with a reason.")
    return number


def _measured_row(measured: Measured, where: str) -> Row:
    return (
        _real(measured.value, where),
        _real(measured.sigma, f"{where}_sigma"),
        int(measured.flag),
        measured.reason,
        measured.time_ms,
    )


def _measured_of(row: Sequence[Any]) -> Measured:
    return Measured(row[0], row[1], _FLAGS[row[2]], row[3], row[4])


def _reduction_row(reduction: Reduction | None) -> Row:
    if reduction is None:
        return (None,) * 7
    return (
        _real(reduction.share, "reduction.share"),
        _real(reduction.share_low, "reduction.share_low"),
        _real(reduction.share_high, "reduction.share_high"),
        _real(reduction.margin_mv, "reduction.margin_mv"),
        _real(reduction.margin_mv_sigma, "reduction.margin_mv_sigma"),
        int(reduction.saturated),
        _real(reduction.probability_fit, "reduction.probability_fit"),
    )


def _reduction_of(row: Sequence[Any]) -> Reduction | None:
    if row[0] is None:
        return None
    share, low, high, margin_mv, margin_mv_sigma, saturated, probability_fit = row
    return Reduction(share, low, high, margin_mv, margin_mv_sigma, bool(saturated), probability_fit)
