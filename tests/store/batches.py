"""Material for the store's tests: made-up batches that a slot alone determines, and strategies for every record."""

from __future__ import annotations

import random
from collections.abc import Sequence

import pytest
from hypothesis import strategies as st

from vatwatch.records import (
    AlarmAction,
    AlarmEvent,
    Batch,
    Delivery,
    JournalEntry,
    Measured,
    PortEvent,
    Push,
    Reduction,
    Sample,
    Scan,
    StepResult,
    VatCard,
)
from vatwatch.store import sealing
from vatwatch.terms import ActionVerb, AlarmState, EntryKind, Flag, Signal, Urgency, VatCondition

SLOT_MS = 10_000
FOR_EVER_MS = 2**62
SIX_VATS = tuple(f"vat{number}" for number in range(1, 7))


def batch_of(slot_ms: int, vats: Sequence[str] = SIX_VATS, *, settings_version: int = 1) -> Batch:
    """One slot of every vat: the same slot gives the same batch, so that what a store kept can be told from it."""
    chance = random.Random(slot_ms)
    first = vats[0]
    return Batch(
        slot_ms=slot_ms,
        settings_version=settings_version,
        steps=tuple(step_of(slot_ms, vat, chance) for vat in vats),
        journal=(JournalEntry(f"entry-{slot_ms}", slot_ms - 5, slot_ms - 3, first, EntryKind.FEED, "lime", 12.5),),
        actions=(AlarmAction(f"action-{slot_ms}", slot_ms - 1, first, "overheat", ActionVerb.ACKNOWLEDGE),),
        port_events=(PortEvent(slot_ms - 7, "/dev/ttyUSB0", "opened", "the port answers"),),
        state_snapshots=dict.fromkeys(vats, f'{{"slot": {slot_ms}}}'),
    )


def step_of(slot_ms: int, vat: str, chance: random.Random) -> StepResult:
    """One vat's slot: three samples, an alarm that goes up and down in turn, now and then a push."""
    samples = tuple(
        Sample(slot_ms - 1000 - place, vat, f"{vat}-{signal}", signal, chance.gauss(0, 500), Flag.PASS)
        for place, signal in enumerate((Signal.PH_MV, Signal.ORP_MV, Signal.TEMPERATURE_C))
    )
    ph, orp_mv, temperature_c = (
        Measured(sample.value, abs(chance.gauss(0, 1)), Flag.PASS, "", sample.time_ms) for sample in samples
    )
    share = chance.random()
    raised = (slot_ms // SLOT_MS) % 2 == 1
    states = (AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED)
    event = AlarmEvent(
        slot_ms=slot_ms,
        vat=vat,
        alarm="overheat",
        occurrence=1 + slot_ms // SLOT_MS // 2,
        transition="raised" if raised else "cleared",
        from_state=states[not raised],
        to_state=states[raised],
        value=temperature_c.value,
        limit=60.0,
    )
    push = Push(f"{vat}-overheat-{slot_ms}", slot_ms, vat, "overheat", Urgency.ACT, "too hot", "see to it", "▁▃█")
    return StepResult(
        scan=Scan(
            slot_ms=slot_ms,
            vat=vat,
            ph=ph,
            orp_mv=orp_mv,
            temperature_c=temperature_c,
            eh_mv=chance.gauss(-500, 50),
            eh_mv_sigma=5.0,
            ph_25c=None,
            reduction=Reduction(share, share / 2, (1 + share) / 2, chance.gauss(0, 30), 12.0, False, share),
            condition=VatCondition.SETTLING,
            shortfalls=("stirred lately",),
            settled_from_ms=slot_ms + 60_000,
        ),
        samples=samples,
        alarm_events=(event,),
        pushes=(push,) if raised else (),
    )


def shorten_days(patch: pytest.MonkeyPatch, days_of: int) -> None:
    """Lets the writer take so many ms for a day, a quarter of it for an hour, and few scans for a whole chunk."""
    patch.setattr(sealing, "DAY_MS", days_of)
    patch.setattr(sealing, "HOUR_MS", days_of // 4)
    patch.setattr(sealing, "CHUNK_SCANS", 7)
    patch.setattr(sealing, "SEAL_SCANS", 40)


def card_of(vat: str) -> VatCard:
    """A card with nothing remarkable on it."""
    return VatCard(vat, vat.title(), "thiourea dioxide", "wool", 40.0, True, 10.5, 11.2, 38, 50, 55, 0.9, 30, ("hot",))


int64 = st.integers(-(2**63), 2**63 - 1)
# The zero below zero on purpose and often: it is the one float a column of declared type REAL would not give back.
real = st.just(-0.0) | st.floats(allow_nan=False)
text = st.text(max_size=30)
maybe_real = st.none() | real
maybe_ms = st.none() | int64

measured = st.builds(Measured, maybe_real, maybe_real, st.sampled_from(Flag), text, maybe_ms)
reductions = st.builds(Reduction, real, real, real, real, real, st.booleans(), real)
samples = st.builds(Sample, int64, text, text, st.sampled_from(Signal), maybe_real, st.sampled_from(Flag), text)
scans = st.builds(
    Scan,
    slot_ms=int64,
    vat=text,
    ph=measured,
    orp_mv=measured,
    temperature_c=measured,
    eh_mv=maybe_real,
    eh_mv_sigma=maybe_real,
    ph_25c=maybe_real,
    reduction=st.none() | reductions,
    condition=st.sampled_from(VatCondition),
    shortfalls=st.lists(text, max_size=3).map(tuple),
    settled_from_ms=maybe_ms,
)
states = st.sampled_from(AlarmState)
alarm_events = st.builds(
    AlarmEvent, int64, text, text, int64, text, states, states, value=maybe_real, limit=maybe_real, by=text
)
pushes = st.builds(Push, text, int64, text, text, st.sampled_from(Urgency), text, text, text)
journal_entries = st.builds(
    JournalEntry,
    entry_id=st.text(min_size=1, max_size=20),
    time_ms=int64,
    logged_ms=int64,
    vat=text,
    kind=st.sampled_from(EntryKind),
    what=text,
    grams=maybe_real,
    litres=maybe_real,
    minutes=maybe_real,
    text=text,
    by=text,
    details=st.lists(st.tuples(text, text), max_size=3).map(tuple),
)
alarm_actions = st.builds(
    AlarmAction,
    action_id=st.text(min_size=1, max_size=20),
    time_ms=int64,
    vat=text,
    alarm=text,
    verb=st.sampled_from(ActionVerb),
    until_ms=maybe_ms,
    by=text,
)
port_events = st.builds(PortEvent, int64, text, text, text)
cards = st.builds(
    VatCard,
    vat=text,
    name=text,
    chemistry=text,
    fibre=text,
    volume_l=maybe_real,
    warmed=st.booleans(),
    ph_low=real,
    ph_high=real,
    temperature_low_c=real,
    temperature_high_c=real,
    ceiling_c=real,
    reduction_low=real,
    settle_minutes=real,
    cautions=st.lists(text, max_size=3).map(tuple),
)
deliveries = st.builds(
    Delivery,
    outlet=text,
    stream=text,
    position=int64,
    delivered=int64,
    dropped=int64,
    failures=int64,
    last_ok_ms=maybe_ms,
    last_error=text,
    last_error_ms=maybe_ms,
)
