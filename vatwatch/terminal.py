"""What a terminal shows of the vats: the same sentences as the page, in plain text that needs no colour to be read."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import tzinfo

from rich.console import Console, Group, RenderableType
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from vatwatch.page import wording
from vatwatch.page.standing import OF_SHED, troubles
from vatwatch.records import Delivery, Outlook, Reduction, Rejected, Scan, VatCard
from vatwatch.store.reading import StoreReader
from vatwatch.terms import AlarmState, Stream

BAR_WIDTH = 40


def reduction_bar(reduction: Reduction, width: int = BAR_WIDTH) -> str:
    """The 90 % interval of the reduced share as `──` and its median as `●` on a scale from 0 to 100 %."""

    def place(share: float) -> int:
        return min(width - 1, max(0, round(share * (width - 1))))

    cells = ["·"] * width
    for i in range(place(reduction.share_low), place(reduction.share_high) + 1):
        cells[i] = "─"
    cells[place(reduction.share)] = "●"
    return "0 %" + "".join(cells) + "100 %"


def vat_panel(
    card: VatCard, scan: Scan | None, now_ms: int, stale_after_ms: int, zone: tzinfo, outlook: Outlook | None = None
) -> Panel:
    """One vat: its sentence first, then its numbers; withdrawn numbers say why."""
    fresh = wording.freshness(scan, now_ms, stale_after_ms)
    lines: list[RenderableType] = [Text(wording.vat_sentence(card, scan, fresh, now_ms, zone, outlook), style="bold")]
    if in_sight := wording.outlook_words(outlook, scan, fresh, now_ms, zone):
        lines.append(Text(in_sight))
    if scan is not None and scan.reduction is not None and fresh is wording.Freshness.FRESH:
        lines.append(Text(reduction_bar(scan.reduction)))
        lines.append(Text(wording.reduction_words(scan.reduction, card.reduction_low)))
    table = Table.grid(padding=(0, 2))
    doubts: list[RenderableType] = []
    for reading in wording.readings(card, scan, fresh, now_ms, zone):
        if reading.doubtful:
            doubts.append(Text(f"{reading.label} {reading.trust[:1].lower()}{reading.trust[1:]}"))
        number = "withdrawn" if reading.withdrawn else f"{reading.value} {reading.unit}".strip()
        trust = "doubtful, see below" if reading.doubtful else reading.trust
        table.add_row(reading.label, number, reading.beside, ", ".join(filter(None, (trust, reading.remark))))
    lines.append(table)
    lines += doubts
    lines.append(Text(wording.age_words(scan, fresh, now_ms), style="dim"))
    return Panel(Group(*lines), title=f"{card.name} ({card.chemistry}, {card.fibre})", title_align="left")


def print_now(
    out: Console,
    reader: StoreReader,
    now_ms: int,
    zone: tzinfo,
    stale_after_ms: int,
    outlets: Mapping[str, tuple[int, int] | None] | None = None,
) -> None:
    """Every vat, what stands as an alarm, and whether anything waits to be delivered.

    `outlets` names those of the present settings, each with until when it holds messages on purpose, and how many.
    """
    names = {OF_SHED: "The shed"}
    for card in reader.cards():
        names[card.vat] = card.name
        scan, outlook = reader.last_scan(card.vat), reader.outlook(card.vat)
        out.print(vat_panel(card, scan, now_ms, stale_after_ms, zone, outlook))
    for event in reader.standing_alarms():
        until_ms = reader.shelved_until(event) if event.to_state is AlarmState.SHELVED else None
        words = wording.alarm_words(event, now_ms, zone, until_ms)
        out.print(f"{names.get(event.vat, event.vat)}: {words}", markup=False, soft_wrap=True)
    present = None if outlets is None else outlets
    for line in troubles(reader, None if present is None else lambda: present, now_ms, zone, with_refused=False):
        out.print(line, markup=False, soft_wrap=True)
    deliveries = [one for one in reader.deliveries() if present is None or one.outlet in present]
    for line in delivery_lines(deliveries, reader.rejected()):
        out.print(line, markup=False, soft_wrap=True)


def delivery_lines(deliveries: Sequence[Delivery], rejected: Sequence[Rejected] = ()) -> list[str]:
    """What an outlet other than a phone could not deliver, and what any refused for good; nothing for those that work.

    `rejected`: the newest first.
    """
    found = []
    reasons = {(one.outlet, one.stream): one for one in reversed(rejected)}
    for delivery in deliveries:
        where = f"{delivery.outlet}, {delivery.stream}"
        if delivery.dropped:
            last = reasons.get((delivery.outlet, delivery.stream))
            why = delivery.last_error if last is None else f"row {last.row_number}, {last.reason}"
            rows = "row was" if delivery.dropped == 1 else "rows were"
            said = f"{where}: {delivery.dropped} {rows} refused and left out there; the last one: {why}"
            if delivery.stream == "actions":
                said = (
                    f"{delivery.outlet}: {delivery.dropped} actions on alarms were refused so far; the last one: {why}"
                )
            found.append(said)
        if delivery.stream == Stream.PUSHES or delivery.outlet == "heartbeat":
            continue  # told in a sentence of its own
        if delivery.last_error and (delivery.last_error_ms or 0) > (delivery.last_ok_ms or 0):
            found.append(f"{where}: not delivered since then: {delivery.last_error}")
    return found
