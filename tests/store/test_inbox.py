"""The spool: whole entries or none, malformed ones set aside with a reason, a repeat without effect."""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.store import batches
from vatwatch.errors import StoreError
from vatwatch.records import AlarmAction, Batch, JournalEntry
from vatwatch.store import inbox
from vatwatch.store.reading import StoreReader
from vatwatch.store.writing import StoreWriter
from vatwatch.terms import ActionVerb, EntryKind

FED = JournalEntry("e-1", 1000, 2000, "vat1", EntryKind.FEED, "lime", 12.5, None, None, "gently", "Ada")
SHELVED = AlarmAction("a-1", 1500, "vat1", "overheat", ActionVerb.SHELVE, until_ms=9000, by="Ada")


def test_what_is_dropped_is_collected_oldest_first_and_cleared(tmp_path: Path) -> None:
    spool = tmp_path / "made" / "on the way"
    later = JournalEntry("e-2", 100, 3000, "vat2", EntryKind.STIR)
    for entry in (later, FED, SHELVED):
        assert inbox.drop(spool, entry).parent == spool
    found = inbox.collect(spool)
    assert [entry for _, entry in found] == [SHELVED, FED, later]
    assert inbox.collect(spool) == found
    inbox.clear(path for path, _ in found)
    inbox.clear(path for path, _ in found)
    assert inbox.collect(spool) == []
    assert list(spool.iterdir()) == []


def test_the_same_entry_twice_is_one_file(tmp_path: Path) -> None:
    assert inbox.drop(tmp_path, FED) == inbox.drop(tmp_path, FED)
    assert len(inbox.collect(tmp_path)) == 1


def test_no_spool_is_an_empty_one(tmp_path: Path) -> None:
    assert inbox.collect(tmp_path / "none") == []


def test_a_file_that_cannot_be_read_waits_and_is_told() -> None:
    """Not below pytest's own directory: that one no other user may enter."""
    spool = Path(tempfile.mkdtemp(prefix="vatwatch-test-"))
    try:
        spool.chmod(0o755)
        path = inbox.drop(spool, FED)
        path.chmod(0)
        mine = os.geteuid()
        if mine == 0:
            os.seteuid(65534)  # root reads everything
        try:
            assert inbox.collect(spool) == []
            (sentence,) = inbox.unreadable(spool)
        finally:
            os.seteuid(mine)
        assert str(path) in sentence
        assert "----------" in sentence
        assert "chmod a+r" in sentence
        assert inbox.left_lying(spool, path.stat().st_mtime + 30) == []
        assert inbox.left_lying(spool, path.stat().st_mtime + 90) == [sentence]
        path.chmod(0o644)
        assert inbox.unreadable(spool) == []
        assert [entry for _, entry in inbox.collect(spool)] == [FED]
    finally:
        shutil.rmtree(spool)


finite = st.floats(allow_nan=False, allow_infinity=False)
entries = st.one_of(
    st.builds(
        JournalEntry,
        entry_id=st.text(min_size=1, max_size=20),
        time_ms=batches.int64,
        logged_ms=batches.int64,
        vat=batches.text,
        kind=st.sampled_from(EntryKind),
        what=batches.text,
        grams=st.none() | finite,
        litres=st.none() | finite,
        minutes=st.none() | finite,
        text=batches.text,
        by=batches.text,
    ),
    batches.alarm_actions,
)


@given(entry=entries)
@settings(max_examples=80, deadline=None)
def test_every_entry_comes_back_bit_for_bit(entry: JournalEntry | AlarmAction) -> None:
    with tempfile.TemporaryDirectory() as directory:
        path = inbox.drop(Path(directory), entry)
        assert repr(inbox.collect(Path(directory))) == repr([(path, entry)])


@pytest.mark.parametrize(
    "entry",
    [
        JournalEntry("", 1, 1, "v", EntryKind.NOTE),
        JournalEntry("e", 2**63, 1, "v", EntryKind.NOTE),
        JournalEntry("e", 1, 1, "v", EntryKind.FEED, grams=float("nan")),
        JournalEntry("e", 1, 1, "v", EntryKind.NOTE, text="half \ud800"),
        JournalEntry("e", 1, 1, "v", EntryKind.NOTE, text="x" * 70_000),
    ],
)
def test_an_entry_that_could_not_be_read_back_is_refused_at_once(tmp_path: Path, entry: JournalEntry) -> None:
    with pytest.raises(StoreError, match="cannot be handed in"):
        inbox.drop(tmp_path, entry)
    assert list(tmp_path.iterdir()) == []


def good() -> dict[str, Any]:
    with tempfile.TemporaryDirectory() as directory:
        loaded: dict[str, Any] = json.loads(inbox.drop(Path(directory), FED).read_text(encoding="utf-8"))
        return loaded


MALFORMED: dict[str, bytes] = {
    "empty": b"",
    "cut short": json.dumps(good()).encode()[:-9],
    "not UTF-8": b'{"form": "\xff"}',
    "a list": b"[]",
    "deep": b"[" * 50_000,
    "NaN": json.dumps({**good(), "grams": float("nan")}).encode(),
    "overflowing": json.dumps(good()).replace("12.5", "1e999").encode(),
    "another form": json.dumps({**good(), "form": "vatwatch-entry-2"}).encode(),
    "another record": json.dumps({**good(), "record": ["journal"]}).encode(),
    "a field too many": json.dumps({**good(), "colour": "blue"}).encode(),
    "a field missing": json.dumps({k: v for k, v in good().items() if k != "vat"}).encode(),
    "text for grams": json.dumps({**good(), "grams": "12"}).encode(),
    "truth for a time": json.dumps({**good(), "time_ms": True}).encode(),
    "a time too large": json.dumps({**good(), "time_ms": 2**63}).encode(),
    "an unknown kind": json.dumps({**good(), "kind": "wish"}).encode(),
    "no id": json.dumps({**good(), "entry_id": ""}).encode(),
    "half a character": json.dumps({**good(), "text": "\ud800"}).encode(),
    "too long": json.dumps({**good(), "text": "x" * 70_000}).encode(),
}


@pytest.mark.parametrize("name", MALFORMED)
def test_a_malformed_file_is_set_aside_with_its_reason(tmp_path: Path, name: str) -> None:
    inbox.drop(tmp_path, FED)
    for _ in range(2):
        (tmp_path / "bad.json").write_bytes(MALFORMED[name])
        assert [entry for _, entry in inbox.collect(tmp_path)] == [FED]
        assert not (tmp_path / "bad.json").exists()
    kept = sorted((tmp_path / "rejected").glob("*.json"))
    assert [path.read_bytes() for path in kept] == [MALFORMED[name]] * 2
    for path in kept:
        reason = path.with_name(path.name + ".reason").read_text(encoding="utf-8")
        assert reason.startswith("Not taken into the journal because ")


def test_links_pipes_and_directories_are_set_aside_unread(tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_bytes(json.dumps(good()).encode())
    spool = tmp_path / "spool"
    spool.mkdir()
    (spool / "link.json").symlink_to(secret)
    os.mkfifo(spool / "pipe.json")
    (spool / "directory.json").mkdir()
    (spool / ".aside.json.part").write_bytes(b"{")
    (spool / ".hidden.json").write_bytes(b"{")
    assert inbox.collect(spool) == []
    assert {path.name for path in spool.iterdir()} == {".aside.json.part", ".hidden.json", "rejected"}
    assert len(list((spool / "rejected").glob("*.reason"))) == 3
    assert secret.exists()


@given(content=st.binary(max_size=200) | st.text(max_size=200).map(lambda text: text.encode()))
@settings(max_examples=80, deadline=None)
def test_collect_never_raises(content: bytes) -> None:
    with tempfile.TemporaryDirectory() as directory:
        (Path(directory) / "some.json").write_bytes(content)
        assert inbox.collect(Path(directory)) == []


def test_a_crash_between_commit_and_clearing_changes_nothing(tmp_path: Path) -> None:
    spool, path = tmp_path / "spool", tmp_path / "store.db"
    inbox.drop(spool, FED)
    inbox.drop(spool, SHELVED)
    with StoreWriter.open(path) as writer:
        writer.record_settings(0, "{}", [])
        for slot_ms in (10_000, 20_000):
            found = [entry for _, entry in inbox.collect(spool)]
            assert [writer.has(entry) for entry in found] == [slot_ms == 20_000] * 2
            journal = tuple(entry for entry in found if isinstance(entry, JournalEntry))
            actions = tuple(entry for entry in found if isinstance(entry, AlarmAction))
            writer.append(Batch(slot_ms, 1, journal=journal, actions=actions))
    with StoreReader(path) as reader:
        assert reader.journal(None, 0, batches.FOR_EVER_MS) == [FED]
