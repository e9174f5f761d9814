"""The pieces in hand as a screen shows them, and the warning before a dip into a vat that is not dyeable. Pure.

Knows neither HTML nor the store; the judgement is the scan's, only said here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo

from vatwatch.dyeing.pieces import MINUTE_MS, Dip, Piece, Stage
from vatwatch.dyeing.steps import FINISHING, Detail, Step, finishing_for
from vatwatch.page.measures import Freshness, clock_words, share_words
from vatwatch.page.sentence import vat_sentence
from vatwatch.records import JournalEntry, Scan, VatCard
from vatwatch.terms import EntryKind, VatCondition

DAY_MS = 86_400_000
IN_HAND_MS = 3 * DAY_MS
MOST_IN_HAND = 20
LOOSE = "Dyed now, the piece would take up loose pigment that rubs off."
UNTOLD = "Dyed now, nobody can tell whether the piece would take up loose pigment that rubs off."
_STIRRING = (EntryKind.FEED, EntryKind.STIR, EntryKind.TOP_UP, EntryKind.REMADE)
_ONLY_MOVING = {"settling", "unsure"}
FIBRE_WORDS = {"cellulose": "cotton, linen, hemp", "protein": "wool, silk"}


@dataclass(frozen=True, slots=True)
class Timer:
    """A step that takes a while: when it began and when it was meant to end."""

    start_ms: int
    end_ms: int
    left_ms: int
    words: str


@dataclass(frozen=True, slots=True)
class PieceView:
    """One piece as one row of a screen. `button` is what can be done with it at this vat: in, out or nothing."""

    piece: Piece
    facts: str
    stage: str
    timer: Timer | None
    button: str
    next_dip: str
    elsewhere: str


def ordinal(number: int) -> str:
    """`1st`, `2nd`, `11th`."""
    ending = {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th") if number % 100 not in (11, 12, 13) else "th"
    return f"{number}{ending}"


def in_hand(pieces: Sequence[Piece], now_ms: int) -> list[Piece]:
    """Pieces still being worked on, in the order they were begun: a row must not move away under a finger."""
    found = [
        piece
        for piece in pieces
        if piece.stage is Stage.IN_LIQUOR or (piece.stage is not Stage.JUDGED and now_ms - piece.last_ms <= IN_HAND_MS)
    ]
    return sorted(found[:MOST_IN_HAND], key=lambda piece: piece.first_ms)


def new_name(pieces: Sequence[Piece]) -> str:
    """A name nobody has to type."""
    taken = {piece.key for piece in pieces}
    number = len(pieces) + 1
    while f"piece {number}" in taken:
        number += 1
    return f"Piece {number}"


def piece_view(piece: Piece, vat: str, names: dict[str, str], now_ms: int, zone: tzinfo) -> PieceView:
    """One piece seen from one vat's screen; `names` are the vats' names."""
    stage, running = piece.stage, piece.running
    here = running is None or running.vat == vat
    button = "" if stage in (Stage.FINISHING, Stage.JUDGED) or not here else "out" if running else "in"
    return PieceView(
        piece=piece,
        facts=facts_words(piece),
        stage=_stage_words(piece, stage),
        timer=_timer(piece, stage, now_ms, zone),
        button=button,
        next_dip=ordinal(len(piece.dips) + 1),
        elsewhere="" if here or running is None else names.get(running.vat, running.vat),
    )


def facts_words(piece: Piece) -> str:
    """Fibre, dry weight and how often it was dipped."""
    parts = [FIBRE_WORDS.get(piece.fibre, piece.fibre)] if piece.fibre else []
    if piece.dry_grams is not None:
        parts.append(f"{piece.dry_grams:g} g dry")
    parts.append(f"{len(piece.dips)} {'dip' if len(piece.dips) == 1 else 'dips'}")
    return " · ".join(parts)


def _stage_words(piece: Piece, stage: Stage) -> str:
    if stage is Stage.IN_LIQUOR:
        return f"in the liquor, {ordinal(len(piece.dips))} dip"
    if stage is Stage.FINISHING:
        done = [finishing.done_words.lower() for finishing in FINISHING if piece.done(finishing.step)]
        return f"finishing: {', '.join(done)}"
    return stage.value


def _timer(piece: Piece, stage: Stage, now_ms: int, zone: tzinfo) -> Timer | None:
    running = piece.running
    if running is not None:
        start_ms, minutes, until = running.start_ms, running.planned_min, "out at"
    elif stage is Stage.AIRING:
        start_ms, minutes, until = piece.dips[-1].end_ms or piece.last_ms, piece.air_min, "aired at"
    elif stage is Stage.PRE_WETTING and piece.pre_wet_ms is not None:
        start_ms, minutes, until = piece.pre_wet_ms, piece.pre_wet_min, "wet through at"
    else:
        return None
    end_ms = start_ms + round(minutes * MINUTE_MS)
    words = f"since {clock_words(start_ms, now_ms, zone)}, {until} {clock_words(end_ms, now_ms, zone)}"
    return Timer(start_ms, end_ms, end_ms - now_ms, words)


def dip_warning(
    card: VatCard,
    scan: Scan | None,
    fresh: Freshness,
    lately: Sequence[JournalEntry],
    now_ms: int,
    zone: tzinfo,
) -> str:
    """Why a piece should not go in now; empty when it may.

    A vat that settles only because pieces went in and out of it is not warned of: on a dip day one piece follows the
    other. `lately` are the vat's newest entries, those taken back left out.
    """
    sentence = vat_sentence(card, scan, fresh, now_ms, zone)
    if scan is None or fresh is not Freshness.FRESH or scan.condition is VatCondition.UNKNOWN:
        return f"{sentence} {UNTOLD}"
    if scan.condition is VatCondition.DYEABLE:
        return ""
    if scan.condition is VatCondition.SETTLING and set(scan.shortfalls) <= _ONLY_MOVING:
        since_ms = now_ms - round(card.settle_minutes * MINUTE_MS)
        if not any(entry.kind in _STIRRING and entry.time_ms > since_ms for entry in lately):
            return ""
    return f"{sentence} {LOOSE}"


@dataclass(frozen=True, slots=True)
class ProbeView:
    """A probe of a vat: in the liquor, or out on purpose until a time."""

    probe: str
    words: str
    out_words: str


PROBE_OUT_MIN = 30.0


def probe_view(probe: str, quantity: str, notices: Sequence[JournalEntry], now_ms: int, zone: tzinfo) -> ProbeView:
    """A probe by what was last said of it; `notices` are the vat's entries, newest first, without those taken back."""
    last = next((e for e in notices if e.what == probe and e.kind in (EntryKind.PROBE_OUT, EntryKind.PROBE_BACK)), None)
    out_words = ""
    if last is not None and last.kind is EntryKind.PROBE_OUT:
        until_ms = last.time_ms + round((last.minutes or PROBE_OUT_MIN) * MINUTE_MS)
        if now_ms < until_ms:
            since, until = clock_words(last.time_ms, now_ms, zone), clock_words(until_ms, now_ms, zone)
            out_words = f"out since {since}; counts as back at {until} by itself"
    return ProbeView(probe, f"{quantity} probe ({probe})", out_words)


@dataclass(frozen=True, slots=True)
class DipView:
    """One dip of a piece: when, where, and what the vat was like during it."""

    dip: Dip
    heading: str
    when: str
    vat_words: str
    despite: str


def dip_view(
    dip: Dip, names: dict[str, str], before: Scan | None, means: dict[str, float | None], now_ms: int, zone: tzinfo
) -> DipView:
    """A dip in words; `before` is the last scan before it, `means` the mean of each quantity during it."""
    lasted = "still in" if dip.minutes is None else f"{dip.minutes:.0f} min"
    parts = [f"the vat was {before.condition.value}" if before is not None else "the vat's condition is not known"]
    if (share := means.get("reduction_share")) is not None:
        parts.append(f"{share_words(share)} reduced")
    if (ph := means.get("ph")) is not None:
        equivalent = means.get("ph_25c")
        parts.append(f"pH {ph:.2f}" + (f" (as {equivalent:.2f} at 25 °C)" if equivalent is not None else ""))
    if (warmth := means.get("temperature_c")) is not None:
        parts.append(f"{warmth:.1f} °C")
    return DipView(
        dip=dip,
        heading=f"{ordinal(dip.number)} dip, {names.get(dip.vat, dip.vat)}",
        when=f"{clock_words(dip.start_ms, now_ms, zone)}, {lasted}",
        vat_words=", ".join(parts),
        despite=dip.despite,
    )


@dataclass(frozen=True, slots=True)
class FinishView:
    """One finishing step as a tick: done or to be done."""

    step: str
    label: str
    advice: str
    minutes: float | None
    done_words: str
    entry_id: str


def finish_views(piece: Piece, now_ms: int, zone: tzinfo) -> list[FinishView]:
    """The finishing steps that suit a piece, in order, with those done."""
    found = []
    for finishing in finishing_for(piece.fibre):
        tick = piece.done(finishing.step)
        minutes = f", {tick.minutes:g} min" if tick is not None and tick.minutes is not None else ""
        found.append(
            FinishView(
                step=finishing.step.value,
                label=_LABELS[finishing.step],
                advice=finishing.advice,
                minutes=finishing.minutes,
                done_words=""
                if tick is None
                else f"{finishing.done_words} {clock_words(tick.time_ms, now_ms, zone)}{minutes}",
                entry_id="" if tick is None else tick.entry_id,
            )
        )
    return found


_LABELS = {
    Step.RINSE: "Rinse",
    Step.ACID_REST: "Mild-acid rest",
    Step.BOIL: "Boil",
    Step.DRY: "Dry",
}


def outcome_words(entry: JournalEntry) -> str:
    """An outcome in one line: the shade in the dyer's words, what was measured, and how it rubs."""
    details = dict(entry.details)
    parts = [entry.text] if entry.text else []
    if details.get(Detail.L_STAR):
        lab = [details.get(name, "?") for name in (Detail.L_STAR, Detail.A_STAR, Detail.B_STAR)]
        parts.append("L* {} a* {} b* {}".format(*lab))
    if details.get(Detail.K_OVER_S):
        parts.append(f"K/S {details[Detail.K_OVER_S]}")
    rubbing = [
        f"{how} {details[name].replace('-', '–')}"
        for name, how in ((Detail.RUBBING_DRY, "dry"), (Detail.RUBBING_WET, "wet"))
        if details.get(name)
    ]
    if rubbing:
        parts.append(f"rubbing {', '.join(rubbing)}")
    return "; ".join(parts)
