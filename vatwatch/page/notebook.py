"""The journal as the page keeps it in mind: read once, then only what is new. Knows pieces, feeds and undone entries.

The journal only ever grows, so what was read stays true. Safe from several threads.
"""

from __future__ import annotations

import threading

from vatwatch.dyeing.pieces import Piece, piece_key, pieces_of, tells_of_piece
from vatwatch.records import JournalEntry
from vatwatch.store.reading import StoreReader
from vatwatch.terms import EntryKind, Stream

READ_AT_ONCE = 2000
FEEDS_REMEMBERED = 4


class Notebook:
    """Every journal entry of the store. Call `read` before asking, so that the newest entries are in."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._begin()

    def _begin(self) -> None:
        self._position = 0
        self._entries: dict[str, JournalEntry] = {}
        self._stories: list[JournalEntry] = []
        self._pieces: list[Piece] | None = None
        self._void: set[str] = set()

    def read(self, reader: StoreReader) -> int:
        """Take in what is new; gives the journal's newest number."""
        with self._lock:
            if reader.newest(Stream.JOURNAL) < self._position:
                self._begin()  # another store was put in its place
            while rows := reader.rows_after(Stream.JOURNAL, self._position, READ_AT_ONCE):
                for row in rows:
                    entry = row.record
                    if not isinstance(entry, JournalEntry):
                        continue
                    self._entries[entry.entry_id] = entry
                    if entry.kind is EntryKind.UNDO:
                        self._void.add(entry.what)
                    if tells_of_piece(entry) or entry.kind is EntryKind.UNDO:
                        self._stories.append(entry)
                        self._pieces = None
                self._position = rows[-1].number
            return self._position

    def entry(self, entry_id: str) -> JournalEntry | None:
        """The entry of this id."""
        with self._lock:
            return self._entries.get(entry_id)

    def is_taken_back(self, entry_id: str) -> bool:
        """Whether an entry was undone."""
        with self._lock:
            return entry_id in self._void

    def entries(self, vat: str, from_ms: int, to_ms: int) -> list[JournalEntry]:
        """Entries of a vat that happened in [from_ms, to_ms), newest first."""
        with self._lock:
            found = [entry for entry in self._entries.values() if entry.vat == vat and from_ms <= entry.time_ms < to_ms]
        # What was handed in last stands first, also among entries of one moment.
        return sorted(found, key=lambda entry: (entry.time_ms, entry.logged_ms))[::-1]

    def pieces(self) -> list[Piece]:
        """Every piece, the one with the newest entry first."""
        with self._lock:
            if self._pieces is None:
                self._pieces = pieces_of(self._stories)
            return self._pieces

    def piece(self, name: str) -> Piece | None:
        """The piece of this name, however it is written."""
        key = piece_key(name)
        return next((piece for piece in self.pieces() if piece.key == key), None)

    def last_feeds(self, vat: str) -> list[JournalEntry]:
        """The newest feed of each substance this vat was given, newest first, at most FEEDS_REMEMBERED."""
        with self._lock:
            feeds = [
                entry
                for entry in self._entries.values()
                if entry.vat == vat and entry.kind is EntryKind.FEED and entry.entry_id not in self._void
            ]
        newest: dict[str, JournalEntry] = {}
        for entry in sorted(feeds, key=lambda entry: entry.time_ms, reverse=True):
            if entry.grams is not None:
                newest.setdefault(entry.what.casefold(), entry)
        return list(newest.values())[:FEEDS_REMEMBERED]

    def last_top_up(self, vat: str) -> JournalEntry | None:
        """The vat's newest top-up."""
        with self._lock:
            tops = [e for e in self._entries.values() if e.vat == vat and e.kind is EntryKind.TOP_UP]
        return max(tops, key=lambda entry: entry.time_ms, default=None)
