"""Joins each judged piece with what the vat was like while it was in the liquor. Pure; fits nothing.

Pieces, dips and grades come from the journal through `dyeing`; the vat's state from the stored scans, as they were judged
at the time. A piece that cannot be used is counted under its reason, never dropped in silence.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from vatwatch.dyeing.outcomes import RUBBING_GRADES
from vatwatch.dyeing.pieces import MINUTE_MS, Dip, Piece, detail, pieces_of, taken_back
from vatwatch.dyeing.steps import Detail
from vatwatch.records import JournalEntry, Scan
from vatwatch.terms import EntryKind, VatCondition

AROUND_MS = 2 * MINUTE_MS
"""A dip written down with no length is looked at this long before and after."""
LONGEST_REST_MIN = 24 * 60.0
"""Rest beyond a day counts as a day: nothing is left to settle, and nobody knows what happened before the record."""
STIRS_UP = (EntryKind.FEED, EntryKind.STIR, EntryKind.TOP_UP, EntryKind.REMADE)

NOT_DIPPED = "no dip in the record"
SEVERAL_VATS = "dipped in more than one vat"
DIPPED_AGAIN = "dipped again after it was judged"
STATE_UNKNOWN = "the vat's reduction was not known during a dip"
NOT_GRADED = "judged without a rubbing grade"

ScansOf = Callable[[str, int, int], Iterable[Scan]]
"""(vat, from_ms, to_ms) → scans whose slots end in [from_ms, to_ms), in slot order; the store's reader has it."""


@dataclass(frozen=True, slots=True)
class PieceState:
    """One judged piece and the vat's state in its dips.

    `margin_mv` and `share` are those of its least reduced dip (loose pigment comes with the worst one); `ph_25c` and
    `temperature_c` are means over its dips, weighted by their length; `rested_min` is the shortest time between a stir,
    feed or top-up and a dip, at most a day; `settled` whether every dip began in a vat at rest; `liquor_min` the whole
    time in the liquor. Grades are those of the grey scale as numbers (4-5 is 4.5), None where not judged.
    """

    name: str
    vat: str
    judged_ms: int
    dips: int
    margin_mv: float
    share: float
    ph_25c: float
    temperature_c: float
    rested_min: float
    settled: bool
    liquor_min: float
    rubbing_dry: float | None = None
    rubbing_wet: float | None = None
    l_star: float | None = None
    k_over_s: float | None = None


@dataclass(frozen=True, slots=True)
class JudgedPieces:
    """`left_out` counts the judged pieces that could not be used, by vat and reason."""

    pieces: tuple[PieceState, ...]
    left_out: tuple[tuple[str, str, int], ...]


def grade_value(grade: str) -> float | None:
    """A grade of the grey scale as a number: `4` is 4.0, `4-5` is 4.5 (ISO 105-A03 has half grades); None if it is none."""
    if grade not in RUBBING_GRADES:
        return None
    parts = [float(part) for part in grade.split("-")]
    return sum(parts) / len(parts)


def judged_pieces(journal: Iterable[JournalEntry], scans_of: ScansOf, from_ms: int, to_ms: int) -> JudgedPieces:
    """Every piece judged in [from_ms, to_ms), with the vat's state in its dips. `journal` may reach further back."""
    entries = [entry for entry in journal if entry.time_ms < to_ms]
    stirred = _stirred(entries)
    found: list[PieceState] = []
    left_out: Counter[tuple[str, str]] = Counter()
    for piece in sorted(pieces_of(entries), key=lambda piece: piece.last_ms):
        if not any(from_ms <= outcome.time_ms < to_ms for outcome in piece.outcomes):
            continue
        usable = _usable(piece, stirred, scans_of)
        if isinstance(usable, str):
            left_out[piece.vat, usable] += 1
        else:
            found.append(usable)
    return JudgedPieces(tuple(found), tuple((vat, why, count) for (vat, why), count in sorted(left_out.items())))


def _stirred(entries: Sequence[JournalEntry]) -> dict[str, list[int]]:
    void = taken_back(entries)
    times: dict[str, list[int]] = {}
    for entry in entries:
        if entry.kind in STIRS_UP and entry.entry_id not in void:
            times.setdefault(entry.vat, []).append(entry.time_ms)
    return {vat: sorted(each) for vat, each in times.items()}


@dataclass(frozen=True, slots=True)
class _DipState:
    margin_mv: float
    share: float
    ph_25c: float
    temperature_c: float
    settled: bool
    minutes: float


def _usable(piece: Piece, stirred: dict[str, list[int]], scans_of: ScansOf) -> PieceState | str:
    dips = [dip for dip in piece.dips if dip.end_ms is not None]
    if not dips or len(dips) < len(piece.dips):
        return NOT_DIPPED
    if len({dip.vat for dip in dips}) > 1:
        return SEVERAL_VATS
    last_out = max(dip.end_ms or 0 for dip in dips)
    outcomes = [outcome for outcome in piece.outcomes if outcome.time_ms >= last_out]
    if not outcomes:
        return DIPPED_AGAIN
    states = [_state(dip, scans_of) for dip in dips]
    known = [state for state in states if state is not None]
    if len(known) < len(states):
        return STATE_UNKNOWN
    newest = {
        name: next((value for outcome in reversed(outcomes) if (value := detail(outcome, name))), "")
        for name in (Detail.RUBBING_DRY, Detail.RUBBING_WET, Detail.L_STAR, Detail.K_OVER_S)
    }
    if not any(newest.values()):
        return NOT_GRADED
    vat = dips[0].vat
    worst = min(known, key=lambda state: state.margin_mv)
    weights = [max(state.minutes, 1.0) for state in known]
    return PieceState(
        name=piece.name,
        vat=vat,
        judged_ms=outcomes[-1].time_ms,
        dips=len(dips),
        margin_mv=worst.margin_mv,
        share=worst.share,
        ph_25c=_mean([state.ph_25c for state in known], weights),
        temperature_c=_mean([state.temperature_c for state in known], weights),
        rested_min=min(_rested(dip.start_ms, stirred.get(vat, [])) for dip in dips),
        settled=all(state.settled for state in known),
        liquor_min=sum(state.minutes for state in known),
        rubbing_dry=grade_value(newest[Detail.RUBBING_DRY]),
        rubbing_wet=grade_value(newest[Detail.RUBBING_WET]),
        l_star=_number(newest[Detail.L_STAR]),
        k_over_s=_number(newest[Detail.K_OVER_S]),
    )


def _state(dip: Dip, scans_of: ScansOf) -> _DipState | None:
    end_ms = dip.start_ms if dip.end_ms is None else dip.end_ms
    around_ms = 0 if end_ms - dip.start_ms >= MINUTE_MS else AROUND_MS
    margins, shares, ph, warmth = [], [], [], []
    settled: bool | None = None
    for scan in scans_of(dip.vat, dip.start_ms - around_ms, end_ms + around_ms + 1):
        if settled is None:
            settled = scan.condition is not VatCondition.SETTLING
        if scan.reduction is None or scan.ph_25c is None or scan.temperature_c.value is None:
            continue
        margins.append(scan.reduction.margin_mv)
        shares.append(scan.reduction.share)
        ph.append(scan.ph_25c)
        warmth.append(scan.temperature_c.value)
    if not margins:
        return None
    return _DipState(
        margin_mv=_mean(margins),
        share=_mean(shares),
        ph_25c=_mean(ph),
        temperature_c=_mean(warmth),
        settled=bool(settled),
        minutes=(end_ms - dip.start_ms) / MINUTE_MS,
    )


def _rested(start_ms: int, stirred: Sequence[int]) -> float:
    before = bisect_right(stirred, start_ms)
    return LONGEST_REST_MIN if before == 0 else min((start_ms - stirred[before - 1]) / MINUTE_MS, LONGEST_REST_MIN)


def _mean(values: Sequence[float], weights: Sequence[float] | None = None) -> float:
    if weights is None:
        return sum(values) / len(values)
    return sum(value * weight for value, weight in zip(values, weights, strict=True)) / sum(weights)


def _number(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None
