"""Frozen records that travel from room to room. No behaviour, no I/O, nothing but the standard library.

Times are integer milliseconds since 1970-01-01 UTC (`*_ms`); a screen turns them into local time.
Units stand in the names. `_sigma` is one standard deviation in the unit of the value beside it.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from vatwatch.terms import ActionVerb, AlarmState, EntryKind, Flag, Signal, Urgency, VatCondition


@dataclass(frozen=True, slots=True)
class Sample:
    """One value from one probe, as delivered. `value` is None when the probe gave nothing usable; `reason` says why."""

    time_ms: int
    vat: str
    probe: str
    signal: Signal
    value: float | None
    flag: Flag = Flag.NOT_EVALUATED
    reason: str = ""


@dataclass(frozen=True, slots=True)
class PortEvent:
    """A serial port was opened, lost or made no sense; `detail` is a sentence for the person reading."""

    time_ms: int
    port: str
    event: str
    detail: str


@dataclass(frozen=True, slots=True)
class JournalEntry:
    """What a dyer did or saw. `time_ms` is when it happened, `logged_ms` when it was written down.

    `what` is the substance of a feed, the look of a check, the piece of a dip, a finish or an outcome; of an undo it is
    the `entry_id` of the entry that is taken back (nothing is ever deleted); of probe-out and probe-back it is the
    probe. A probe out counts as back by itself after `minutes`; `text` says what it is out for. `details` are named
    facts that only screens and reviews read, such as fibre, dry grams, shade or rubbing grade. `entry_id` makes a
    repeated submission harmless.
    """

    entry_id: str
    time_ms: int
    logged_ms: int
    vat: str
    kind: EntryKind
    what: str = ""
    grams: float | None = None
    litres: float | None = None
    minutes: float | None = None
    text: str = ""
    by: str = ""
    details: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class CalibrationPoint:
    """One solution as a probe read it. `expected` is in the unit of the probe's quantity, `reading` in its signal's own.

    `expected_sigma` is 1 σ of the solution as poured, `reading_sigma` 1 σ of the steady mean; `t90_s` is how long 90 % of
    the step from the solution before took, where there was one.
    """

    solution: str
    lot: str
    temperature_c: float
    expected: float
    expected_sigma: float
    reading: float
    reading_sigma: float
    t90_s: float | None = None


@dataclass(frozen=True, slots=True)
class Calibration:
    """What one calibration of one probe found, kept whether it was accepted or refused.

    `offset`: pH electrodes, mV at pH 7 (subtracted); ORP, mV (added to the reading); thermometers, °C (added). Slope and
    covariance belong to pH electrodes only. Numbers are None when nothing could be fitted. `fault` is empty when accepted.
    """

    calibration_id: str
    time_ms: int
    vat: str
    probe: str
    signal: Signal
    accepted: bool
    points: tuple[CalibrationPoint, ...] = ()
    offset: float | None = None
    offset_sigma: float | None = None
    slope_share: float | None = None
    slope_share_sigma: float | None = None
    offset_slope_covariance_mv: float | None = None
    judgement: tuple[str, ...] = ()
    fault: str = ""
    by: str = ""


@dataclass(frozen=True, slots=True)
class AlarmAction:
    """A person acknowledged, shelved, reset … one alarm. `until_ms` bounds a timed shelve."""

    action_id: str
    time_ms: int
    vat: str
    alarm: str
    verb: ActionVerb
    until_ms: int | None = None
    by: str = ""


@dataclass(frozen=True, slots=True)
class Measured:
    """One quantity of a scan. When `value` is None the number is withdrawn and `reason` says why.

    `time_ms` is the time of the newest sample behind the value (a slow probe's value is carried for a few scans).
    """

    value: float | None
    sigma: float | None
    flag: Flag
    reason: str = ""
    time_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Reduction:
    """Share of the vat's indigo in its soluble leuco form: median with a 90 % interval, all in 0…1.

    `margin_mv` is how far the liquor lies below the half-reduced potential (positive = reduced), 1 sigma beside it.
    `saturated` means ≥ 99 %: the share stays at 0.99 (interval up to 1), and only the margin still moves.
    `probability_fit` is the probability that the share is at or above the vat's own limit.
    """

    share: float
    share_low: float
    share_high: float
    margin_mv: float
    margin_mv_sigma: float
    saturated: bool
    probability_fit: float


@dataclass(frozen=True, slots=True)
class Scan:
    """One vat at the end of one slot of the scan grid. `slot_ms` is the slot's end."""

    slot_ms: int
    vat: str
    ph: Measured
    orp_mv: Measured
    temperature_c: Measured
    eh_mv: float | None
    eh_mv_sigma: float | None
    ph_25c: float | None
    reduction: Reduction | None
    condition: VatCondition
    shortfalls: tuple[str, ...] = ()
    settled_from_ms: int | None = None


@dataclass(frozen=True, slots=True)
class AlarmEvent:
    """One transition of one alarm. `alarm` is the kind within the vat (`overheat`, `off-ph-low` …).

    `occurrence` counts how often this alarm has been raised on this vat, from 1; with `vat` and `alarm` it names one
    episode for ever.
    """

    slot_ms: int
    vat: str
    alarm: str
    occurrence: int
    transition: str
    from_state: AlarmState
    to_state: AlarmState
    value: float | None = None
    limit: float | None = None
    by: str = ""


@dataclass(frozen=True, slots=True)
class Push:
    """A message for the dyer's phone, whole and ready to read. The same event gives the same `push_id`."""

    push_id: str
    slot_ms: int
    vat: str
    alarm: str
    urgency: Urgency
    title: str
    body: str
    chart: str = ""


@dataclass(frozen=True, slots=True)
class Outlook:
    """What is in sight for a vat, worked out at `slot_ms`: a limit it will pass, with the median time and an 80 % interval.

    `comes_back` False: it will leave its window through `limit`; True: it will be inside `limit`, and fit to dye, again.
    `late_ms` is None beyond the horizon.
    """

    vat: str
    slot_ms: int
    limit: str
    comes_back: bool
    early_ms: int
    median_ms: int
    late_ms: int | None


@dataclass(frozen=True, slots=True)
class VatCard:
    """What screens and outlets need to know about a vat that is not measured."""

    vat: str
    name: str
    chemistry: str
    fibre: str
    volume_l: float | None
    warmed: bool
    ph_low: float
    ph_high: float
    temperature_low_c: float
    temperature_high_c: float
    ceiling_c: float
    reduction_low: float
    settle_minutes: float
    cautions: tuple[str, ...] = ()
    orp_meaning: str = ""


@dataclass(frozen=True, slots=True)
class Delivery:
    """How far one outlet has come with one stream of the store, and what last went wrong."""

    outlet: str
    stream: str
    position: int = 0
    delivered: int = 0
    dropped: int = 0
    failures: int = 0
    last_ok_ms: int | None = None
    last_error: str = ""
    last_error_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Rejected:
    """A row that an outlet's peer refused: left out there for good, whole in the store. `row_number` is the stream's."""

    outlet: str
    stream: str
    row_number: int
    time_ms: int
    reason: str


@dataclass(frozen=True, slots=True)
class StepResult:
    """Everything one vat's step gives back for one slot; the store takes it whole."""

    scan: Scan
    samples: tuple[Sample, ...] = ()
    alarm_events: tuple[AlarmEvent, ...] = ()
    pushes: tuple[Push, ...] = ()


@dataclass(frozen=True, slots=True)
class Batch:
    """What is committed in one transaction: whole slots only, so a crash can never split one.

    `state_snapshots` maps a vat to the JSON text of its pipeline state, kept now and then so that a restart replays
    minutes, not a season. `shed_pushes` and `shed_events` are about the shed as a whole: no single vat's replay gives them
    again; its state stands among the snapshots under an empty name.
    `outlooks` replaces what is in sight by vat (None: nothing any more); what the batch does not name stays.
    """

    slot_ms: int
    settings_version: int
    steps: tuple[StepResult, ...] = ()
    journal: tuple[JournalEntry, ...] = ()
    actions: tuple[AlarmAction, ...] = ()
    port_events: tuple[PortEvent, ...] = ()
    state_snapshots: dict[str, str] = field(default_factory=dict)
    shed_pushes: tuple[Push, ...] = ()
    shed_events: tuple[AlarmEvent, ...] = ()
    outlooks: dict[str, Outlook | None] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Numbered:
    """One row of a stream and its number."""

    number: int
    record: Scan | AlarmEvent | JournalEntry | Push
