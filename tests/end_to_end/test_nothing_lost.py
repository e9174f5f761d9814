"""Stop, start, upgrade, rollback while a meter sends a hundred lines a second: what was heard is in the record, all of it.

Between a stop and the next start nobody listens; inside each run no line may be missing, from the first to the last.
"""

from __future__ import annotations

import sqlite3
import time
from pathlib import Path

from tests.end_to_end.counting import FOR_EVER, counts_by_probe, kept_numbers, runs
from tests.end_to_end.replaying import replay_differences
from tests.end_to_end.shed import Shed, pause
from vatwatch.store.schema import NEWEST


def run_for_a_while(shed: Shed, scans: int = 2) -> tuple[int, float]:
    """Start, watch, stop in the middle of a slot; gives the number of lines kept so far and how long the stop took."""
    before = shed.scans()
    shed.start()
    shed.wait_for_scans(before + scans)
    pause(0.4)
    began, asked_ms = time.monotonic(), time.time() * 1000
    assert shed.stop() == 0, shed.said()
    took_s = time.monotonic() - began
    with shed.reader() as reader:
        newest_ms = max(sample.time_ms for sample in reader.samples("tub", 0, FOR_EVER))
    assert newest_ms > asked_ms - 300, "what was heard up to the stop is kept, not only whole slots"
    return len(kept_numbers(shed.store_path)), took_s


def test_every_line_heard_is_kept_over_stops_and_a_backup(tmp_path: Path) -> None:
    copy = tmp_path / "before-upgrade.db"
    with Shed(tmp_path, interval_s=0.01) as shed:
        # The slots are long, so that a stop always falls into one: what it holds so far must be kept too.
        shed.config.write_text(shed.config.read_text(encoding="utf-8").replace("scan_s = 1", "scan_s = 2"), "utf-8")
        shed.plug_in("count")
        stops = []
        for number in range(2):
            kept, took_s = run_for_a_while(shed, 1)
            stops.append(took_s)
            if number == 0:
                made = shed.run("backup", str(copy))
                assert made.returncode == 0, made.stderr
            found = runs(kept_numbers(shed.store_path))
            assert len(found) == number + 1, f"lines lost inside a run: {found}"
            assert sum(last - first + 1 for first, last in found) == kept
        assert len(set(counts_by_probe(shed.store_path).values())) == 1, "of each line all three numbers"
        lengths = [last - first + 1 for first, last in found]
        assert all(length > 30 for length in lengths), lengths
        assert max(stops) < 5.0
        slots, differences = replay_differences(shed.store_path, "tub")
        assert differences == []
        print(
            f"\n2 runs of {lengths} lines at 100/s, 0 lost, {slots} slots; stops took {[round(s, 2) for s in stops]} s"
        )

        # An older version meets the record of a newer one: it says so, touches nothing, and takes the copy.
        newer = sqlite3.connect(shed.store_path)
        newer.execute(f"PRAGMA user_version = {NEWEST + 1}")
        newer.close()
        size = shed.store_path.stat().st_size
        shed.start()
        assert shed.daemon is not None
        assert shed.daemon.wait(30) == 1
        assert f"layout version {NEWEST + 1}, made by a newer vatwatch" in shed.said()
        assert shed.store_path.stat().st_size == size
        restored = shed.run("restore", str(copy))
        assert restored.returncode == 0, restored.stderr
        assert "The record that was there is now " in restored.stdout
        kept, _ = run_for_a_while(shed, 1)
        found = runs(kept_numbers(shed.store_path))
        assert found[0][1] - found[0][0] + 1 == lengths[0], "all that the copy held"
        assert len(found) == 2
        (aside,) = [
            path for path in shed.store_path.parent.iterdir() if path.name.startswith("vatwatch-before-restore-")
        ]
        put_back = sqlite3.connect(aside)
        put_back.execute(f"PRAGMA user_version = {NEWEST}")
        put_back.close()
        assert sum(last - first + 1 for first, last in runs(kept_numbers(aside))) == sum(lengths), "set aside whole"
