"""The review's words: times, lengths, journal entries, alarms. Pure; knows no HTML."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, tzinfo

from vatwatch.records import JournalEntry
from vatwatch.season.episodes import Episode
from vatwatch.terms import EntryKind

_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_SPELT = {"ph": "pH", "orp": "ORP"}
_DID = {
    EntryKind.FEED: "fed",
    EntryKind.STIR: "stirred",
    EntryKind.DIP: "dipped",
    EntryKind.CHECK: "liquor looked",
    EntryKind.TOP_UP: "topped up",
    EntryKind.COVER: "cover:",
    EntryKind.NOTE: "note:",
    EntryKind.OUTCOME: "outcome:",
    EntryKind.REMADE: "vat made anew",
    EntryKind.FINISH: "finishing:",
    EntryKind.UNDO: "took an entry back:",
    EntryKind.PROBE_OUT: "took a probe out:",
    EntryKind.PROBE_BACK: "put a probe back:",
}


@dataclass(frozen=True, slots=True)
class Wording:
    """Turns stored times into local words."""

    zone: tzinfo

    def time(self, time_ms: int) -> str:
        """`3 Jun 2026 14:10`"""
        then = datetime.fromtimestamp(time_ms / 1000, self.zone)
        return f"{then.day} {_MONTHS[then.month - 1]} {then.year} {then:%H:%M}"

    def plotted(self, time_ms: int) -> str:
        """Local wall-clock time the way Plotly reads dates without shifting them."""
        return f"{datetime.fromtimestamp(time_ms / 1000, self.zone):%Y-%m-%d %H:%M:%S}"

    def episode_times(self, episode: Episode) -> tuple[str, str, str, str]:
        """Raised, acknowledged, back to normal, lasted."""
        raised = "before this span" if episode.raised_ms is None else self.time(episode.raised_ms)
        acknowledged = "never" if episode.acknowledged_ms is None else self.time(episode.acknowledged_ms)
        if episode.normal_ms is not None:
            normal = self.time(episode.normal_ms)
        else:
            normal = "set aside" if episode.set_aside else "not within this span"
        lasted = "not known" if episode.lasted_ms is None else length(episode.lasted_ms)
        return raised, acknowledged, normal, lasted


def length(span_ms: int) -> str:
    """A length of time: `40 s`, `12 min`, `5 h 20 min`, `3 d 4 h`."""
    minutes = round(span_ms / 60_000)
    if span_ms < 60_000:
        return f"{span_ms // 1000} s"
    if minutes < 60:
        return f"{minutes} min"
    if minutes < 48 * 60:
        return f"{minutes // 60} h {minutes % 60} min"
    hours = round(minutes / 60)
    return f"{hours // 24} d {hours % 24} h"


def hours(span_ms: int) -> str:
    """Hours to a tenth; a trace of time is not shown as none."""
    value = span_ms / 3_600_000
    return "under 0.1" if 0 < value < 0.05 else f"{value:.1f}"


def entry(record: JournalEntry) -> str:
    """A journal entry as one line, its kind first."""
    amounts = (
        (record.grams, "g"),
        (record.litres, "l"),
        (record.minutes, "min"),
    )
    parts = [_DID[record.kind]]
    parts += [f"{amount:g} {unit}" for amount, unit in amounts if amount is not None]
    parts += [part for part in (record.what, record.text) if part]
    return " ".join(parts) + (f" ({record.by})" if record.by else "")


def alarm(kind: str) -> str:
    """An alarm's kind in words: `off-ph-low` becomes `off: pH low`."""
    words = [_SPELT.get(word, word) for word in kind.replace("_", "-").split("-")]
    return f"off: {' '.join(words[1:])}" if words[0] == "off" and len(words) > 1 else " ".join(words)


def number(value: float | None) -> str:
    """A number as short as it may be, or nothing."""
    return "" if value is None else f"{value:.4g}".replace("-", "−")


_LOSSES = {
    "off-reduction": "too little reduced",
    "off-ph-low": "too low in pH",
    "off-ph-high": "too high in pH",
    "off-cold": "too cold",
    "off-warm": "too warm",
    "overheat": "overheated",
    "settling": "not yet settled",
    "no-ph": "without a pH reading",
    "no-orp": "without an ORP reading",
    "no-temperature": "without a temperature reading",
    "no-estimate": "without an estimate of its reduction",
    "unsure": "dyeable, but in doubt",
    "not-recorded": "not recorded",
}


def loss(name: str) -> str:
    """What a vat was short of, fit to stand after “being”."""
    return _LOSSES.get(name, name.replace("-", " "))


def whole_hours(span_ms: float) -> str:
    """`1 240 h`: whole hours, thousands apart by a thin space; `under 1 h` for less."""
    hours = span_ms / 3_600_000
    if 0 < hours < 0.5:
        return "under 1 h"
    return f"{hours:,.0f} h".replace(",", "\u202f")


def month(name: str) -> str:
    """`2026-05` as `May 2026`; `all` as `whole span`."""
    if name == "all":
        return "whole span"
    year, _, number_ = name.partition("-")
    return f"{_MONTHS[int(number_) - 1]} {year}" if number_ else year


def maybe_length(span_ms: float | None) -> str:
    """A length of time, or a dash where there is none."""
    return "–" if span_ms is None else length(round(span_ms))


def percent(share: float) -> str:
    """`48 %`"""
    return f"{share * 100:.0f} %"


def signed(value: float | None) -> str:
    """A change, with its sign; a dash where it is not known."""
    return "–" if value is None else f"{value:+.3g}".replace("-", "−")
