"""kill −9 while samples flow: nothing committed is lost or doubled, alarms go on where they were, nothing pushed twice.

The short form kills 30 times (seeded). More:  VATWATCH_KILLS=300 pytest tests/end_to_end/test_killed_daemon.py
"""

from __future__ import annotations

import os
import random
import sqlite3
from collections import Counter
from datetime import UTC, datetime, timedelta
from pathlib import Path

from tests.end_to_end.replaying import replay_differences
from tests.end_to_end.shed import GOOD, Shed, pause
from tests.services import HOST, HttpReceiver, wait_until
from vatwatch.records import Delivery

KILLS = int(os.environ.get("VATWATCH_KILLS", "30"))


def test_killed_at_random_moments(tmp_path: Path) -> None:
    rng = random.Random(30)
    with HttpReceiver() as phone:
        # Every push is to be seen by itself here.
        extra = f'[phone.pocket]\nurl = "json://{HOST}:{phone.port}/push"\nat_once = 100\n'
        with Shed(tmp_path, extra, interval_s=0.05) as shed:
            shed.plug_in("count")
            committed: set[tuple[int, float | None]] = set()
            for number in range(KILLS):
                # Every third life the vat is too hot, so that alarms rise, fall and are pushed across kills.
                shed.set_liquor("11.00 -700.0 62.00" if number % 3 == 0 else GOOD)
                shed.start()
                shed.wait_for_scans(1)
                before = shed.scans()
                wait_until(lambda n=before: shed.scans() > n, "a scan in this life", 20)  # type: ignore[misc]
                pause(rng.uniform(0.0, 1.2))
                shed.kill()
                kept = samples_of(shed)
                # Everything seen committed before this kill is still there, each row once.
                assert committed <= set(kept)
                assert max(Counter(kept).values()) == 1
                committed = set(kept)
            # one last life in which everything outstanding is delivered
            shed.start()
            before = shed.scans()
            wait_until(lambda: shed.scans() > before + 2, "scans after the last kill", 20)
            with shed.reader() as reader:
                written = [push.push_id for push in reader.pushes(0, 2**62)]
            wait_until(lambda: len(refs(phone)) >= len(written), "every push delivered", 30)
            assert shed.stop() == 0
            with shed.reader() as reader:
                written = [push.push_id for push in reader.pushes(0, 2**62)]
                occurrences = [e.occurrence for e in reader.alarm_events("tub", 0, 2**62) if e.transition == "occurs"]

            assert sqlite3.connect(shed.store_path).execute("PRAGMA integrity_check").fetchone() == ("ok",)
            assert len(set(written)) == len(written)
            delivered = Counter(refs(phone))
            assert set(delivered) == set(written)
            twice = [ref for ref, times in delivered.items() if times > 1]
            count, differences = replay_differences(shed.store_path, "tub")
            print(
                f"\n{KILLS} kills: {len(committed)} samples, {count} slots, {len(written)} pushes, "
                f"{len(occurrences)} alarms raised, {len(twice)} pushed twice, {len(differences)} replay differences"
            )
            assert twice == []
            assert differences == []


def samples_of(shed: Shed) -> list[tuple[int, float | None]]:
    """Every line the meter sent is told from every other by its temperature, which counts."""
    with shed.reader() as reader:
        return [(s.time_ms, s.value) for s in reader.samples("tub", 0, 2**62) if s.probe == "tub-t"]


def refs(phone: HttpReceiver) -> list[str]:
    """The stable id of each push as the phone got it: the last line of its text."""
    return [heard.json["message"].strip().splitlines()[-1].removeprefix("ref ") for heard in phone.heard]


def noted(delivery: Delivery) -> bool:
    """Whether the lane for everything but danger has delivered; the other one passes over what is not its own."""
    return delivery.outlet == "phone-pocket" and delivery.delivered > 0


def test_alarm_state_and_timers_survive(tmp_path: Path) -> None:
    """An on-delay of 9 s begun before the kill runs out after it, and an alarm raised before is not raised again."""
    with HttpReceiver() as phone:
        extra = f'[phone.pocket]\nurl = "json://{HOST}:{phone.port}/push"\n'
        with Shed(tmp_path, extra, interval_s=0.1, off_after_min=0.15) as shed:
            shed.plug_in()
            shed.start()
            shed.wait_for_scans(3)
            shed.set_liquor("10.00 -700.0 30.00")
            with shed.reader() as reader:
                wait_until(
                    lambda: (s := reader.last_scan("tub")) is not None and "off-ph-low" in s.shortfalls, "off", 10
                )
                began = reader.last_scan("tub")
                assert began is not None
                pause(4.0)
                assert not reader.pushes(0, 2**62)
                shed.kill()
            shed.start()
            wait_until(lambda: phone.heard, "the push after the delay", 20)
            with shed.reader() as reader:
                (push,) = reader.pushes(0, 2**62)
                delay_s = (push.slot_ms - began.slot_ms) / 1000
                assert 8 <= delay_s <= 11, f"the delay ran {delay_s} s: it should go on through the restart"
                # Killed between the phone's answer and the note of it, a push is sent again: at least once, by design.
                wait_until(lambda: any(map(noted, reader.deliveries())), "the note of the delivery", 20)
            shed.kill()
            shed.start()
            before = shed.scans()
            wait_until(lambda: shed.scans() > before + 3, "scans in the third life", 20)
            assert len(phone.heard) == 1


def test_what_is_held_for_quiet_hours_survives_a_kill(tmp_path: Path) -> None:
    """kill −9 while a push waits for its quiet hours to end; the next life, without them, tells it once."""
    now = datetime.now(UTC)
    begin, end = (f"{now + timedelta(hours=h):%H:%M}:00" for h in (-2, 3))
    with HttpReceiver() as phone:
        extra = f'[phone.pocket]\nurl = "json://{HOST}:{phone.port}/push"\n'
        with Shed(tmp_path, extra + f"quiet_from = {begin}\nquiet_until = {end}\n", interval_s=0.1) as shed:
            shed.plug_in()
            shed.start()
            shed.wait_for_scans(3)
            shed.set_liquor("10.00 -700.0 30.00")
            with shed.reader() as reader:
                wait_until(
                    lambda: any(p.alarm == "off-ph-low" for p in reader.pushes(0, 2**62)), "a push that waits", 20
                )
            shed.set_liquor("10.00 -700.0 62.00")
            wait_until(lambda: refs(phone), "the danger is told in quiet hours", 20)
            pause(2.5)  # several rounds of its outlet
            shed.kill()
            assert [ref for ref in refs(phone) if "off-ph-low" in ref] == []
            shed.config.write_text(shed.config.read_text().replace("quiet_", "#quiet_"))
            shed.start()
            wait_until(lambda: any("off-ph-low" in ref for ref in refs(phone)), "the held push", 20)
            assert shed.stop() == 0
            assert len([ref for ref in refs(phone) if "-off-ph-low-1-occurs-" in ref]) == 1
            assert len([ref for ref in refs(phone) if "-overheat-1-occurs-" in ref]) == 1
