"""Pushes word for word, as the program really writes them over rehearsed days and nights, to be read by a person.

    python -m tests.benchmarks.judgement.sample_pushes [--all]

Two simulated vats with faults put upon them and a dyer beside them, judged by the real judgement and sent through the real
rounds of one phone with quiet hours. Prints the first message of each kind; with `--all` every one.
"""

from __future__ import annotations

import argparse
import random
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from tests.benchmarks.judgement.dyer import Dyer, daily_round
from tests.benchmarks.judgement.faults import Fault, befall
from tests.benchmarks.judgement.month import samples_of
from tests.benchmarks.judgement.rigs import RehearsalRig, Rig
from tests.benchmarks.judgement.setting import SCAN_MS, START_MS, made_ready, settings_for
from vatwatch.outlets.digests import Message
from vatwatch.outlets.rounds import Lane, Wishes, next_round
from vatwatch.records import AlarmEvent, Numbered, Push
from vatwatch.terms import AlarmState
from vatwatch.vat.doings import initial_state
from vatwatch.vat.night import NightSettings, VatNow, night_pushes
from vatwatch.vat.pipeline import step
from vatwatch.vat.settings import DAY_MS, HOUR_MS, VatSettings
from vatwatch.vat.shed_alarms import Overdue, ShedFacts, ShedState, Undelivered, step_shed
from vatwatch.vat.state import VatState

DAYS = 6
BEGIN = START_MS + DAY_MS
# Day and hour of the rehearsal, vat, fault, how long in hours, and the probe where it is one's.
FAULTS = (
    (1.0, "elder", "cable", 2.0, "temperature"),
    (1.3, "teasel", "reductant exhausted", 4.0, ""),
    (2.1, "elder", "heater stuck on", 6.0, ""),
    (2.6, "teasel", "unlogged stir", 1.0, ""),
    (3.2, "elder", "heater stuck off", 20.0, ""),
    (3.4, "teasel", "CO2 creep", 8.0, ""),
    (4.6, "teasel", "probe in air", 3.0, "orp"),
)
CHEMISTRIES = {"elder": "hydrosulfite", "teasel": "fructose-lime"}
PHONE = Wishes(UTC, quiet_from_minute=22 * 60, quiet_until_minute=7 * 60)
STANDING = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)


@dataclass
class Beside:
    """One vat with everything around it."""

    settings: VatSettings
    rig: Rig
    dyer: Dyer
    state: VatState
    cut: list[tuple[int, int, str]]


def made(vat: str, chemistry: str, seed: int) -> Beside:
    rng = random.Random(f"{vat}/{seed}")
    rig = RehearsalRig(chemistry, seed, START_MS, SCAN_MS)
    made_ready(rig, chemistry, START_MS, BEGIN)
    settings = settings_for(chemistry, rig)
    dyer = Dyer(rng, settings, rig)
    beside = Beside(replace(settings, name=vat.capitalize()), rig, dyer, initial_state(settings), [])
    acts = {"stir": dyer.stir, "dip": dyer.dip, "look": dyer.look}
    for at, what in daily_round(rng, BEGIN, DAYS):
        dyer.later(at, lambda now, what=what: acts[what](now))  # type: ignore[misc]
    for day, of, kind, hours, probe in FAULTS:
        if of == vat:
            at = BEGIN + int(day * DAY_MS)
            fault = Fault(at, kind, at + int(hours * HOUR_MS), probe)
            if kind == "cable":
                beside.cut.append((fault.at_ms, fault.until_ms, probe))
            dyer.later(at, lambda now, fault=fault: befall(fault, rig, now, dyer.later))  # type: ignore[misc]
    return beside


def rehearse(seed: int = 4) -> tuple[list[Push], list[AlarmEvent]]:
    """Everything the judgement writes, and every transition of every alarm, in order."""
    vats = {vat: made(vat, chemistry, seed) for vat, chemistry in CHEMISTRIES.items()}
    night = NightSettings(UTC)
    shed = ShedState()
    written: list[Push] = []
    events: list[AlarmEvent] = []
    for now in range(BEGIN + SCAN_MS, BEGIN + DAYS * DAY_MS, SCAN_MS):
        seen = []
        for vat, one in vats.items():
            one.rig.advance(now)
            journal = one.dyer.take_due(now)
            samples = samples_of(one.rig, now, {probe for a, b, probe in one.cut if a <= now < b})
            one.state, result = step(one.settings, one.state, now, samples, journal)
            one.dyer.state, one.dyer.scan = one.state, result.scan
            for push in result.pushes:
                one.dyer.hear(push)
                written.append(replace(push, vat=vat, push_id=push.push_id.replace(push.vat, vat, 1)))
            events += [replace(event, vat=vat) for event in result.alarm_events]
            seen.append(VatNow(one.settings, one.state, result.scan))
        written += night_pushes(night, seen, now - SCAN_MS, now)
        shed, of_shed, told = step_shed(shed, now, _machine(now), (), UTC)
        written += told
        events += of_shed
    return written, events


def _machine(now_ms: int) -> ShedFacts:
    """A probe overdue from the fourth day on, a phone out of reach for an evening, and a disk that fills."""
    day = (now_ms - BEGIN) / DAY_MS
    overdue = (Overdue("elder-ph", "Elder", "calibrated on 3 May 2026, calibration due since 2 June 2026"),)
    away = (Undelivered("the MQTT broker", now_ms - 40 * 60_000, "no broker answers at 192.0.2.10:1883", False),)
    return ShedFacts(
        overdue=overdue if day > 3.4 else (),
        undelivered=away if 4.4 < day < 4.7 else (),
        free_bytes=180_000_000 if day > 5.4 else 10**10,
        clock_set=True,
        behind_ms=0,
    )


def messages(written: Sequence[Push], events: Sequence[AlarmEvent], wishes: Wishes) -> Iterator[tuple[int, Message]]:
    """What one phone gets of it, with the time it gets it."""
    for lane in Lane:
        rows = [Numbered(number, push) for number, push in enumerate(written, start=1)]
        left = list(events)
        lasting: dict[tuple[str, str], bool] = {}
        position, sent = 0, [0]
        for now in range(BEGIN, BEGIN + (DAYS + 1) * DAY_MS, SCAN_MS):
            while left and left[0].slot_ms <= now:
                event = left.pop(0)
                lasting[event.vat, event.alarm] = event.to_state in STANDING
            standing = frozenset(key for key, lasts in lasting.items() if lasts)
            while waiting := [row for row in rows if row.number > position and _slot_ms(row) <= now]:
                found = next_round(waiting, wishes, lane, now, sent, standing)
                if found.message is not None:
                    sent.append(now)
                    yield now, found.message
                elif found.through == position:
                    break
                position = found.through
                rows = [row for row in rows if row.number > position]


def _slot_ms(row: Numbered) -> int:
    assert isinstance(row.record, Push)
    return row.record.slot_ms


def kind(message: Message) -> str:
    """Messages whose titles differ only in vat, number or "still" are of one kind."""
    return re.sub(r"[0-9]+|still |Elder|Teasel", "", message.title)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--all", action="store_true", help="print every message, not only the first of each kind")
    every = parser.parse_args().all
    shown: set[str] = set()
    for now, message in sorted(messages(*rehearse(), PHONE), key=lambda pair: pair[0]):
        if every or kind(message) not in shown:
            shown.add(kind(message))
            at = datetime.fromtimestamp(now / 1000, UTC)
            print(f"--- {at:%a %H:%M}, {message.urgency.value}\n{message.title}\n{message.body}\n{message.chart}\n")


if __name__ == "__main__":
    main()
