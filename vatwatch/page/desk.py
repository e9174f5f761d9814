"""What screens and the JSON interface share: read the store into views, hand entries in, and answer kindly.

Every reading opens the store anew through `open_reader`, so no connection crosses a thread. Nothing here renders.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal
from zoneinfo import ZoneInfo

from vatwatch.errors import StoreFull, VatwatchError
from vatwatch.page import wording
from vatwatch.page.drawing import ReductionBar, reduction_bar
from vatwatch.page.forms import same_substance
from vatwatch.page.wording import Freshness, Reading
from vatwatch.records import (
    AlarmAction,
    AlarmEvent,
    AlarmState,
    JournalEntry,
    Quantity,
    Scan,
    Stream,
    VatCard,
    VatCondition,
)
from vatwatch.store.reading import CurvePoint, StoreReader

DAY_MS = 86_400_000
CurveName = Literal["ph", "orp_mv", "temperature_c", "ph_25c", "reduction_share", "reduction_margin_mv"]
_ANSWERABLE = (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED, AlarmState.LATCHED_UNACKNOWLEDGED)
_RESETTABLE = (AlarmState.LATCHED_UNACKNOWLEDGED, AlarmState.LATCHED_ACKNOWLEDGED)


@dataclass(frozen=True, slots=True)
class AlarmView:
    """A standing alarm and which buttons belong beside it."""

    event: AlarmEvent
    words: str
    answerable: bool
    resettable: bool


@dataclass(frozen=True, slots=True)
class VatView:
    """One vat as a screen shows it now. Numbers that may not be shown are already gone from it."""

    card: VatCard
    scan: Scan | None
    fresh: Freshness
    condition: VatCondition
    condition_words: str
    sentence: str
    age: str
    readings: list[Reading]
    bar: ReductionBar | None
    reduction_words: str
    alarms: list[AlarmView]

    @property
    def look(self) -> str:
        """The condition as a CSS class; silence has its own look, apart from a probe that is not believed."""
        if self.fresh is not Freshness.FRESH:
            return "silent"
        return self.condition.value.replace(" ", "-")


class NotTaken(VatwatchError):
    """An entry was not logged. The text says why and what to do; `status` is the HTTP status that fits."""

    def __init__(self, message: str, status: int) -> None:
        super().__init__(message)
        self.status = status


@dataclass(frozen=True, slots=True)
class Desk:
    """The page's one way to the store and to the daemon."""

    open_reader: Callable[[], StoreReader]
    submit: Callable[[JournalEntry | AlarmAction], None]
    clock_ms: Callable[[], int]
    zone: ZoneInfo
    stale_after_ms: int

    def views(self, reader: StoreReader) -> list[VatView]:
        """Every vat, in the order of the settings file."""
        now_ms = self.clock_ms()
        standing = reader.standing_alarms()
        return [self._view(reader, card, standing, now_ms) for card in reader.cards()]

    def view(self, reader: StoreReader, vat: str) -> VatView | None:
        """One vat, or None when there is no such vat."""
        now_ms = self.clock_ms()
        for card in reader.cards():
            if card.vat == vat:
                return self._view(reader, card, reader.standing_alarms(), now_ms)
        return None

    def _view(self, reader: StoreReader, card: VatCard, standing: list[AlarmEvent], now_ms: int) -> VatView:
        scan = reader.last_scan(card.vat)
        fresh = wording.freshness(scan, now_ms, self.stale_after_ms)
        condition = wording.condition_now(scan, fresh)
        reduction = scan.reduction if scan is not None and fresh is Freshness.FRESH else None
        return VatView(
            card=card,
            scan=scan,
            fresh=fresh,
            condition=condition,
            condition_words=wording.CONDITION_WORDS[condition],
            sentence=wording.vat_sentence(card, scan, fresh, now_ms, self.zone),
            age=wording.age_words(scan, fresh, now_ms),
            readings=wording.readings(card, scan, fresh, now_ms, self.zone),
            bar=None if reduction is None else reduction_bar(reduction, card.reduction_low),
            reduction_words="How far it is reduced is not known now."
            if reduction is None
            else wording.reduction_words(reduction, card.reduction_low),
            alarms=[
                AlarmView(
                    event,
                    wording.alarm_words(event, now_ms, self.zone),
                    event.to_state in _ANSWERABLE,
                    event.to_state in _RESETTABLE,
                )
                for event in standing
                if event.vat == card.vat
            ],
        )

    def journal(self, reader: StoreReader, vat: str) -> list[tuple[str, JournalEntry, str]]:
        """The last day's entries, newest first, as (time words, entry, words)."""
        now_ms = self.clock_ms()
        entries = sorted(
            reader.journal(vat, now_ms - DAY_MS, now_ms + 60_000),
            key=lambda entry: (entry.time_ms, entry.logged_ms),
            reverse=True,
        )
        return [
            (wording.clock_words(entry.time_ms, now_ms, self.zone), entry, wording.entry_words(entry))
            for entry in entries
        ]

    @staticmethod
    def curve(
        reader: StoreReader, vat: str, quantity: CurveName, from_ms: int, to_ms: int, buckets: int
    ) -> list[CurvePoint]:
        """Buckets of one quantity in [from_ms, to_ms), by the name it has on the wire."""
        if quantity == "reduction_share" or quantity == "reduction_margin_mv" or quantity == "ph_25c":
            return reader.curve(vat, quantity, from_ms, to_ms, buckets)
        return reader.curve(vat, Quantity(quantity), from_ms, to_ms, buckets)

    def troubles(self, reader: StoreReader) -> list[str]:
        """Phone messages that are not getting through, in sentences."""
        now_ms = self.clock_ms()
        return [
            f"Messages through {delivery.outlet} have not been getting through since "
            f"{wording.clock_words(delivery.last_error_ms, now_ms, self.zone)}: {delivery.last_error}"
            for delivery in reader.deliveries()
            if delivery.stream == Stream.PUSHES.value
            and delivery.last_error_ms is not None
            and delivery.last_error_ms > (delivery.last_ok_ms or 0)
        ]

    def log(self, entry: JournalEntry) -> None:
        """Hand an entry in and make sure that it, and not another one of the same number, is what was kept.

        Raises NotTaken when it was not, with nothing half-written.
        """
        self.hand_in(entry)
        with self.open_reader() as reader:
            kept = next(
                (
                    other
                    for other in reader.journal(entry.vat, self.clock_ms() - 7 * DAY_MS, self.clock_ms() + 60_001)
                    if other.entry_id == entry.entry_id
                ),
                None,
            )
        if kept is not None and not same_substance(kept, entry):
            raise NotTaken(
                f"This form was already logged as “{wording.entry_words(kept)}”. "
                "If this is something further, press the button once more.",
                409,
            )

    def hand_in(self, record: JournalEntry | AlarmAction) -> None:
        """Submit and wait until committed. Raises NotTaken with a sentence when it was not."""
        try:
            self.submit(record)
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
