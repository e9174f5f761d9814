"""What screens and the JSON interface share: read the store into views, hand entries in, and answer kindly.

Every reading opens the store anew through `open_reader`, so no connection crosses a thread. Nothing here renders.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Literal
from zoneinfo import ZoneInfo

from vatwatch.dyeing.pieces import MINUTE_MS, Piece, detail
from vatwatch.dyeing.steps import Detail, Part, Step
from vatwatch.errors import Refused, StoreFull, VatwatchError
from vatwatch.page import wording
from vatwatch.page.drawing import ReductionBar, reduction_bar
from vatwatch.page.forms import same_substance
from vatwatch.page.hand import (
    LOOSE,
    UNTOLD,
    DipView,
    PieceView,
    ProbeView,
    dip_view,
    dip_warning,
    in_hand,
    piece_view,
    probe_view,
)
from vatwatch.page.measures import QUANTITY_WORDS
from vatwatch.page.notebook import Notebook
from vatwatch.page.standing import OF_SHED, Outlets, Standing, standing_of, troubles
from vatwatch.page.wording import Freshness, Reading
from vatwatch.records import AlarmAction, JournalEntry, Scan, VatCard
from vatwatch.store.reading import CurvePoint, StoreReader
from vatwatch.terms import EntryKind, Quantity, Signal, VatCondition

DAY_MS = 86_400_000
CurveName = Literal["ph", "orp_mv", "temperature_c", "ph_25c", "reduction_share", "reduction_margin_mv"]
NOW_MS = 120_000
"""A dip logged as older than this cannot be warned of any more."""


@dataclass(frozen=True, slots=True)
class VatView:
    """One vat as a screen shows it now. Numbers that may not be shown are already gone from it."""

    card: VatCard
    scan: Scan | None
    fresh: Freshness
    condition: VatCondition
    condition_words: str
    sentence: str
    in_sight: str
    age: str
    readings: list[Reading]
    bar: ReductionBar | None
    reduction_words: str
    standing: Standing

    @property
    def look(self) -> str:
        """The condition as a CSS class; silence has its own look, apart from a probe that is not believed."""
        if self.fresh is not Freshness.FRESH:
            return "silent"
        return self.condition.value.replace(" ", "-")


@dataclass(frozen=True, slots=True)
class Logged:
    """One journal entry as a line of a list."""

    time: str
    entry: JournalEntry
    words: str
    taken_back: bool


class NotTaken(VatwatchError):
    """An entry was not logged. The text says why and what to do; `status` is the HTTP status that fits."""

    def __init__(self, message: str, status: int) -> None:
        super().__init__(message)
        self.status = status


class Warned(NotTaken):
    """A dip was not logged because the vat is not dyeable; it may be logged all the same when the dyer says so."""


@dataclass(frozen=True, slots=True)
class Desk:
    """The page's one way to the store and to the daemon."""

    open_reader: Callable[[], StoreReader]
    submit: Callable[[JournalEntry | AlarmAction], None]
    clock_ms: Callable[[], int]
    zone: ZoneInfo
    stale_after_ms: int
    notebook: Notebook = field(default_factory=Notebook)
    outlets: Outlets | None = None

    def views(self, reader: StoreReader) -> list[VatView]:
        """Every vat, in the order of the settings file."""
        now_ms = self.clock_ms()
        return [self._view(reader, card, now_ms) for card in reader.cards()]

    def view(self, reader: StoreReader, vat: str) -> VatView | None:
        """One vat, or None when there is no such vat."""
        now_ms = self.clock_ms()
        for card in reader.cards():
            if card.vat == vat:
                return self._view(reader, card, now_ms)
        return None

    def _view(self, reader: StoreReader, card: VatCard, now_ms: int) -> VatView:
        scan, outlook = reader.last_scan(card.vat), reader.outlook(card.vat)
        fresh = wording.freshness(scan, now_ms, self.stale_after_ms)
        condition = wording.condition_now(scan, fresh)
        reduction = scan.reduction if scan is not None and fresh is Freshness.FRESH else None
        return VatView(
            card=card,
            scan=scan,
            fresh=fresh,
            condition=condition,
            condition_words=wording.CONDITION_WORDS[condition],
            sentence=wording.vat_sentence(card, scan, fresh, now_ms, self.zone, outlook),
            in_sight=wording.outlook_words(outlook, scan, fresh, now_ms, self.zone),
            age=wording.age_words(scan, fresh, now_ms),
            readings=wording.readings(card, scan, fresh, now_ms, self.zone),
            bar=None if reduction is None else reduction_bar(reduction, card.reduction_low),
            reduction_words="How far it is reduced is not known now."
            if reduction is None
            else wording.reduction_words(reduction, card.reduction_low),
            standing=standing_of(card.vat, reader, now_ms, self.zone),
        )

    def of_shed(self, reader: StoreReader) -> Standing:
        """What is wrong with the shed as a whole."""
        return standing_of(OF_SHED, reader, self.clock_ms(), self.zone)

    def journal(self, reader: StoreReader, vat: str, from_ms: int | None = None) -> list[Logged]:
        """Entries since `from_ms` (the last day's if left out), newest first; an undo shows on what it took back."""
        now_ms = self.clock_ms()
        self.notebook.read(reader)
        return [
            Logged(
                wording.clock_words(entry.time_ms, now_ms, self.zone),
                entry,
                wording.entry_words(entry),
                self.notebook.is_taken_back(entry.entry_id),
            )
            for entry in self.notebook.entries(vat, now_ms - DAY_MS if from_ms is None else from_ms, now_ms + 60_000)
            if entry.kind is not EntryKind.UNDO
        ]

    def hand(self, reader: StoreReader, vat: str) -> list[PieceView]:
        """Pieces being worked on, as this vat's screen shows them."""
        now_ms = self.clock_ms()
        self.notebook.read(reader)
        names = {card.vat: card.name for card in reader.cards()}
        pieces = in_hand(self.notebook.pieces(), now_ms)
        return [piece_view(piece, vat, names, now_ms, self.zone) for piece in pieces]

    def warning(self, reader: StoreReader, vat: str) -> str:
        """Why no piece should go into this vat now; empty when it may."""
        now_ms = self.clock_ms()
        card = next((card for card in reader.cards() if card.vat == vat), None)
        if card is None:
            return ""
        self.notebook.read(reader)
        lately = self._lately(vat, now_ms)
        scan = reader.last_scan(vat)
        fresh = wording.freshness(scan, now_ms, self.stale_after_ms)
        return dip_warning(card, scan, fresh, lately, now_ms, self.zone)

    def probes(self, reader: StoreReader, vat: str) -> list[ProbeView]:
        """The vat's probes as the newest settings name them, and which are out of the liquor on purpose."""
        newest = reader.newest_settings()
        tables = json.loads(newest[1]).get("probe", {}) if newest is not None else {}
        now_ms = self.clock_ms()
        notices = self._lately(vat, now_ms)
        return [
            probe_view(name, QUANTITY_WORDS[Signal(table["signal"]).quantity], notices, now_ms, self.zone)
            for name, table in tables.items()
            if table.get("vat") == vat
        ]

    def _lately(self, vat: str, now_ms: int) -> list[JournalEntry]:
        return [
            entry
            for entry in self.notebook.entries(vat, now_ms - DAY_MS, now_ms + 60_000)
            if not self.notebook.is_taken_back(entry.entry_id)
        ]

    def dips(self, reader: StoreReader, piece: Piece) -> list[DipView]:
        """A piece's dips with what the vat was like during each, from the record."""
        now_ms = self.clock_ms()
        names = {card.vat: card.name for card in reader.cards()}
        found = []
        for dip in piece.dips:
            before = None
            for scan in reader.scans(dip.vat, dip.start_ms - self.stale_after_ms, dip.start_ms + 1):
                before = scan
            end_ms = max(dip.start_ms + MINUTE_MS, now_ms if dip.end_ms is None else dip.end_ms)
            quantities: tuple[CurveName, ...] = ("reduction_share", "ph", "ph_25c", "temperature_c")
            means: dict[str, float | None] = {}
            for quantity in quantities:
                points = self.curve(reader, dip.vat, quantity, dip.start_ms, end_ms, 1)
                means[str(quantity)] = points[0].mean if points else None
            found.append(dip_view(dip, names, before, means, now_ms, self.zone))
        return found

    @staticmethod
    def curve(
        reader: StoreReader, vat: str, quantity: CurveName, from_ms: int, to_ms: int, buckets: int
    ) -> list[CurvePoint]:
        """Buckets of one quantity in [from_ms, to_ms), by the name it has on the wire."""
        if quantity == "reduction_share" or quantity == "reduction_margin_mv" or quantity == "ph_25c":
            return reader.curve(vat, quantity, from_ms, to_ms, buckets)
        return reader.curve(vat, Quantity(quantity), from_ms, to_ms, buckets)

    def troubles(self, reader: StoreReader) -> list[str]:
        """Messages that are not getting through, and those that wait on purpose, in sentences."""
        return troubles(reader, self.outlets, self.clock_ms(), self.zone)

    def completed(self, entry: JournalEntry) -> JournalEntry:
        """A dip's end gets its vat, its piece and its minutes from its beginning; all else is as it came.

        Raises NotTaken when that beginning is not in the journal or was taken back.
        """
        if entry.kind is not EntryKind.DIP or detail(entry, Detail.PART) != Part.OUT:
            return entry
        with self.open_reader() as reader:
            self.notebook.read(reader)
        began = self.notebook.entry(detail(entry, Detail.OF))
        if began is None or detail(began, Detail.PART) != Part.IN or self.notebook.is_taken_back(began.entry_id):
            raise NotTaken(
                "The beginning of this dip is not in the journal, or was taken back. Nothing was logged.", 409
            )
        minutes = round(max(0, entry.time_ms - began.time_ms) / MINUTE_MS, 1) or None
        time_ms = max(entry.time_ms, began.time_ms)
        return replace(entry, vat=began.vat, what=began.what, minutes=minutes, time_ms=time_ms)

    def log(self, entry: JournalEntry, anyway: bool = False) -> JournalEntry:
        """Hand an entry in and make sure that it, and not another one of the same number, is what was kept.

        A dip into a vat that is not dyeable is logged only when `anyway` says so, and then with what the vat was.
        Raises NotTaken or Warned when it was not logged, with nothing half-written.
        """
        entry = self._of_its_vat(entry) if entry.kind is EntryKind.UNDO else self.completed(entry)
        if entry.kind is EntryKind.DIP and detail(entry, Detail.PART) == Part.IN:
            entry = self._fit_to_dip(entry, anyway)
        if entry.kind in (EntryKind.PROBE_OUT, EntryKind.PROBE_BACK):
            self._probe_is_there(entry)
        if entry.kind is EntryKind.FINISH and detail(entry, Detail.STEP) == Step.BOIL:
            self._may_be_boiled(entry)
        self.hand_in(entry)
        with self.open_reader() as reader:
            self.notebook.read(reader)
        kept = self.notebook.entry(entry.entry_id)
        if kept is not None and not same_substance(kept, entry):
            raise NotTaken(
                f"This form was already logged as “{wording.entry_words(kept)}”. "
                "If this is something further, press the button once more.",
                409,
            )
        return entry

    def _of_its_vat(self, undo: JournalEntry) -> JournalEntry:
        """An undo belongs to the vat of the entry it takes back: that vat's judgement has to hear of it."""
        with self.open_reader() as reader:
            self.notebook.read(reader)
        undone = self.notebook.entry(undo.what)
        if undone is None or undone.kind is EntryKind.UNDO:
            raise NotTaken("Nothing was taken back: that entry is not in the journal.", 409)
        if self.notebook.is_taken_back(undo.what) and self.notebook.entry(undo.entry_id) is None:
            raise NotTaken(f"“{wording.entry_words(undone)}” was taken back before.", 409)
        return replace(undo, vat=undone.vat)

    def _probe_is_there(self, entry: JournalEntry) -> None:
        with self.open_reader() as reader:
            names = [probe.probe for probe in self.probes(reader, entry.vat)]
        if entry.what not in names:
            known = ", ".join(names) or "none is set up"
            raise NotTaken(f"Not logged: this vat has no probe “{entry.what}”; its probes: {known}.", 422)

    def _may_be_boiled(self, entry: JournalEntry) -> None:
        with self.open_reader() as reader:
            self.notebook.read(reader)
        piece = self.notebook.piece(entry.what)
        if piece is not None and piece.fibre == "protein":
            raise NotTaken(f"Not logged: “{piece.name}” is wool or silk, which is not boiled.", 422)

    def _fit_to_dip(self, entry: JournalEntry, anyway: bool) -> JournalEntry:
        with self.open_reader() as reader:
            self.notebook.read(reader)
            if self.notebook.entry(entry.entry_id) is not None:
                return entry  # a repetition; whether it is the same is looked at later
            piece = self.notebook.piece(entry.what)
            if piece is not None and piece.running is not None:
                raise NotTaken(f"“{piece.name}” is in a vat already: take it out first.", 409)
            warning = self.warning(reader, entry.vat) if self.clock_ms() - entry.time_ms <= NOW_MS else ""
        if warning and not anyway:
            raise Warned(warning, 409)
        if warning:
            entry = replace(
                entry,
                details=(
                    *entry.details,
                    (Detail.DESPITE.value, warning.removesuffix(LOOSE).removesuffix(UNTOLD).strip()[:300]),
                ),
            )
        return entry

    def hand_in(self, record: JournalEntry | AlarmAction) -> None:
        """Submit and wait until committed. Raises NotTaken with a sentence when it was not."""
        try:
            self.submit(record)
        except Refused as error:
            raise NotTaken(f"Not done: {error}.", 422) from error
        except StoreFull as error:
            raise NotTaken(
                "Not logged: the disk is full. Nothing that was logged before is lost. "
                "Make room, then press the button again; what you wrote is still here.",
                507,
            ) from error
        except VatwatchError as error:
            raise NotTaken(
                f"Not logged: {error} What you wrote is still here; press the button again in a moment.", 503
            ) from error
