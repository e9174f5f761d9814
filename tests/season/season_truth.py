"""A season with a hidden truth: vats whose every spell, feed, alarm and piece was drawn before anything was stored.

The truth is plain: columns of numbers per vat and lists of dated happenings. A store is filled from it either through
the writer, as the daemon does, or, for whole seasons, chunk by chunk with the writer's own packing. What a review must
find is counted again from the truth by `season_recount`, which knows nothing of the store.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from vatwatch.records import AlarmEvent, Calibration, JournalEntry, VatCard
from vatwatch.terms import AlarmState, EntryKind, Signal

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
MINUTE_MS = 60_000
START_MS = 1_777_593_600_000
"""2026-05-01 00:00 UTC."""
CHEMISTRIES = ("hydrosulfite", "thiourea-dioxide", "fructose-lime", "iron-lime", "woad", "bran-madder")
REDUCTANTS = ("hydrosulfite", "thiourea dioxide", "fructose", "iron sulphate", "bran", "madder")
ALKALIS = ("soda ash", "soda ash", "lime", "lime", "wood-ash lye", "lime")
NAMES = ("Heron vat", "Marsh vat", "Clay vat", "Iron pot", "Old tub", "Bran crock")

WORDS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("dyeable", ()),
    ("dyeable", ("unsure",)),
    ("settling", ("settling",)),
    ("off", ("off-reduction",)),
    ("off", ("off-ph-low",)),
    ("off", ("off-reduction", "off-cold")),
    ("too hot", ("overheat",)),
    ("unknown", ("no-ph",)),
    ("unknown", ("no-orp", "settling")),
)
"""Condition and shortfalls by code; code −1 is no scan at all."""
EXCURSIONS = {3: "off-reduction", 4: "off-ph-low", 6: "overheat", 7: "silent-ph", 8: "silent-orp"}

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Plan:
    """How large the season is. Steps are whole minutes or divide one; `busy` multiplies the odds of mishaps."""

    vats: int = 6
    days: int = 200
    step_ms: int = 10_000
    seed: int = 11
    busy: float = 1.0

    @property
    def slots(self) -> int:
        return self.days * DAY_MS // self.step_ms

    @property
    def end_ms(self) -> int:
        return START_MS + self.days * DAY_MS


@dataclass(slots=True)
class VatTruth:
    """One vat. Columns have one number per slot; `code` indexes `WORDS`, −1 where nothing was recorded."""

    vat: str
    slots_ms: Ints
    code: npt.NDArray[np.int8]
    ph: Floats
    ph_25c: Floats
    margin_mv: Floats
    share: Floats
    temperature_c: Floats
    orp_mv: Floats
    events: list[AlarmEvent] = field(default_factory=list)


@dataclass(slots=True)
class Truth:
    plan: Plan
    vats: list[VatTruth]
    journal: list[JournalEntry]
    calibrations: list[Calibration]
    cards: list[tuple[int, list[VatCard]]]


def draw_season(plan: Plan) -> Truth:
    """The whole truth, from the plan's seed alone."""
    journal: list[JournalEntry] = []
    vats = [_draw_vat(plan, number, journal) for number in range(plan.vats)]
    journal.sort(key=lambda entry: (entry.time_ms, entry.entry_id))
    calibrations = [c for number in range(plan.vats) for c in _calibrations(plan, number)]
    early = [card_of(number) for number in range(plan.vats)]
    late = [
        VatCard(**{**{f: getattr(card, f) for f in VatCard.__dataclass_fields__}, "ph_low": card.ph_low + 0.2})
        if number % 2 == 0
        else card
        for number, card in enumerate(early)
    ]
    middle_ms = START_MS + plan.days * DAY_MS // 2
    return Truth(plan, vats, journal, calibrations, [(START_MS, early), (middle_ms, late)])


def vat_name(number: int) -> str:
    return f"vat{number + 1}"


def card_of(number: int) -> VatCard:
    return VatCard(
        vat_name(number), NAMES[number], CHEMISTRIES[number], "cellulose", 60.0 + 20 * number, number % 2 == 0,
        10.2, 11.6, 20.0, 50.0, 58.0, 0.9, 60.0, ("Goggles and gloves.",),
    )  # fmt: skip


def _draw_vat(plan: Plan, number: int, journal: list[JournalEntry]) -> VatTruth:
    chance = random.Random(plan.seed * 1000 + number)
    vat = vat_name(number)
    slots = START_MS + plan.step_ms * np.arange(1, plan.slots + 1, dtype=np.int64)
    code = np.zeros(plan.slots, dtype=np.int8)
    hours = (slots - START_MS) / HOUR_MS
    margin = 95.0 - 9.0 * number + 22.0 * np.sin(hours / 31.0 + number)
    ph_25c = 10.9 + 0.05 * number + 0.2 * np.sin(hours / 53.0 + number)
    temperature = 27.0 + 2.5 * number + 1.8 * np.sin(hours * 2 * np.pi / 24 + number)
    write = _Writer(vat, plan, journal)

    def paint(begin_ms: float, end_ms: float, value: int, over: Callable[[int], bool] = lambda _: True) -> None:
        first, last = np.searchsorted(slots, [begin_ms, end_ms], side="right")
        for place in range(int(first), int(last)):
            if over(int(code[place])):
                code[place] = value

    def kick(column: Floats, at_ms: int, size: float, hours_long: float) -> None:
        first = int(np.searchsorted(slots, at_ms, side="right"))
        after = (slots[first:] - at_ms) / HOUR_MS
        column[first:] += size * np.exp(-after / hours_long)

    events: list[AlarmEvent] = []
    occurrence: dict[str, int] = {}
    for day in range(plan.days):
        day_ms = START_MS + day * DAY_MS
        paint(day_ms + 2 * HOUR_MS, day_ms + 4 * HOUR_MS, 1)
        if chance.random() < 0.75:
            _feed(write, chance, day_ms, number, day, plan, lambda a, s: kick(margin, a, s, 30.0), margin, paint, True)
        if chance.random() < 0.3:
            _feed(write, chance, day_ms, number, day, plan, lambda a, s: kick(ph_25c, a, s, 60.0), ph_25c, paint, False)
        if chance.random() < 0.5:
            at_ms = write.entry(day_ms + chance.randrange(6 * 60, 20 * 60) * MINUTE_MS, EntryKind.STIR)
            paint(at_ms, at_ms + HOUR_MS, 2)
        if chance.random() < 0.6:
            _piece(write, chance, day_ms + 10 * HOUR_MS, number, day)
        if chance.random() < (0.16 + 0.05 * number) * plan.busy:
            kind = chance.choice(list(EXCURSIONS) + [3] * (1 + number))
            begin_ms = day_ms + chance.randrange(0, 23 * 60) * MINUTE_MS
            _excursion(write, chance, vat, kind, begin_ms, plan, events, occurrence, paint)
        if chance.random() < 0.02 * plan.busy:
            write.entry(day_ms + 7 * HOUR_MS, EntryKind.TOP_UP, litres=5.0)
        if chance.random() < 0.03 * plan.busy:
            mistaken = write.entry(day_ms + 8 * HOUR_MS, EntryKind.FEED, what="soda ash", grams=500.0)
            write.entry(mistaken + 5 * MINUTE_MS, EntryKind.UNDO, what=write.last_id)
        if chance.random() < 0.02 * plan.busy:
            gap_ms = day_ms + chance.randrange(0, 20) * HOUR_MS
            paint(gap_ms, gap_ms + chance.randrange(30, 300) * MINUTE_MS, -1)
    events.sort(key=lambda event: event.slot_ms)
    share = 1.0 / (1.0 + np.exp(-(margin - 40.0) / 13.0))
    ph = ph_25c - 0.017 * (temperature - 25.0)
    silent_ph, silent_orp = code == 7, code == 8
    ph[silent_ph] = ph_25c[silent_ph] = np.nan
    orp = -560.0 - margin - 59.0 * (ph_25c - 10.5)
    orp[silent_orp] = np.nan
    margin[silent_ph | silent_orp] = np.nan
    share[silent_ph | silent_orp] = np.nan
    return VatTruth(vat, slots, code, ph, ph_25c, margin, share, temperature, orp, events)


class _Writer:
    """Writes journal entries of one vat and numbers them."""

    def __init__(self, vat: str, plan: Plan, journal: list[JournalEntry]) -> None:
        self.vat, self.plan, self.journal = vat, plan, journal
        self.count = 0
        self.last_id = ""

    def entry(self, time_ms: int, kind: EntryKind, **fields: object) -> int:
        self.count += 1
        self.last_id = f"{self.vat}-{self.count:06}"
        made = JournalEntry(self.last_id, time_ms, time_ms, self.vat, kind, **fields)  # type: ignore[arg-type]
        if START_MS <= time_ms < self.plan.end_ms:
            self.journal.append(made)
        return time_ms


def _feed(
    write: _Writer,
    chance: random.Random,
    day_ms: int,
    number: int,
    day: int,
    plan: Plan,
    kick: Callable[[int, float], None],
    column: Floats,
    paint: Callable[..., None],
    reductant: bool,
) -> None:
    """A feed with a response per gram that wanes over the season."""
    at_ms = day_ms + chance.randrange(5 * 60, 22 * 60) * MINUTE_MS
    grams = float(chance.randrange(5, 40))
    what = (REDUCTANTS if reductant else ALKALIS)[number]
    if chance.random() < 0.1:
        what = what.upper()
    write.entry(at_ms, EntryKind.FEED, what=what, grams=grams)
    waned = 1.0 - 0.4 * day / plan.days
    kick(at_ms, grams * waned * (0.5 if reductant else 0.006))
    paint(at_ms, at_ms + HOUR_MS, 2)


def _piece(write: _Writer, chance: random.Random, at_ms: int, number: int, day: int) -> None:
    """A piece dipped once to three times; mostly weighed, sometimes judged, now and then in spite of a warning."""
    name = f"piece {number + 1}-{day + 1}"
    facts = (("fibre", "cellulose"),)
    if chance.random() < 0.8:
        facts += (("dry_grams", f"{chance.randrange(80, 900)}"),)  # type: ignore[assignment]
    for dip in range(chance.randrange(1, 4)):
        begin_ms = at_ms + dip * 25 * MINUTE_MS
        minutes = chance.randrange(4, 15)
        despite = (("despite", "settling"),) if chance.random() < 0.1 else ()
        write.entry(begin_ms, EntryKind.DIP, what=name, details=(("part", "in"), *facts, *despite))
        begun = write.last_id
        write.entry(begin_ms + minutes * MINUTE_MS, EntryKind.DIP, what=name, details=(("part", "out"), ("of", begun)))
    if chance.random() < 0.25:
        grade = chance.choice(("5", "4-5", "4", "3-4", "3", "2"))
        details = (("rubbing_wet", grade), ("judged_dry", "yes"))
        write.entry(at_ms + 8 * HOUR_MS, EntryKind.OUTCOME, what=name, text="even", details=details)


def _excursion(
    write: _Writer,
    chance: random.Random,
    vat: str,
    code: int,
    begin_ms: int,
    plan: Plan,
    events: list[AlarmEvent],
    occurrence: dict[str, int],
    paint: Callable[..., None],
) -> None:
    """A spell outside a limit with its alarm: acknowledged or not, answered by a deed or not, over or left standing."""
    alarm = EXCURSIONS[code]
    begin_ms -= begin_ms % plan.step_ms
    length_ms = int(chance.lognormvariate(1.0, 0.9) * HOUR_MS) // plan.step_ms * plan.step_ms + 20 * MINUTE_MS
    length_ms -= length_ms % plan.step_ms
    end_ms = begin_ms + length_ms
    if (
        any(event.alarm == alarm and event.slot_ms > begin_ms - 12 * HOUR_MS for event in events)
        or end_ms >= plan.end_ms
    ):
        return
    paint(begin_ms, end_ms, code)
    occurrence[alarm] = number = occurrence.get(alarm, 0) + 1
    raised_ms = begin_ms + 5 * MINUTE_MS
    state = AlarmState.UNACKNOWLEDGED

    def move(slot_ms: int, transition: str, to: AlarmState, value: float) -> None:
        nonlocal state
        before = AlarmState.NORMAL if transition == "occurs" else state
        events.append(AlarmEvent(slot_ms, vat, alarm, number, transition, before, to, value, 10.0))
        state = to

    move(raised_ms, "occurs", AlarmState.UNACKNOWLEDGED, 10.0 + chance.uniform(-1, 1))
    if chance.random() < 0.6:
        noticed_ms = raised_ms + chance.randrange(1, max(2, (end_ms - raised_ms) // plan.step_ms)) * plan.step_ms
        if noticed_ms < end_ms:
            move(noticed_ms, "acknowledge", AlarmState.ACKNOWLEDGED, 10.0 + chance.uniform(-2, 2))
            if chance.random() < 0.5:
                write.entry(noticed_ms + 2 * MINUTE_MS + 777, EntryKind.COVER, text="lid on")
    to = AlarmState.NORMAL if state is AlarmState.ACKNOWLEDGED else AlarmState.RETURNED
    move(end_ms, "returns to normal", to, 10.5)


def _calibrations(plan: Plan, number: int) -> list[Calibration]:
    chance = random.Random(plan.seed * 77 + number)
    made = []
    for place, day in enumerate(range(1, plan.days, 25)):
        at_ms = START_MS + day * DAY_MS + 9 * HOUR_MS
        accepted = place == 0 or chance.random() < 0.85
        made.append(
            Calibration(
                f"c-{number}-{place}", at_ms, vat_name(number), f"{vat_name(number)}-ph", Signal.PH_MV, accepted,
                offset=-4.0 - 0.3 * place + chance.uniform(-1, 1) if accepted else None,
                slope_share=0.985 - 0.003 * place if accepted else None,
                fault="" if accepted else "old buffer",
            )
        )  # fmt: skip
    return made
