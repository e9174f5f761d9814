"""What the dyer did and saw, taken into a vat's state: settling, feeds, looks, a vat remade, an entry taken back.

Nothing is judged here. An entry counts from the first slot after it was handed in; its own time decides when the liquor
was disturbed and whether a look may still be compared with the reading now.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from vatwatch.chemistry.nernst import thermal_mv
from vatwatch.records import JournalEntry
from vatwatch.terms import EntryKind, Look
from vatwatch.vat.estimate import Couple, OffsetBelief
from vatwatch.vat.settings import MINUTE_MS, VatSettings
from vatwatch.vat.state import KEPT_DOINGS, KEPT_LESSONS, Doing, Lesson, VatState
from vatwatch.vat.teaching import (
    SAME_AGAIN_MV,
    SAME_AGAIN_WEIGHT,
    information_bits,
    learn_from_look,
    unlearn_look,
    widen,
)

DISTURBING = (EntryKind.FEED, EntryKind.STIR, EntryKind.DIP, EntryKind.TOP_UP, EntryKind.REMADE)
"""Entries after which the liquor must settle again before cloth goes in."""
LOOK_HOLDS_MS = 15 * MINUTE_MS
"""A look at the liquor is compared with the reading now only if it is not older than this."""
_DAY_MS = 86_400_000
_WIDEN_STEP_MS = 3_600_000


def initial_state(settings: VatSettings) -> VatState:
    """A vat nothing is known of yet."""
    return VatState(belief=OffsetBelief.prior(settings.e7_sigma_mv))


def read_journal(
    state: VatState, settings: VatSettings, slot_ms: int, journal: Sequence[JournalEntry], couple: Couple | None
) -> VatState:
    """The state after the entries handed in during this slot, in their order."""
    for entry in journal:
        if entry.kind is EntryKind.UNDO:
            state = _take_back(state, entry.what)
            continue
        if entry.kind is EntryKind.REMADE:
            state = _remade(state, settings)
        if entry.kind in DISTURBING:
            doing = Doing(
                entry_id=entry.entry_id,
                kind=entry.kind.value,
                time_ms=entry.time_ms,
                # Whatever the entry's own clock says, nothing settles later than from now on.
                settled_ms=min(entry.time_ms, slot_ms) + settings.window.settle_ms,
                what=entry.what,
                grams=entry.grams,
            )
            state = replace(state, doings=(*state.doings, doing)[-KEPT_DOINGS:])
        if (
            entry.kind is EntryKind.CHECK
            and couple is not None
            and entry.what in set(Look)
            and abs(slot_ms - entry.time_ms) <= LOOK_HOLDS_MS
        ):
            state = _learn(state, entry, couple, slot_ms)
    return state


def age_belief(state: VatState, slot_ms: int) -> VatState:
    """Only a taught belief can go stale; once an hour is often enough for a drift counted in days."""
    if state.checks == 0 or state.taught_ms is None:
        return state
    since = state.belief_at_ms if state.belief_at_ms is not None else state.taught_ms
    if slot_ms - since < _WIDEN_STEP_MS:
        return state if state.belief_at_ms is not None else replace(state, belief_at_ms=state.taught_ms)
    return replace(state, belief=widen(state.belief, (slot_ms - since) / _DAY_MS), belief_at_ms=slot_ms)


def _remade(state: VatState, settings: VatSettings) -> VatState:
    """Probes and standing alarms outlive the liquor; what was learnt of it does not."""
    return replace(
        initial_state(settings),
        slot_ms=state.slot_ms,
        first_slot_ms=state.first_slot_ms,
        probes=state.probes,
        series=state.series,
        faults=state.faults,
        beyond=state.beyond,
        alarms=state.alarms,
        history=state.history,
    )


def _learn(state: VatState, entry: JournalEntry, couple: Couple, slot_ms: int) -> VatState:
    before = state.belief
    last = state.lessons[-1] if state.lessons else None
    again = (
        last is not None
        and last.look == entry.what
        and abs(last.margin_mv - couple.margin_mv) < SAME_AGAIN_MV
        and not any(last.time_ms < doing.time_ms and doing.kind == EntryKind.FEED.value for doing in state.doings)
    )
    weight = SAME_AGAIN_WEIGHT if again else 1.0
    after = learn_from_look(before, Look(entry.what), couple, thermal_mv(couple.temperature_c, 2), weight)
    lesson = Lesson(
        entry_id=entry.entry_id,
        time_ms=entry.time_ms,
        look=entry.what,
        bits=information_bits(before, after),
        sigma_before_mv=before.sigma_mv(),
        sigma_after_mv=after.sigma_mv(),
        margin_mv=couple.margin_mv,
        margin_sigma_mv=couple.sigma_mv,
        temperature_c=couple.temperature_c,
        weight=weight,
    )
    lessons = (*state.lessons, lesson)[-KEPT_LESSONS:]
    return replace(state, belief=after, checks=state.checks + 1, taught_ms=slot_ms, lessons=lessons)


def _take_back(state: VatState, entry_id: str) -> VatState:
    """As if the entry had not been made. A look is divided out of the belief (what drift blurred stays blurred)."""
    state = replace(state, doings=tuple(doing for doing in state.doings if doing.entry_id != entry_id))
    for lesson in state.lessons:
        if lesson.entry_id == entry_id:
            couple = Couple(lesson.margin_mv, lesson.margin_sigma_mv, lesson.temperature_c)
            thermal = thermal_mv(lesson.temperature_c, 2)
            belief = unlearn_look(state.belief, Look(lesson.look), couple, thermal, lesson.weight)
            rest = tuple(one for one in state.lessons if one.entry_id != entry_id)
            state = replace(state, belief=belief, checks=max(0, state.checks - 1), lessons=rest)
    return state
