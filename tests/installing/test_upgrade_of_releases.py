"""Upgrade and rollback between two versions installed from wheels, under load: no line that was heard is lost.

The older one is the last state of the main line before the record's newest layout, taken from git and built here; the
newer one is the present state. Both are installed side by side, as systemd/README.md says, and used by its steps: copy
the record while the old one watches, stop, start the new one; to go back, put the copy back and start the old one.
Needs the repository with its history (a clone, not shallow), about a minute:

    python -m pytest -m long -s tests/installing/test_upgrade_of_releases.py
"""

from __future__ import annotations

import io
import os
import subprocess
import sys
import sysconfig
import tarfile
import time
from itertools import pairwise
from pathlib import Path

import pytest

from tests.end_to_end.counting import FOR_EVER, kept_numbers, runs
from tests.end_to_end.shed import Shed, pause
from tests.services import wait_until
from vatwatch.store.reading import StoreReader
from vatwatch.store.schema import NEWEST

ROOT = Path(__file__).parents[2]


def done(*command: str | Path, cwd: Path = ROOT) -> bytes:
    ended = subprocess.run([str(word) for word in command], cwd=cwd, capture_output=True, timeout=300, check=False)
    assert ended.returncode == 0, f"{command}\n{ended.stderr.decode(errors='replace')[-3000:]}"
    return ended.stdout


def commit_before_layout(number: int) -> str:
    """The last state of the main line that did not know this layout of the record yet."""
    file = f"vatwatch/store/layout_{number}.py"
    for commit in done("git", "rev-list", "--first-parent", "HEAD").decode().split():
        if not done("git", "ls-tree", "--name-only", commit, file).strip():
            return commit
    raise AssertionError(f"every commit here has {file}; use a clone with its whole history")


def installed(source: Path, into: Path) -> Path:
    """Build the wheel of `source`, install it into an environment of its own; libraries are lent by that of the tests."""
    wheels = into / "dist"
    done(sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", wheels, cwd=source)
    (wheel,) = wheels.iterdir()
    done(sys.executable, "-m", "venv", "--without-pip", into / "env", cwd=into)
    python = into / "env" / "bin" / "python"
    done(sys.executable, "-m", "pip", "--python", python, "install", "--no-deps", "--no-index", wheel, cwd=into)
    lent = done(python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))", cwd=into).decode().strip()
    (Path(lent) / "lent.pth").write_text(sysconfig.get_path("purelib") + "\n", encoding="utf-8")
    where = done(python, "-c", "import vatwatch; print(vatwatch.__file__)", cwd=into).decode().strip()
    assert Path(where).is_relative_to(into), f"{where} is not the installed one"
    return python


def scans_by(python: Path, store: Path) -> int:
    """How many scans the version that owns the record reads in it."""
    asked = (
        "import sys; from pathlib import Path; from vatwatch.store.reading import StoreReader\n"
        "with StoreReader(Path(sys.argv[1])) as r: print(sum(1 for _ in r.scans('tub', 0, 2**62)))"
    )
    ended = subprocess.run(
        [str(python), "-c", asked, str(store)], cwd=store.parents[1], capture_output=True, timeout=60, check=False
    )
    return int(ended.stdout) if ended.returncode == 0 else 0  # not begun yet, or of another layout


class Turns:
    """The two versions, taking turns at one shed; notes when each was asked to stop."""

    def __init__(self, shed: Shed) -> None:
        self.shed = shed
        self.asked_ms: list[float] = []

    def use(self, python: Path) -> None:
        self.python = python
        self.shed.program = [str(python.with_name("vatwatch"))]

    def start(self) -> None:
        self.shed.start()

        def read() -> int:
            assert self.shed.daemon is not None
            assert self.shed.daemon.poll() is None, self.shed.said()[-3000:]
            return scans_by(self.python, self.shed.store_path) if self.shed.store_path.exists() else 0

        wait_until(lambda: read() > 0, "the record in this version's layout", 60)
        before = read()
        wait_until(lambda: read() >= before + 4, "the vat watched by this version", 60)

    def stop(self) -> None:
        pause(0.4)  # so that the stop falls somewhere inside a scan
        self.asked_ms.append(time.time() * 1000)
        assert self.shed.stop() == 0, self.shed.said()[-3000:]


def span_of_runs(store: Path) -> list[tuple[int, int]]:
    """First and last time of each unbroken run of lines."""
    with StoreReader(store) as reader:
        kept = sorted(s.time_ms for s in reader.samples("tub", 0, FOR_EVER) if s.probe == "tub-t")
    spans = [(kept[0], kept[0])]
    for before, now in pairwise(kept):
        # 100 lines a second: a second without one is a change of turn
        spans = [*spans, (now, now)] if now - before > 1000 else [*spans[:-1], (spans[-1][0], now)]
    return spans


@pytest.mark.long
def test_upgrade_and_rollback_between_two_installed_versions_lose_no_line(tmp_path: Path) -> None:
    commit = commit_before_layout(NEWEST)
    for name in ("old", "old-source", "new", "shed"):
        (tmp_path / name).mkdir()
    with tarfile.open(fileobj=io.BytesIO(done("git", "archive", commit))) as archive:
        archive.extractall(tmp_path / "old-source", filter="data")
    old = installed(tmp_path / "old-source", tmp_path / "old")
    new = installed(ROOT, tmp_path / "new")
    copy = tmp_path / "before-upgrade.db"
    assert "PYTHONPATH" not in os.environ, "the installed versions must not be shadowed"

    with Shed(tmp_path / "shed", interval_s=0.01) as shed:
        turns = Turns(shed)
        shed.plug_in("count")

        turns.use(old)
        turns.start()
        made = shed.run("backup", str(copy))  # while it watches
        assert made.returncode == 0, made.stderr
        turns.stop()

        turns.use(new)
        turns.start()
        turns.stop()
        upgraded = runs(kept_numbers(shed.store_path))
        assert len(upgraded) == 2, f"lines lost inside a run: {upgraded}"

        turns.use(old)
        shed.start()
        assert shed.daemon is not None
        assert shed.daemon.wait(60) == 1, "the old version leaves the new one's record alone"
        assert "made by a newer vatwatch" in shed.said()
        restored = shed.run("restore", str(copy))
        assert restored.returncode == 0, restored.stderr
        turns.start()
        turns.stop()

        # Once more up: the present version reads what the old one wrote after the rollback.
        turns.use(new)
        turns.start()
        turns.stop()
        back = runs(kept_numbers(shed.store_path))
        assert len(back) == 3, f"lines lost inside a run: {back}"
        (aside,) = shed.store_path.parent.glob("vatwatch-before-restore-*.db")
        assert runs(kept_numbers(aside)) == upgraded, "what the rollback put aside is whole"
        assert back[0][0] == upgraded[0][0], "the copy begins where the record began"
        assert back[0][1] <= upgraded[0][1], "and ends before the stop"
        ends = [last for _, last in span_of_runs(aside)] + [last for _, last in span_of_runs(shed.store_path)[1:]]
        assert len(ends) == len(turns.asked_ms) == 4
        for end, asked in zip(ends, turns.asked_ms, strict=True):
            assert end > asked - 300, "what was heard up to the stop is kept"
        lines = [last - first + 1 for first, last in [*upgraded, *back[1:]]]
        assert min(lines) > 200, lines
        print(f"\n{commit[:7]} (layout {NEWEST - 1}) and now (layout {NEWEST}): runs of {lines} lines at 100/s, 0 lost")
