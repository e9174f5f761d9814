"""What the pieces say of the vat: which state gave the ones that rub off, and the dyer's own limit that follows. Pure.

`outcome_findings` is all a page or a command needs; words are in `outcome_words`. Nothing here writes settings: a limit is
proposed, with its interval and its evidence, and the dyer decides.

The relation is to the state as vatwatch showed it, with its own doubt inside: a limit is set on the same scale. It is a
relation seen, not a cause proved; pieces are taken as independent, though those of one day share one vat.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from statistics import fmean

from vatwatch.records import JournalEntry, VatCard
from vatwatch.season.ordinal import OrdinalFit, expit, fit_ordinal, weighted_quantiles
from vatwatch.season.outcome_factors import REDUCTION, Factor, Scale, scales_of, setting_value, shown
from vatwatch.season.outcome_records import ChancePoint, Effect, PiecePoint, Proposal, Question, RubbingFinding
from vatwatch.season.piece_states import PieceState, ScansOf, grade_value, judged_pieces
from vatwatch.season.shade import ShadeFinding, shade_finding

LEAST_PIECES = 30
LEAST_OF_EACH = 8
PIECES_PER_FACTOR = 6
"""Of the rarer outcome, for each number in the fit: 5 to 9 suffice for intervals that cover what they say (Vittinghoff &
McCulloch 2007, Am. J. Epidemiol. 165, 710-718, doi 10.1093/aje/kwk052)."""
SURE_OF_DIRECTION = 0.975
LEAST_EFFECTIVE = 200.0
MOST_GROUPS_A_SIDE, LEAST_IN_GROUP = 2, 4
CURVE_POINTS = 25
INTERVAL = (0.05, 0.5, 0.95)
"""A 90 % interval and its middle."""


@dataclass(frozen=True, slots=True)
class OutcomeFindings:
    """Everything the outcomes of a span say, vat by vat in the order given; rubbing first wet, then dry."""

    from_ms: int
    to_ms: int
    rubbing: tuple[RubbingFinding, ...]
    shade: tuple[ShadeFinding, ...]


def outcome_findings(
    journal: Iterable[JournalEntry],
    scans_of: ScansOf,
    cards: Sequence[VatCard],
    from_ms: int,
    to_ms: int,
    question: Question | None = None,
) -> OutcomeFindings:
    """What pieces judged in [from_ms, to_ms) say of each vat of `cards`.

    `journal` are all entries up to `to_ms` (a piece may have been dipped before the span); `scans_of` is the store
    reader's `scans`. With an open reader: `outcome_findings(r.journal(None, 0, to_ms), r.scans, r.cards(), from_ms, to_ms)`.
    Never raises for too few pieces: each finding says "not enough" in its `refusal`.
    """
    asked = question or Question()
    judged = judged_pieces(journal, scans_of, from_ms, to_ms)
    rubbing: list[RubbingFinding] = []
    shade: list[ShadeFinding] = []
    for card in cards:
        pieces = [piece for piece in judged.pieces if piece.vat == card.vat]
        left_out = tuple((why, count) for vat, why, count in judged.left_out if vat == card.vat)
        if not pieces and not left_out:
            continue
        for way in ("wet", "dry"):
            rubbing.append(rubbing_finding(pieces, card, way, asked, left_out))
        shade.extend(shade_finding(pieces, card.vat))
    return OutcomeFindings(from_ms, to_ms, tuple(rubbing), tuple(shade))


def rubbing_finding(
    pieces: Sequence[PieceState],
    card: VatCard,
    way: str,
    question: Question,
    left_out: tuple[tuple[str, int], ...] = (),
) -> RubbingFinding:
    """What one vat's pieces say of rubbing `way` ("dry" or "wet")."""
    least = question.least_wet if way == "wet" else question.least_dry
    bound = grade_value(least) or 0.0
    graded = [(piece, grade) for piece in pieces if (grade := _grade(piece, way)) is not None]
    bad = [grade < bound for _, grade in graded]
    used = [piece for piece, _ in graded]
    refusal = refused(used, sum(bad))
    finding = RubbingFinding(
        vat=card.vat,
        rubbing=way,
        least_grade=least,
        chance=question.chance,
        pieces=len(used),
        rubbed_off=sum(bad),
        refusal=refusal,
        points=tuple(
            PiecePoint(piece.name, piece.judged_ms, piece.margin_mv, grade, grade < bound) for piece, grade in graded
        ),
        left_out=left_out,
    )
    if refusal:
        return finding
    rarer = min(sum(bad), len(bad) - sum(bad))
    scales, left = scales_of(used, max(1, rarer // PIECES_PER_FACTOR))
    categories, count, asked = _groups([grade for _, grade in graded], bound)
    rows = [[scale.z(scale.factor.of(piece)) for scale in scales] for piece in used]
    fit = fit_ordinal(rows, categories, count, asked)
    if fit.effective < LEAST_EFFECTIVE:
        return replace(
            finding, refusal="The pieces contradict each other too much for an interval that can be trusted."
        )
    return replace(
        finding,
        effects=tuple(_effect(fit, place, scale) for place, scale in enumerate(scales)),
        proposals=tuple(
            proposal
            for place, scale in enumerate(scales)
            if (proposal := _proposal(fit, asked, place, scale, used, bad, card, question.chance)) is not None
        ),
        curve=_curve(fit, asked, scales, used),
        not_told=tuple(factor.label for factor in left),
    )


def refused(pieces: Sequence[PieceState], bad: int) -> str:
    """Why nothing can be said yet, or nothing."""
    good = len(pieces) - bad
    if len(pieces) < LEAST_PIECES:
        return f"Not enough pieces yet: {len(pieces)} judged with the vat's state known, at least {LEAST_PIECES} are needed."
    if min(bad, good) < LEAST_OF_EACH:
        which = f"{bad} rubbed off" if bad <= good else f"only {good} did not rub off"
        return (
            f"Not enough pieces yet: {which}, and at least {LEAST_OF_EACH} of each kind are needed to tell what they "
            "had in common."
        )
    margins = [piece.margin_mv for piece in pieces]
    spread = (fmean([margin**2 for margin in margins]) - fmean(margins) ** 2) ** 0.5
    if spread < REDUCTION.least_spread:
        return (
            f"The vat was nearly the same for every piece (reduction margin within {spread:.0f} mV, 1 standard deviation; "
            f"at least {REDUCTION.least_spread:g} mV are needed): its state cannot be what made the difference."
        )
    return ""


def _grade(piece: PieceState, way: str) -> float | None:
    return piece.rubbing_wet if way == "wet" else piece.rubbing_dry


def _groups(grades: Sequence[float], bound: float) -> tuple[list[int], int, int]:
    """Each piece's group, how many there are, and the cut between rubbed off and not. Rare grades are pooled."""
    bad = _edges([grade for grade in grades if grade < bound])
    good = _edges([grade for grade in grades if grade >= bound])
    edges = [*bad, bound, *good]
    return [sum(grade >= edge for edge in edges) for grade in grades], len(edges) + 1, len(bad)


def _edges(grades: Sequence[float]) -> list[float]:
    """Where one side of the bound is split once more: as evenly as it goes, if both parts are large enough."""
    best: tuple[int, float] | None = None
    for edge in sorted(set(grades))[1:]:
        smaller = min(sum(grade < edge for grade in grades), sum(grade >= edge for grade in grades))
        if smaller >= LEAST_IN_GROUP and (best is None or smaller > best[0]):
            best = (smaller, edge)
    return [] if best is None else [best[1]]


def _effect(fit: OrdinalFit, place: int, scale: Scale) -> Effect:
    slopes = [slopes[place] for slopes in fit.slopes]
    low, middle, high = weighted_quantiles(slopes, fit.weights, INTERVAL)
    positive = math.fsum(weight for slope, weight in zip(slopes, fit.weights, strict=True) if slope > 0)
    step = scale.step_z
    return Effect(
        factor=scale.factor.name,
        label=scale.factor.label,
        step_words=scale.factor.step_words,
        # A positive slope means better grades, so lower odds of rubbing off.
        odds_ratio=math.exp(-middle * step),
        low=math.exp(-high * step),
        high=math.exp(-low * step),
        direction=max(positive, 1.0 - positive),
    )


def limit_interval(fit: OrdinalFit, asked: int, place: int, scale: Scale, chance: float) -> tuple[float, float, float]:
    """(5 %, middle, 95 %) of the state at which the chance of rubbing off is `chance`, the others at their means.

    A draw whose slope points the other way has no such state: it counts as infinitely far on the side on which the chance
    is passed, or is not, everywhere.
    """
    sign = 1.0 if fit.mode_slopes[place] > 0 else -1.0
    odds = math.log(chance / (1.0 - chance))
    limits = []
    for cuts, slopes in zip(fit.cuts, fit.slopes, strict=True):
        slope, over = slopes[place], cuts[asked] - odds
        if slope * sign <= 1e-9:
            limits.append(math.copysign(math.inf, sign * over))
        else:
            limits.append(scale.value(over / slope))
    low, middle, high = weighted_quantiles(limits, fit.weights, INTERVAL)
    return low, middle, high


def _proposal(
    fit: OrdinalFit,
    asked: int,
    place: int,
    scale: Scale,
    pieces: Sequence[PieceState],
    bad: Sequence[bool],
    card: VatCard,
    chance: float,
) -> Proposal | None:
    factor = scale.factor
    side = "low" if fit.mode_slopes[place] > 0 else "high"
    key = factor.low_key if side == "low" else factor.high_key
    if not key or _effect(fit, place, scale).direction < SURE_OF_DIRECTION:
        return None
    low, middle, high = limit_interval(fit, asked, place, scale, chance)
    states = [factor.of(piece) for piece in pieces]
    if not (min(states) < middle < max(states) and math.isfinite(low) and math.isfinite(high)):
        return None  # outside all that was ever dyed in: the line would only be drawn on
    beyond = [state < middle if side == "low" else state > middle for state in states]
    usual_c = fmean([piece.temperature_c for piece in pieces])
    value = setting_value(factor, middle, usual_c)
    why = ""
    if factor is REDUCTION and value in (0.5, 0.99):
        key, why = "", "beyond what a share can say: the setting goes from 0.5 to 0.99"
    return Proposal(
        factor=factor.name,
        label=factor.label,
        unit=factor.unit,
        side=side,
        state=shown(factor, middle),
        state_low=shown(factor, low),
        state_high=shown(factor, high),
        table=f"vat.{card.vat}.window",
        key=key,
        value=value,
        low=setting_value(factor, low, usual_c),
        high=setting_value(factor, high, usual_c),
        now=_now(card, factor, side),
        beyond=sum(beyond),
        beyond_bad=sum(b and out for b, out in zip(bad, beyond, strict=True)),
        within=len(beyond) - sum(beyond),
        within_bad=sum(b and not out for b, out in zip(bad, beyond, strict=True)),
        why=why,
    )


def _now(card: VatCard, factor: Factor, side: str) -> float | None:
    known = {
        "reduction_low": card.reduction_low,
        "settle_min": card.settle_minutes,
        "ph_low": card.ph_low,
        "ph_high": card.ph_high,
        "temperature_low_c": card.temperature_low_c,
        "temperature_high_c": card.temperature_high_c,
    }
    return known.get(factor.low_key if side == "low" else factor.high_key)


def _curve(
    fit: OrdinalFit, asked: int, scales: Sequence[Scale], pieces: Sequence[PieceState]
) -> tuple[ChancePoint, ...]:
    place = next((place for place, scale in enumerate(scales) if scale.factor is REDUCTION), None)
    if place is None:
        return ()
    states = [piece.margin_mv for piece in pieces]
    width = (max(states) - min(states)) / (CURVE_POINTS - 1)
    found = []
    for index in range(CURVE_POINTS):
        state = min(states) + index * width
        z = scales[place].z(state)
        chances = [expit(cuts[asked] - slopes[place] * z) for cuts, slopes in zip(fit.cuts, fit.slopes, strict=True)]
        low, middle, high = weighted_quantiles(chances, fit.weights, INTERVAL)
        found.append(ChancePoint(state, middle, low, high))
    return tuple(found)
