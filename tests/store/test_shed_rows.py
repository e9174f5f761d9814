"""What is about the shed as a whole, in the real store: its alarms, its state, what was handed in, and what outlets owe."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC
from pathlib import Path

import pytest

from tests.store.batches import card_of
from vatwatch.clock import ScaledClock
from vatwatch.records import AlarmAction, AlarmEvent, Batch, Delivery, Push
from vatwatch.shed_facts import FactFinder, is_clock_set, shown_name
from vatwatch.shed_watch import OF_SHED, ShedStep, ShedWatch
from vatwatch.store.reading import StoreReader
from vatwatch.store.writing import StoreWriter
from vatwatch.terms import ActionVerb, AlarmState, Stream, Urgency
from vatwatch.vat.shed_alarms import DISK_LOW, ShedFacts

T0 = 1_780_000_000_000
MINUTE = 60_000
LOW = ShedFacts(undelivered=(), free_bytes=1_000_000)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "vatwatch.db"
    with StoreWriter.open(path) as writer:
        writer.record_settings(T0, "{}", [card_of("tub")])
    return path


def keep(path: Path, slot_ms: int, step: ShedStep, *actions: AlarmAction) -> None:
    with StoreWriter.open(path) as writer:
        writer.append(
            Batch(
                slot_ms,
                1,
                actions=actions,
                state_snapshots=step.snapshots,
                shed_pushes=step.pushes,
                shed_events=step.events,
            )
        )


def watch(path: Path, facts: ShedFacts = LOW) -> ShedWatch:
    made = ShedWatch(UTC, lambda: facts)
    with StoreReader(path) as reader:
        made.restore(reader)
    return made


def test_alarms_and_their_timers_outlive_a_restart_at_any_step(path: Path) -> None:
    """A watch that is stopped and started at every step gives the events of one that never was."""
    whole = ShedWatch(UTC, lambda: LOW)
    expected = [event for minute in range(9) for event in whole.step(T0 + minute * MINUTE, {}, ()).events]
    for minute in range(9):
        keep(path, T0 + minute * MINUTE, watch(path).step(T0 + minute * MINUTE, {}, ()))
    with StoreReader(path) as reader:
        assert reader.alarm_events(None, 0, 2**62) == expected
        (standing,) = reader.standing_alarms()
        assert (standing.vat, standing.alarm, standing.to_state) == ("", DISK_LOW, AlarmState.UNACKNOWLEDGED)
        assert [push.title for push in reader.pushes(0, 2**62)] == ["The disk is nearly full: 1 MB left"]


def test_an_action_handed_in_before_a_kill_is_taken_after_it_and_once(path: Path) -> None:
    for minute in range(7):
        keep(path, T0 + minute * MINUTE, watch(path).step(T0 + minute * MINUTE, {}, ()))
    seen = AlarmAction("a1", T0 + 6 * MINUTE, "", DISK_LOW, ActionVerb.ACKNOWLEDGE, by="ida")
    with StoreWriter.open(path) as writer:  # committed, and then killed before its slot
        writer.append(Batch(T0 + 7 * MINUTE, 1, actions=(seen,)))
    step = watch(path).step(T0 + 7 * MINUTE, {}, ())
    assert [(event.transition, event.by) for event in step.events] == [("acknowledge", "ida")]
    keep(path, T0 + 7 * MINUTE, step)
    assert watch(path).step(T0 + 8 * MINUTE, {}, ()).events == ()


def test_a_shelving_says_until_when(path: Path) -> None:
    first = AlarmAction("a1", T0, "", DISK_LOW, ActionVerb.SHELVE, T0 + 5 * MINUTE)
    second = AlarmAction("a2", T0, "", DISK_LOW, ActionVerb.SHELVE, T0 + 99 * MINUTE)
    keep(path, T0 + MINUTE, ShedStep((), (), {}), first)
    keep(path, T0 + 90 * MINUTE, ShedStep((), (), {}), second)
    event = AlarmEvent(T0 + MINUTE, "", DISK_LOW, 1, "shelve", AlarmState.UNACKNOWLEDGED, AlarmState.SHELVED)
    with StoreReader(path) as reader:
        assert reader.shelved_until(event) == T0 + 5 * MINUTE
        assert reader.shelved_until(replace(event, slot_ms=T0 + 95 * MINUTE)) == T0 + 99 * MINUTE
        assert reader.shelved_until(replace(event, alarm="other")) is None


def test_a_state_that_cannot_be_read_begins_afresh(path: Path) -> None:
    keep(path, T0, ShedStep((), (), {OF_SHED: '{"format": 99}'}))
    assert watch(path).step(T0 + MINUTE, {}, ()).events == ()


def facts_at(
    path: Path, now_ms: int, *deliveries: Delivery, outlets: tuple[str, ...] = ("phone-ida", "mqtt")
) -> ShedFacts:
    with StoreWriter.open(path) as writer:
        for delivery in deliveries:
            writer.record_delivery(delivery)
    return FactFinder(path, ScaledClock(now_ms, 1.0), lambda: outlets)()


def pushed(path: Path, slot_ms: int) -> None:
    push = Push(f"p{slot_ms}", slot_ms, "tub", "off-cold", Urgency.ACT, "Tub: too cold", "x")
    keep(path, slot_ms, ShedStep((), (push,), {}))


def test_what_an_outlet_owes(path: Path) -> None:
    pushed(path, T0)
    failing = Delivery("phone-ida", Stream.PUSHES, 0, failures=3, last_error="no answer", last_error_ms=T0 + MINUTE)
    assert facts_at(path, T0 + 29 * MINUTE, failing).undelivered == ()
    (owed,) = facts_at(path, T0 + 31 * MINUTE, replace(failing, outlet="danger-phone-ida"),
                       outlets=("phone-ida", "danger-phone-ida")).undelivered or ()  # fmt: skip
    assert (owed.name, owed.since_ms, owed.why, owed.is_phone) == ("phone ida", T0, "no answer", True)
    held = replace(failing, last_error="", last_error_ms=None)
    assert facts_at(path, T0 + 600 * MINUTE, held, replace(held, outlet="danger-phone-ida")).undelivered == ()
    on_its_way = replace(failing, last_ok_ms=T0 + 598 * MINUTE)
    assert facts_at(path, T0 + 600 * MINUTE, on_its_way).undelivered == ()
    assert facts_at(path, T0 + 600 * MINUTE, failing, outlets=("mqtt",)).undelivered == (), "nobody's any more"
    done = replace(failing, position=1)
    assert facts_at(path, T0 + 600 * MINUTE, done).undelivered == ()


def test_what_cannot_be_read_is_not_known(tmp_path: Path) -> None:
    found = FactFinder(tmp_path / "none.db", ScaledClock(T0, 480.0), lambda: ())()
    assert found.undelivered is None
    assert found.clock_set is None, "a rehearsal's clock is nobody's to set"
    assert found.free_bytes is not None
    assert FactFinder(tmp_path / "no" / "where.db", ScaledClock(T0, 1.0), lambda: ())().free_bytes is None
    assert is_clock_set() in (True, False, None)
    assert [shown_name(name) for name in ("mqtt", "phone-a", "danger-phone-a")] == [
        "the MQTT broker",
        "phone a",
        "phone a",
    ]


def test_a_clock_put_right_moves_the_timers_that_run(path: Path) -> None:
    """An on-delay of five minutes begun at a wrong time still takes five minutes, also through a restart."""
    shift = 400 * 24 * 60 * MINUTE
    first = watch(path)
    for minute in range(3):
        keep(path, T0 + minute * MINUTE, first.step(T0 + minute * MINUTE, {}, ()))
    first.put_right(shift)
    keep(path, T0 + shift + 3 * MINUTE, first.step(T0 + shift + 3 * MINUTE, {}, ()))
    second = watch(path)
    assert second.step(T0 + shift + 4 * MINUTE, {}, ()).events == ()
    assert [event.transition for event in second.step(T0 + shift + 5 * MINUTE, {}, ()).events] == ["occurs"]
