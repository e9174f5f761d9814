"""The card is pulled: any part of what was not synced is lost, in any order, and still nothing acknowledged is.

The writes are those of the real program on a real file, traced; what the card holds afterwards is made from them (see
card_trace.py). A thousand pulls per deed, about ten minutes:

    python -m pytest -m long -s tests/store/test_pulled_card.py
"""

from __future__ import annotations

import random
import shutil
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.store.batches import FOR_EVER_MS, SLOT_MS, batch_of
from tests.store.card_trace import Call, Card, traced
from tests.store.first_layout import write_first_layout
from tests.store.test_converting import assert_whole, season
from tests.store.test_killed import ROOT, assert_nothing_lost
from vatwatch.errors import StoreError
from vatwatch.records import Batch
from vatwatch.store import inspection
from vatwatch.store.reading import StoreReader
from vatwatch.store.salvage import open_or_salvage
from vatwatch.store.writing import StoreWriter

SHARES = (0.0, 0.5, 0.9, 1.0)
"""How much of the unsynced part is there: nothing, half of the sectors, most, all."""


@dataclass
class Run:
    """A deed's trace and the files it began with."""

    deed: str
    store: Path
    calls: list[Call]
    before: dict[str, bytes]
    made: list[Batch]

    def pull(self, cut: int, share: float, chance: random.Random, honest: bool = True) -> list[str]:
        """Lays out what the card holds after `cut` calls, in the place of the files; what was said until then."""
        card = Card(self.before, honest)
        said = []
        for call in self.calls[:cut]:
            if call.name == "say":
                said.append(call.data.decode().strip())
            else:
                card.take(call)
        directory = self.store.parent
        shutil.rmtree(directory)
        directory.mkdir()
        for path, content in card.pulled(chance, share).items():
            if not path.endswith(("-shm", ".lock")):
                Path(path).write_bytes(content)
        return said


def trace_of(deed: str, directory: Path) -> Run:
    place = directory / "card"
    place.mkdir(parents=True)
    store = place / "store.db"
    made = season(60)
    if deed == "migrate":
        write_first_layout(store, made)
    if deed == "back up":
        with StoreWriter.open(store) as writer:
            writer.record_settings(0, "{}", [])
            for slot in range(1, 31):
                writer.append(batch_of(slot * SLOT_MS))
    before = {str(path): path.read_bytes() for path in place.iterdir()}
    calls = traced(["tests.store.traced_deeds", deed, str(store)], place, ROOT)
    syncs = sum(call.name == "sync" for call in calls)
    assert syncs > (3 if deed in ("migrate", "back up") else 200), f"{syncs} syncs: this is no trace of {deed}"
    return Run(deed, store, calls, before, made)


def assert_kept(run: Run, said: list[str]) -> None:
    """All that was acknowledged is there, and what is there is whole."""
    if run.deed in ("ingest", "seal"):
        assert_nothing_lost(run.store, [int(line.split()[1]) for line in said], 0)
    elif run.deed == "migrate":
        StoreWriter.open(run.store).close()
        assert_whole(run.store, run.made)
    else:
        names = {line.split()[1] for line in said}
        for copy in run.store.parent.glob("copy-*.db"):
            names.discard(copy.name)
            with closing(sqlite3.connect(copy)) as connection:
                assert inspection.whole(connection) == "", copy
            with StoreReader(copy) as reader:
                kept = [slot.scan for slot in reader.replay_slots("vat2", 0, FOR_EVER_MS)]
            assert kept == [batch_of(slot * SLOT_MS).steps[1].scan for slot in range(1, 31)]
        assert not names, "an announced backup is not there"


def pull_again_and_again(run: Run, times: int, seed: int) -> int:
    """Pulls at random calls; returns how often something unsynced was at stake."""
    chance = random.Random(seed)
    at_stake = 0
    for number in range(times):
        cut = chance.randrange(len(run.calls) + 1)
        said = run.pull(cut, SHARES[number % len(SHARES)], chance)
        at_stake += cut > 0 and run.calls[cut - 1].name not in ("sync", "say")
        try:
            assert_kept(run, said)
        except (AssertionError, StoreError, sqlite3.Error) as error:
            raise AssertionError(f"{run.deed}, pulled after call {cut} of {len(run.calls)}: {error}") from error
    return at_stake


@pytest.mark.parametrize(("deed", "times"), [("ingest", 12), ("seal", 16), ("migrate", 8), ("back up", 8)])
def test_pulled_now_and_then(tmp_path: Path, deed: str, times: int) -> None:
    assert pull_again_and_again(trace_of(deed, tmp_path), times, seed=5) > times // 4


def test_a_card_that_lies_about_its_syncs_is_found_out(tmp_path: Path) -> None:
    """The same trace without its syncs must lose something: else this file could not see a loss. What is left opens."""
    run = trace_of("ingest", tmp_path)
    chance = random.Random(6)
    lost = 0
    for _ in range(4):
        said = run.pull(len(run.calls), 0.9, chance, honest=False)
        writer, _salvaged = open_or_salvage(run.store)
        writer.close()
        with StoreReader(run.store) as reader:
            kept = {slot.slot_ms: slot.scan for slot in reader.replay_slots("vat1", 0, FOR_EVER_MS)}
        assert all(scan == batch_of(slot_ms).steps[0].scan for slot_ms, scan in kept.items()), "what is kept is true"
        lost += len(kept) < len(said)
    assert lost > 0


@pytest.mark.long
@pytest.mark.parametrize("deed", ["ingest", "seal", "migrate", "back up"])
def test_pulled_a_thousand_times(tmp_path: Path, deed: str, capsys: pytest.CaptureFixture[str]) -> None:
    run = trace_of(deed, tmp_path)
    at_stake = pull_again_and_again(run, 1000, seed=7)
    with capsys.disabled():
        print(f"\n{deed}: 1000 pulls over {len(run.calls)} calls, {at_stake} with writes under way: nothing lost")
