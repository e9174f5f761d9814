"""Upgrade from an earlier version of this program, and back again, while a meter sends a hundred lines a second.

    python -m pytest -m long -s tests/end_to_end/test_upgrade.py

The earlier version is taken out of this repository's own history: the last one whose record had another layout.
"""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from tests.end_to_end.counting import counts_by_probe, kept_numbers, runs
from tests.end_to_end.replaying import replay_differences
from tests.end_to_end.shed import Shed, pause
from tests.services import wait_until
from vatwatch.store.schema import NEWEST
from vatwatch.store.writing import StoreWriter

ROOT = Path(__file__).parents[2]
EARLIER, EARLIER_LAYOUT = "2df4a691e3b1bfb8c8f0c68844138c11e6a31a05", 2
pytestmark = pytest.mark.long


@pytest.fixture(scope="module")
def earlier(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """The sources of the earlier version, as they were."""
    place = tmp_path_factory.mktemp("earlier")
    packed = subprocess.run(["git", "archive", EARLIER, "vatwatch"], cwd=ROOT, capture_output=True, check=False)
    assert packed.returncode == 0, f"this test needs the whole history of the repository: {packed.stderr.decode()}"
    subprocess.run(["tar", "-x", "-C", str(place)], input=packed.stdout, check=True)
    yield place
    shutil.rmtree(place)


def layout_of(path: Path) -> int:
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as store:
        return int(store.execute("PRAGMA user_version").fetchone()[0])


def brought_up(path: Path, scratch: Path) -> Path:
    """A copy of a record in the present layout, to be read here; the record itself stays as it is."""
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as store, closing(sqlite3.connect(scratch)) as copy:
        store.backup(copy)
    StoreWriter.open(scratch).close()
    assert layout_of(scratch) == NEWEST
    return scratch


def watched_for(shed: Shed, seconds: float) -> None:
    shed.start()
    assert shed.daemon is not None
    wait_until(lambda: shed.store_path.exists() or shed.daemon.poll() is not None, "the record")  # type: ignore[union-attr]
    pause(seconds)
    assert shed.daemon.poll() is None, shed.said()


def test_up_and_down_again(tmp_path: Path, earlier: Path) -> None:
    copy = tmp_path / "before.db"
    with Shed(tmp_path, interval_s=0.01) as shed:
        shed.plug_in("count")
        shed.tree = earlier
        watched_for(shed, 6.0)
        made = shed.run("backup", str(copy))
        assert made.returncode == 0, made.stderr
        pause(2.0)
        assert shed.stop() == 0, shed.said()
        assert layout_of(shed.store_path) == layout_of(copy) == EARLIER_LAYOUT
        old = runs(kept_numbers(brought_up(shed.store_path, tmp_path / "old.db")))
        assert len(old) == 1, f"lines lost by the earlier version: {old}"

        # Up: the record is brought to the new layout at the start, and goes on.
        shed.tree = None
        watched_for(shed, 6.0)
        assert shed.stop() == 0, shed.said()
        assert layout_of(shed.store_path) == NEWEST
        both = runs(kept_numbers(shed.store_path))
        assert both[0] == old[0], "what the earlier version had kept"
        assert len(both) == 2, f"lines lost inside the new version's run: {both}"
        assert len(set(counts_by_probe(shed.store_path).values())) == 1, "of each line all three numbers"
        slots, differences = replay_differences(shed.store_path, "tub")
        print(f"\nup: runs of {[b - a + 1 for a, b in both]} lines at 100/s, 0 lost; {slots} slots judged again")
        print(f"{len(differences)} of them otherwise than they were judged by the earlier version then")

        # Down: the earlier version says it cannot, leaves the record alone, and takes the copy.
        shed.tree = earlier
        shed.start()
        assert shed.daemon is not None
        assert shed.daemon.wait(30) == 1
        assert "made by a newer vatwatch" in shed.said()
        assert runs(kept_numbers(shed.store_path)) == both
        restored = shed.run("restore", str(copy))
        assert restored.returncode == 0, restored.stderr
        watched_for(shed, 4.0)
        assert shed.stop() == 0, shed.said()
        assert layout_of(shed.store_path) == EARLIER_LAYOUT
        back = runs(kept_numbers(brought_up(shed.store_path, tmp_path / "back.db")))
        held = runs(kept_numbers(brought_up(copy, tmp_path / "held.db")))
        assert len(held) == 1
        assert len(back) == 2
        assert back[0] == held[0], "all that the copy held, and a run without a hole behind it"
        aside = [path for path in shed.store_path.parent.glob("vatwatch-before-restore-*") if path.suffix == ".db"]
        assert [runs(kept_numbers(path)) for path in aside] == [both], "what was recorded since is set aside whole"
        print(f"down: {[b - a + 1 for a, b in back]} lines, 0 lost inside; {sum(b - a + 1 for a, b in both)} set aside")
