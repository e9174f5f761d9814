"""Writes the review of a stored span: one self-contained HTML file that opens from a memory stick and prints.

Reads the store, computes through `passage`, `hours` and `episodes`, renders; judges nothing anew and writes no store.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.metadata import distribution
from pathlib import Path
from typing import Any, Literal
from zoneinfo import ZoneInfo

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from vatwatch.errors import VatwatchError
from vatwatch.records import JournalEntry, VatCard
from vatwatch.season import words
from vatwatch.season.episodes import Episode, episodes_of
from vatwatch.season.hours import TimeShares
from vatwatch.season.passage import Passage, passage_of
from vatwatch.store.reading import CurvePoint, StoreReader
from vatwatch.terms import EntryKind, Quantity

BUCKETS = 800

Curve = Quantity | Literal["reduction_share", "reduction_margin_mv"]


@dataclass(frozen=True, slots=True)
class VatFigures:
    """One vat's figures in the review. `fed_grams` sums feeds by what was fed, as written."""

    vat: str
    name: str
    scans: int
    times: TimeShares
    episodes: tuple[Episode, ...]
    entries: int
    fed_grams: tuple[tuple[str, float], ...]


@dataclass(frozen=True, slots=True)
class ReviewFigures:
    """What the written review holds, for whoever asked for it."""

    from_ms: int
    to_ms: int
    vats: tuple[VatFigures, ...]
    pushes: int
    port_events: int
    bytes_written: int


def write_review(reader: StoreReader, out_path: Path, from_ms: int, to_ms: int, timezone: str) -> ReviewFigures:
    """Review slots ending in (from_ms, to_ms] and write it to `out_path`, replacing what is there only when done.

    `timezone` is an IANA name. Raises VatwatchError when the span is empty or the file cannot be written, StoreError
    when the store cannot be read.
    """
    if to_ms <= from_ms:
        raise VatwatchError("The review's span is empty: its end must lie after its beginning.")
    wording = words.Wording(ZoneInfo(timezone))
    # The store's ranges are [from, to); a slot is named by its end.
    begin_ms, end_ms = from_ms + 1, to_ms + 1
    cards = {card.vat: card for card in reader.cards()}
    figures: list[VatFigures] = []
    sections: list[dict[str, Any]] = []
    for vat in reader.vats():
        passage = passage_of(reader.scans(vat, begin_ms, end_ms), from_ms, to_ms, BUCKETS)
        journal = reader.journal(vat, from_ms, end_ms)
        episodes = episodes_of(reader.alarm_events(vat, begin_ms, end_ms))
        card = cards.get(vat)
        name = card.name if card is not None else vat
        figures.append(VatFigures(vat, name, passage.scans, passage.times, episodes, len(journal), _fed_grams(journal)))
        sections.append(
            {
                "name": name,
                "card": card,
                "figures": figures[-1],
                "shares": _shares(passage.times),
                "episodes": [
                    (words.alarm(episode.alarm), episode, *wording.episode_times(episode)) for episode in episodes
                ],
                "journal": [(wording.time(entry.time_ms), words.entry(entry)) for entry in journal],
                "chart": _chart(reader, vat, card, passage, journal, from_ms, to_ms, wording),
            }
        )
    pushes = reader.pushes(begin_ms, end_ms)
    port_events = reader.port_events(from_ms, end_ms)
    names = {figure.vat: figure.name for figure in figures}
    html = _template().render(
        from_words=wording.time(from_ms),
        to_words=wording.time(to_ms),
        timezone=timezone,
        sections=sections,
        pushes=[(wording.time(push.slot_ms), names.get(push.vat, push.vat), push) for push in pushes],
        port_events=[(wording.time(event.time_ms), event) for event in port_events],
        plotly_js=_inline(_plotly_js()),
        draw_js=_inline((Path(__file__).parent / "templates" / "draw.js").read_text(encoding="utf-8")),
    )
    written = _replace_file(Path(out_path), html.encode())
    return ReviewFigures(from_ms, to_ms, tuple(figures), len(pushes), len(port_events), written)


def _template() -> Any:
    environment = Environment(
        loader=PackageLoader("vatwatch.season"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals.update(hours=words.hours, number=words.number)
    return environment.get_template("review.html")


def _shares(times: TimeShares) -> list[tuple[str, int, float, float]]:
    """(word, ms, share of the span, where the share begins) for the table and the strip."""
    rows, begin = [], 0.0
    for word, spent_ms in times.rows():
        share = spent_ms / times.span_ms
        rows.append((word, spent_ms, share, begin))
        begin += share
    return rows


def _fed_grams(journal: Sequence[JournalEntry]) -> tuple[tuple[str, float], ...]:
    fed: dict[str, float] = {}
    for entry in journal:
        if entry.kind is EntryKind.FEED and entry.grams is not None:
            fed[entry.what] = fed.get(entry.what, 0.0) + entry.grams
    return tuple(sorted(fed.items()))


def _chart(
    reader: StoreReader,
    vat: str,
    card: VatCard | None,
    passage: Passage,
    journal: Sequence[JournalEntry],
    from_ms: int,
    to_ms: int,
    wording: words.Wording,
) -> dict[str, Any]:
    """All a vat's chart shows, as JSON-ready columns on one shared row of bucket middles."""
    width = (to_ms - from_ms) / BUCKETS

    def curve(quantity: Curve) -> dict[str, list[float | None]]:
        columns: dict[str, list[float | None]] = {name: [None] * BUCKETS for name in ("low", "mean", "high")}
        point: CurvePoint
        for point in reader.curve(vat, quantity, from_ms + 1, to_ms + 1, BUCKETS):
            bucket = min(BUCKETS - 1, max(0, int((point.time_ms - from_ms) / width)))
            columns["low"][bucket] = round(point.low, 4)
            columns["mean"][bucket] = round(point.mean, 4)
            columns["high"][bucket] = round(point.high, 4)
        return columns

    def rounded(values: Sequence[float | None]) -> list[float | None]:
        return [None if value is None else round(value, 4) for value in values]

    return {
        "times": [wording.plotted(round(from_ms + (bucket + 0.5) * width)) for bucket in range(BUCKETS)],
        "range": [wording.plotted(from_ms), wording.plotted(to_ms)],
        "share": curve("reduction_share"),
        "share_interval": {
            "low": rounded(passage.averages.share_low),
            "high": rounded(passage.averages.share_high),
        },
        "margin": curve("reduction_margin_mv"),
        "ph": curve(Quantity.PH),
        "ph_25c": rounded(passage.averages.ph_25c),
        "temperature": curve(Quantity.TEMPERATURE),
        "limits": None
        if card is None
        else {
            "share": [card.reduction_low],
            "ph": [card.ph_low, card.ph_high],
            "temperature": [card.temperature_low_c, card.temperature_high_c, card.ceiling_c],
        },
        "marks": [
            {"time": wording.plotted(entry.time_ms), "kind": entry.kind.value, "words": words.entry(entry)}
            for entry in journal
        ],
    }


def _plotly_js() -> str:
    path = Path(str(distribution("plotly").locate_file("plotly/package_data/plotly.min.js")))
    return path.read_text(encoding="utf-8")


def _inline(script: str) -> Markup:
    """A script of ours or Plotly's, fit to stand between script tags whatever its strings hold."""
    safe = script.replace("</script", r"<\/script").replace("<!--", r"\x3C!--")
    return Markup(safe)  # noqa: S704 - from installed files, never from the store


def _replace_file(path: Path, content: bytes) -> int:
    try:
        with tempfile.NamedTemporaryFile(dir=path.parent, prefix=f".{path.name}.", delete=False) as part:
            try:
                part.write(content)
                part.flush()
                os.fsync(part.fileno())
                Path(part.name).replace(path)
            except BaseException:
                Path(part.name).unlink(missing_ok=True)
                raise
    except OSError as error:
        raise VatwatchError(
            f"The review cannot be written to {path}: {error.strerror or error}. "
            "Give a file in a directory that exists, may be written to and has room."
        ) from error
    path.chmod(0o644)
    return len(content)
