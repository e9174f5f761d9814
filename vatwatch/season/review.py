"""Writes the review of a stored span: one self-contained HTML file that opens from a memory stick and prints.

Takes its figures from `figures`, renders; judges nothing anew and writes no store.
"""

from __future__ import annotations

import os
import re
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.metadata import distribution
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from vatwatch.errors import VatwatchError
from vatwatch.season import words
from vatwatch.season.calendar_drawing import calendar_of
from vatwatch.season.curve_columns import chart_columns, limit_changes
from vatwatch.season.feed_drawing import feed_pictures
from vatwatch.season.feeding import Use
from vatwatch.season.figures import ReviewFigures, VatFigures, review_figures
from vatwatch.season.hours import TimeShares
from vatwatch.season.outcome_section import OutcomeSection, outcome_section
from vatwatch.season.summary import best_of, dyeable_share, summary_of
from vatwatch.store.reading import StoreReader

MOST_LISTED = 400
"""Excursions, entries and messages listed one by one; the tables above them count all."""


@dataclass(frozen=True, slots=True)
class WrittenReview:
    """What was written, for whoever asked for it."""

    figures: ReviewFigures
    bytes_written: int


def write_review(reader: StoreReader, out_path: Path, from_ms: int, to_ms: int, timezone: str) -> WrittenReview:
    """Review slots ending in (from_ms, to_ms] and write it to `out_path`, replacing what is there only when done.

    `timezone` is an IANA name. Raises VatwatchError when the span is empty or the file cannot be written, StoreError
    when the store cannot be read.
    """
    if to_ms <= from_ms:
        raise VatwatchError("The review's span is empty: its end must lie after its beginning.")
    figures = review_figures(reader, from_ms, to_ms, ZoneInfo(timezone))
    outcomes = outcome_section(reader, figures)
    return WrittenReview(figures, _replace_file(Path(out_path), review_parts(figures, outcomes, timezone)))


def served_review(reader: StoreReader, from_ms: int, to_ms: int, timezone: str) -> str:
    """The same review for the page, which serves its scripts beside it. Raises as `write_review` does."""
    figures = review_figures(reader, from_ms, to_ms, ZoneInfo(timezone))
    return "".join(review_parts(figures, outcome_section(reader, figures), timezone, served=True))


def _bound(sentence: str) -> str:
    """Numbers stay on one line with their units."""
    return re.sub(r"(?<=\d) (?=(?:h|g|kg|%)\b|%)", "\u00a0", sentence)


def draw_script() -> str:
    """The script that draws the review's curves, with Plotly's loaded before it."""
    return (Path(__file__).parent / "templates" / "draw.js").read_text(encoding="utf-8")


def review_parts(
    figures: ReviewFigures, outcomes: OutcomeSection, timezone: str, served: bool = False
) -> Iterator[str]:
    """The review as text, part by part; `served` leaves the scripts to whoever serves it."""
    wording = words.Wording(ZoneInfo(timezone))
    from_ms, to_ms = figures.from_ms, figures.to_ms
    best = best_of(figures.vats)
    environment = _environment()
    yield from environment.get_template("review.html").generate(
        from_words=wording.time(from_ms),
        to_words=wording.time(to_ms),
        timezone=timezone,
        summary=[_bound(sentence) for sentence in summary_of(figures)],
        names={vat.vat: vat.name for vat in figures.vats},
        best=best.vat if best else "",
        figures=figures,
        years=sorted({year for vat in figures.vats for year, _ in vat.hours.years}),
        sections=(_section(vat, figures, wording) for vat in figures.vats),
        pushes=[(wording.time(one.slot_ms), _name(figures, one.vat), one) for one in figures.pushes[-MOST_LISTED:]],
        port_events=[(wording.time(event.time_ms), event) for event in figures.port_events[-MOST_LISTED:]],
        outcomes=outcomes,
        wording=wording,
        Use=Use,
        most_listed=MOST_LISTED,
        served=served,
        plotly_js=lambda: _inline(_plotly_js()),
        draw_js=lambda: _inline(draw_script()),
    )


def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("vatwatch.season"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals.update(
        hours=words.hours,
        whole_hours=words.whole_hours,
        number=words.number,
        length=words.maybe_length,
        alarm=words.alarm,
        loss=words.loss,
        month=words.month,
        percent=words.percent,
        signed=words.signed,
        dyeable_share=dyeable_share,
    )
    return environment


def _section(vat: VatFigures, figures: ReviewFigures, wording: words.Wording) -> dict[str, Any]:
    from_ms, to_ms = figures.from_ms, figures.to_ms
    return {
        "vat": vat,
        "shares": shares(vat.times),
        "calendar": calendar_of(vat.hours.hours, from_ms, to_ms, wording.zone),
        "changes": [(wording.time(since_ms), text) for since_ms, text in limit_changes(vat.limits, from_ms)],
        "feed_pictures": feed_pictures(vat.responses, vat.feeds, from_ms, to_ms),
        "excursions": [
            (words.alarm(one.episode.alarm), one, *wording.episode_times(one.episode))
            for one in vat.excursions[-MOST_LISTED:]
        ],
        "journal": [(wording.time(entry.time_ms), words.entry(entry)) for entry in vat.journal[-MOST_LISTED:]],
        "chart": chart_columns(vat, from_ms, to_ms, wording),
    }


def shares(times: TimeShares) -> list[tuple[str, int, float, float]]:
    """(word, ms, share of the span, where the share begins) for the table and the strip."""
    rows, begin = [], 0.0
    for word, spent_ms in times.rows():
        share = spent_ms / times.span_ms
        rows.append((word, spent_ms, share, begin))
        begin += share
    return rows


def _name(figures: ReviewFigures, vat: str) -> str:
    return next((one.name for one in figures.vats if one.vat == vat), vat)


def _plotly_js() -> str:
    path = Path(str(distribution("plotly").locate_file("plotly/package_data/plotly.min.js")))
    return path.read_text(encoding="utf-8")


def _inline(script: str) -> Markup:
    """A script of ours or Plotly's, fit to stand between script tags whatever its strings hold."""
    safe = script.replace("</script", r"<\/script").replace("<!--", r"\x3C!--")
    return Markup(safe)  # noqa: S704 - from installed files, never from the store


def _replace_file(path: Path, parts: Iterator[str]) -> int:
    try:
        with tempfile.NamedTemporaryFile(
            mode="w", encoding="utf-8", newline="", dir=path.parent, prefix=f".{path.name}.", delete=False
        ) as part:
            try:
                for text in parts:
                    part.write(text)
                part.flush()
                os.fsync(part.fileno())
                written = os.fstat(part.fileno()).st_size
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
    return written
