"""A vat's curves, limits in force and journal marks as JSON-ready columns for the chart. Computes no figure."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from typing import Any

from vatwatch.records import JournalEntry, VatCard
from vatwatch.season import words
from vatwatch.season.figures import BUCKETS, VatFigures
from vatwatch.store.reading import CurvePoint

MOST_MARKS = 1500
"""Marks drawn on one chart; the journal below it holds all."""


def chart_columns(figures: VatFigures, from_ms: int, to_ms: int, wording: words.Wording) -> dict[str, Any]:
    """All the chart of one vat shows, its times in local time."""
    width = (to_ms - from_ms) / BUCKETS
    marks = [entry for entry in figures.journal if entry.kind.value != "undo"][-MOST_MARKS:]
    limits = figures.limits
    return {
        "times": [wording.plotted(round(from_ms + (bucket + 0.5) * width)) for bucket in range(BUCKETS)],
        "range": [wording.plotted(from_ms), wording.plotted(to_ms)],
        "share": _columns(figures.curves["reduction_share"], from_ms, width),
        "margin": _columns(figures.curves["reduction_margin_mv"], from_ms, width),
        "ph": _columns(figures.curves["ph"], from_ms, width),
        "ph_25c": _columns(figures.curves["ph_25c"], from_ms, width)["mean"],
        "temperature": _columns(figures.curves["temperature_c"], from_ms, width),
        "limits": {
            "share": _steps(limits, lambda card: (card.reduction_low,), from_ms, to_ms, wording),
            "ph": _steps(limits, lambda card: (card.ph_low, card.ph_high), from_ms, to_ms, wording),
            "temperature": _steps(
                limits, lambda c: (c.temperature_low_c, c.temperature_high_c, c.ceiling_c), from_ms, to_ms, wording
            ),
        },
        "marks": [_mark(entry, wording) for entry in marks],
    }


def _mark(entry: JournalEntry, wording: words.Wording) -> dict[str, str]:
    return {"time": wording.plotted(entry.time_ms), "kind": entry.kind.value, "words": words.entry(entry)}


def _columns(points: Sequence[CurvePoint], from_ms: int, width: float) -> dict[str, list[float | None]]:
    columns: dict[str, list[float | None]] = {name: [None] * BUCKETS for name in ("low", "mean", "high")}
    # Parts of whole hours are wider than a bucket now and then: the bucket between two of them repeats the first.
    step = min((b.time_ms - a.time_ms for a, b in itertools.pairwise(points)), default=0)
    for point in points:
        first = (
            int((point.time_ms - step / 2 - from_ms) / width)
            if step > width
            else int((point.time_ms - from_ms) / width)
        )
        last = int((point.time_ms + step / 2 - from_ms - 1) / width) if step > width else first
        for bucket in range(max(0, first), min(BUCKETS - 1, max(first, last)) + 1):
            if columns["low"][bucket] is None or bucket > first:
                columns["low"][bucket] = round(point.low, 4)
                columns["mean"][bucket] = round(point.mean, 4)
                columns["high"][bucket] = round(point.high, 4)
    return columns


def _steps(
    limits: Sequence[tuple[int, VatCard]],
    values: Callable[[VatCard], tuple[float, ...]],
    from_ms: int,
    to_ms: int,
    wording: words.Wording,
) -> list[tuple[str, str, float]]:
    """(from, until, value): each limit over the time in which it was in force."""
    found = []
    for place, (since_ms, card) in enumerate(limits):
        until_ms = limits[place + 1][0] if place + 1 < len(limits) else to_ms
        # The first settings count from the beginning: nothing was judged before them.
        begin_ms = from_ms if place == 0 else max(from_ms, since_ms)
        if until_ms > begin_ms:
            found += [
                (wording.plotted(begin_ms), wording.plotted(min(to_ms, until_ms)), value) for value in values(card)
            ]
    return found


def limit_changes(limits: Sequence[tuple[int, VatCard]], from_ms: int) -> list[tuple[int, str]]:
    """What changed in the limits within the span, and when."""
    labels: tuple[tuple[str, Callable[[VatCard], float], str], ...] = (
        ("reduced at least", lambda c: c.reduction_low * 100, "%"),
        ("pH from", lambda c: c.ph_low, ""),
        ("pH to", lambda c: c.ph_high, ""),
        ("warm from", lambda c: c.temperature_low_c, "°C"),
        ("warm to", lambda c: c.temperature_high_c, "°C"),
        ("never above", lambda c: c.ceiling_c, "°C"),
        ("rest", lambda c: c.settle_minutes, "min"),
    )
    found = []
    for (_, before), (since_ms, after) in itertools.pairwise(limits):
        changes = [
            f"{label} {words.number(value(before))} → {words.number(value(after))} {unit}".strip()
            for label, value, unit in labels
            if value(before) != value(after)
        ]
        if changes and since_ms > from_ms:
            found.append((since_ms, ", ".join(changes)))
    return found
