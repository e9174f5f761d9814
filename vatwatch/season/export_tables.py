"""Every table of an export: its columns with units and meaning, records to cells and back, exactly. Opens no file.

The one place that names exported columns: headers, the data dictionary (`exporting`) and the import follow from it.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Final

from vatwatch.records import (
    AlarmEvent,
    JournalEntry,
    Measured,
    PortEvent,
    Push,
    Reduction,
    Sample,
    Scan,
    VatCard,
)
from vatwatch.terms import AlarmState, EntryKind, Flag, Signal, Urgency, VatCondition

Cells = list[Any]
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Kind:
    """How a cell is written and read. `of_text` raises ValueError for what it cannot be."""

    name: str
    expected: str
    to_text: Callable[[Any], str]
    of_text: Callable[[str], Any]


def time_text(time_ms: int) -> str:
    """`2026-05-01T00:00:10.000Z` (ISO 8601, UTC, to the millisecond)."""
    return (_EPOCH + timedelta(milliseconds=time_ms)).isoformat(timespec="milliseconds")[:-6] + "Z"


def time_of(text: str) -> int:
    """Milliseconds since 1970 of such a text. Raises ValueError."""
    if not text.endswith("Z"):
        raise ValueError(text)
    since = datetime.fromisoformat(text[:-1] + "+00:00") - _EPOCH
    return since // timedelta(milliseconds=1)


def _yes(text: str) -> bool:
    if text not in ("yes", "no"):
        raise ValueError(text)
    return text == "yes"


def _maybe(kind: Kind) -> Kind:
    return Kind(
        kind.name,
        f"{kind.expected}, or nothing",
        lambda value: "" if value is None else kind.to_text(value),
        lambda text: None if text == "" else kind.of_text(text),
    )


TIME = Kind("time", "a time like 2026-05-01T06:30:00.000Z", time_text, time_of)
TEXT = Kind("text", "text", str, str)
REAL = Kind("number", "a number", repr, float)
WHOLE = Kind("whole number", "a whole number", str, int)
YES = Kind("yes or no", "yes or no", lambda value: "yes" if value else "no", _yes)
JSON = Kind("JSON", "JSON", lambda value: json.dumps(value, ensure_ascii=False), json.loads)
MAYBE_REAL, MAYBE_TIME, MAYBE_YES, MAYBE_WHOLE = _maybe(REAL), _maybe(TIME), _maybe(YES), _maybe(WHOLE)


@dataclass(frozen=True, slots=True)
class Column:
    """One column: `unit` stands in the header; empty for what has none."""

    name: str
    kind: Kind
    unit: str
    meaning: str

    @property
    def header(self) -> str:
        return f"{self.name} [{self.unit}]" if self.unit else self.name


@dataclass(frozen=True, slots=True)
class Table:
    """One file of an export. `cells` and `record` turn a record into its values in order and back.

    `identity`: the columns that, with the column `when`, tell its records apart.
    """

    name: str
    meaning: str
    columns: tuple[Column, ...]
    cells: Callable[[Any], Cells]
    record: Callable[[Cells], Any]
    identity: tuple[str, ...]
    when: str

    @property
    def headers(self) -> list[str]:
        return [column.header for column in self.columns]


def _measured_columns(name: str, unit: str, what: str) -> tuple[Column, ...]:
    return (
        Column(name, MAYBE_REAL, unit, f"{what} in the slot (median); nothing where the number was withdrawn"),
        Column(f"{name}_sigma", MAYBE_REAL, unit, "its standard deviation, 1 sigma"),
        Column(f"{name}_flag", WHOLE, "QARTOD", "1 pass, 2 not evaluated, 3 suspect, 4 fail, 9 missing"),
        Column(f"{name}_reason", TEXT, "", "why it was withdrawn or doubted"),
        Column(f"{name}_time", MAYBE_TIME, "UTC", "time of the newest sample behind it"),
    )


def _measured_cells(one: Measured) -> Cells:
    return [one.value, one.sigma, int(one.flag), one.reason, one.time_ms]


def _measured(cells: Sequence[Any]) -> Measured:
    return Measured(cells[0], cells[1], Flag(cells[2]), cells[3], cells[4])


def _scan_cells(scan: Scan) -> Cells:
    reduction = scan.reduction
    return [
        scan.slot_ms, scan.vat, *_measured_cells(scan.ph), *_measured_cells(scan.orp_mv),
        *_measured_cells(scan.temperature_c), scan.eh_mv, scan.eh_mv_sigma, scan.ph_25c,
        *(
            [None] * 7 if reduction is None else [
                reduction.share, reduction.share_low, reduction.share_high, reduction.margin_mv,
                reduction.margin_mv_sigma, reduction.saturated, reduction.probability_fit,
            ]
        ),
        scan.condition.value, list(scan.shortfalls), scan.settled_from_ms,
    ]  # fmt: skip


def _scan(cells: Cells) -> Scan:
    share = cells[20]
    if share is None and any(cell is not None for cell in cells[20:27]):
        raise ValueError("the seven columns of the reduction are given together or not at all")
    parts: Cells = [
        cells[0], cells[1], _measured(cells[2:7]), _measured(cells[7:12]), _measured(cells[12:17]), *cells[17:20],
        None if share is None else Reduction(*cells[20:27]), VatCondition(cells[27]), tuple(map(str, cells[28])), cells[29],
    ]  # fmt: skip
    return Scan(*parts)


def _entry(cells: Cells) -> JournalEntry:
    parts: Cells = [*cells[:4], EntryKind(cells[4]), *cells[5:11], tuple((str(k), str(v)) for k, v in cells[11])]
    return JournalEntry(*parts)


def _alarm_event(cells: Cells) -> AlarmEvent:
    parts: Cells = [*cells[:5], AlarmState(cells[5]), AlarmState(cells[6]), *cells[7:]]
    return AlarmEvent(*parts)


SAMPLES = Table(
    "samples",
    "Every value a probe delivered, unaltered, in the order in which it was taken into a slot.",
    (
        Column("slot", TIME, "UTC", "end of the slot it was taken into"),
        Column("time", TIME, "UTC", "when it was read"),
        Column("vat", TEXT, "", "the vat's name in the settings"),
        Column("probe", TEXT, "", "the probe's name in the settings"),
        Column("signal", TEXT, "", f"what the probe delivers: {', '.join(Signal)}"),
        Column("value", MAYBE_REAL, "by signal: pH, mV, °C or ohm", "the value; nothing when there was none"),
        Column("flag", WHOLE, "QARTOD", "1 pass, 2 not evaluated, 3 suspect, 4 fail, 9 missing"),
        Column("reason", TEXT, "", "why it was flagged"),
    ),
    lambda pair: [pair[0], pair[1].time_ms, pair[1].vat, pair[1].probe, pair[1].signal.value, pair[1].value,
                  int(pair[1].flag), pair[1].reason],
    lambda c: (c[0], Sample(c[1], c[2], c[3], Signal(c[4]), c[5], Flag(c[6]), c[7])),
    ("vat", "probe", "signal"), "time",
)  # fmt: skip

SCANS = Table(
    "scans",
    "Each vat at the end of each slot: what was measured and what was made of it then.",
    (
        Column("slot", TIME, "UTC", "end of the slot"),
        Column("vat", TEXT, "", "the vat's name in the settings"),
        *_measured_columns("ph", "pH", "pH at the liquor's temperature"),
        *_measured_columns("orp", "mV", "potential against the probe's own reference electrode"),
        *_measured_columns("temperature", "°C", "the liquor's temperature"),
        Column("eh", MAYBE_REAL, "mV vs SHE", "potential against the standard hydrogen electrode"),
        Column("eh_sigma", MAYBE_REAL, "mV", "its standard deviation, 1 sigma"),
        Column("ph_25c", MAYBE_REAL, "pH at 25 °C", "the pH the same liquor would show at 25 °C"),
        Column("share", MAYBE_REAL, "0 to 1", "part of the indigo in its leuco form: median"),
        Column("share_low", MAYBE_REAL, "0 to 1", "lower end of its 90 % interval"),
        Column("share_high", MAYBE_REAL, "0 to 1", "upper end of its 90 % interval"),
        Column("margin", MAYBE_REAL, "mV", "how far the liquor lies below the half-reduced potential"),
        Column("margin_sigma", MAYBE_REAL, "mV", "its standard deviation, 1 sigma"),
        Column("saturated", MAYBE_YES, "", "whether counting stopped at 99 %"),
        Column("probability_fit", MAYBE_REAL, "0 to 1", "probability of being reduced at least to the vat's limit"),
        Column("condition", TEXT, "", "dyeable, settling, off, too hot or unknown"),
        Column("shortfalls", JSON, "JSON list", "what it fell short of, most pressing first"),
        Column("settled_from", MAYBE_TIME, "UTC", "when the liquor will have rested long enough"),
    ),
    _scan_cells,
    _scan,
    ("vat",),
    "slot",
)

JOURNAL = Table(
    "journal",
    "What dyers did and saw.",
    (
        Column("entry_id", TEXT, "", "the entry's own name, never given twice"),
        Column("time", TIME, "UTC", "when it happened"),
        Column("logged", TIME, "UTC", "when it was written down"),
        Column("vat", TEXT, "", "the vat's name in the settings"),
        Column("kind", TEXT, "", f"{', '.join(EntryKind)}"),
        Column("what", TEXT, "", "substance, look, piece, probe; of an undo the entry_id that is taken back"),
        Column("weight", MAYBE_REAL, "g", "how much was fed"),
        Column("volume", MAYBE_REAL, "L", "how much was topped up"),
        Column("length", MAYBE_REAL, "min", "how long it took or counts"),
        Column("text", TEXT, "", "in the dyer's own words"),
        Column("by", TEXT, "", "who wrote it"),
        Column("details", JSON, "JSON pairs", "named facts such as fibre, dry weight, shade, rubbing grade"),
    ),
    lambda e: [e.entry_id, e.time_ms, e.logged_ms, e.vat, e.kind.value, e.what, e.grams, e.litres, e.minutes, e.text, e.by,
               [list(pair) for pair in e.details]],
    _entry,
    ("vat", "entry_id"), "time",
)  # fmt: skip

ALARMS = Table(
    "alarms",
    "Every transition of every alarm (states of ISA-18.2 and IEC 62682).",
    (
        Column("slot", TIME, "UTC", "slot in which it happened"),
        Column("vat", TEXT, "", "the vat's name in the settings; nothing for the shed as a whole"),
        Column("alarm", TEXT, "", "which alarm"),
        Column("occurrence", WHOLE, "", "how often this alarm had been raised on this vat"),
        Column("transition", TEXT, "", "what happened"),
        Column("from_state", TEXT, "", "state before"),
        Column("to_state", TEXT, "", "state after"),
        Column("value", MAYBE_REAL, "unit of the alarm's quantity", "the value then"),
        Column("limit", MAYBE_REAL, "unit of the alarm's quantity", "the limit it is held against"),
        Column("by", TEXT, "", "who did it"),
    ),
    lambda e: [e.slot_ms, e.vat, e.alarm, e.occurrence, e.transition, e.from_state.value, e.to_state.value, e.value,
               e.limit, e.by],
    _alarm_event,
    ("vat", "alarm", "occurrence", "transition"), "slot",
)  # fmt: skip

MESSAGES = Table(
    "messages",
    "Every message meant for a phone, whole.",
    (
        Column("message_id", TEXT, "", "its own name"),
        Column("slot", TIME, "UTC", "slot in which it was made"),
        Column("vat", TEXT, "", "the vat's name in the settings; nothing for the shed as a whole"),
        Column("alarm", TEXT, "", "which alarm it tells of"),
        Column("urgency", TEXT, "", f"{', '.join(Urgency)}"),
        Column("title", TEXT, "", "its first line"),
        Column("body", TEXT, "", "the rest"),
        Column("chart", TEXT, "", "the small text chart in it"),
    ),
    lambda p: [p.push_id, p.slot_ms, p.vat, p.alarm, p.urgency.value, p.title, p.body, p.chart],
    lambda c: Push(c[0], c[1], c[2], c[3], Urgency(c[4]), c[5], c[6], c[7]),
    ("message_id",),
    "slot",
)

PORTS = Table(
    "ports",
    "What happened to serial ports.",
    (
        Column("time", TIME, "UTC", "when"),
        Column("port", TEXT, "", "which port"),
        Column("event", TEXT, "", "what happened"),
        Column("detail", TEXT, "", "in words"),
    ),
    lambda e: [e.time_ms, e.port, e.event, e.detail],
    lambda c: PortEvent(*c),
    ("port", "event"),
    "time",
)


@dataclass(frozen=True, slots=True)
class CardThen:
    """A vat's card under one version of the settings (numbered from 1), in force from a slot on."""

    version: int
    since_ms: int
    settings_json: str
    card: VatCard | None


def _card_cells(one: CardThen) -> Cells:
    c = one.card
    card: Cells = [None] * 15 if c is None else [
        c.vat, c.name, c.chemistry, c.fibre, c.volume_l, c.warmed, c.ph_low, c.ph_high, c.temperature_low_c,
        c.temperature_high_c, c.ceiling_c, c.reduction_low, c.settle_minutes, list(c.cautions), c.orp_meaning,
    ]  # fmt: skip
    filled = [_filled(cell, kind) for cell, kind in zip(card, _CARD_KINDS, strict=True)]
    return [one.version, one.since_ms, *filled, one.settings_json]


def _filled(cell: Any, kind: Kind) -> Any:
    return "" if cell is None and kind is TEXT else cell


def _card(cells: Cells) -> CardThen:
    c = cells[2:17]
    card = None
    if c[0] != "":
        parts: Cells = [*c[:5], bool(c[5]), *map(float, c[6:13]), tuple(map(str, c[13] or ())), c[14]]
        card = VatCard(*parts)
    return CardThen(cells[0], cells[1], cells[17], card)


_MAYBE_JSON = _maybe(JSON)
_CARD_KINDS = (
    TEXT, TEXT, TEXT, TEXT, MAYBE_REAL, MAYBE_YES, *([MAYBE_REAL] * 7), _MAYBE_JSON, TEXT,
)  # fmt: skip
_CARD_NAMES = (
    ("vat", "", "the vat's name in the settings; nothing when a version names no vat"),
    ("name", "", "what the dyer calls it"),
    ("chemistry", "", "what reduces"),
    ("fibre", "", "cellulose or protein"),
    ("volume", "L", "liquor in it"),
    ("warmed", "", "whether it has a heater"),
    ("ph_low", "pH at 25 °C", "lower limit"),
    ("ph_high", "pH at 25 °C", "upper limit"),
    ("temperature_low", "°C", "lower limit"),
    ("temperature_high", "°C", "upper limit"),
    ("ceiling", "°C", "never above"),
    ("reduction_low", "0 to 1", "least share of leuco indigo"),
    ("settle", "min", "rest after a stir, feed or dip"),
    ("cautions", "JSON list", "what to mind"),
    ("orp_meaning", "", "what the potential tells in such a vat"),
)
VATS = Table(
    "vats",
    "The vats with their limits under each version of the settings.",
    (
        Column("version", WHOLE, "", "version of the settings, from 1"),
        Column("since", TIME, "UTC", "from when on it was in force"),
        *(
            Column(name, kind, unit, meaning)
            for (name, unit, meaning), kind in zip(_CARD_NAMES, _CARD_KINDS, strict=True)
        ),
        Column("settings", TEXT, "JSON", "all that bears upon results, whole"),
    ),
    _card_cells,
    _card,
    ("version", "vat"),
    "since",
)

CALIBRATIONS = Table(
    "calibrations",
    "Every calibration of every probe, accepted or refused.",
    (
        Column("calibration_id", TEXT, "", "its own name"),
        Column("time", TIME, "UTC", "when it was made"),
        Column("probe", TEXT, "", "which probe"),
        Column("accepted", YES, "", "whether it counts"),
        Column("whole", TEXT, "JSON", "everything it found: points, offset, slope, uncertainties"),
    ),
    lambda pair: [pair[0].calibration_id, pair[0].time_ms, pair[0].probe, pair[0].accepted, pair[1]],
    lambda c: c[4],
    ("calibration_id",),
    "time",
)

TABLES: tuple[Table, ...] = (VATS, SCANS, SAMPLES, JOURNAL, ALARMS, MESSAGES, PORTS, CALIBRATIONS)
