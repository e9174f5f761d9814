"""The season in a minute: which vat was best and why, what cost most, in plain words. Pure; computes from figures alone."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import fmean

from vatwatch.season import words
from vatwatch.season.feeding import Use
from vatwatch.season.figures import ReviewFigures, VatFigures
from vatwatch.season.hours import HOUR_MS, TimeShares

_LEAST_DIFFERENCE_MS = HOUR_MS


def dyeable_share(times: TimeShares) -> float:
    """Part of the span in which the vat was dyeable, 0 to 1."""
    return times.dyeable_ms / times.span_ms if times.span_ms else 0.0


def best_of(vats: Sequence[VatFigures]) -> VatFigures | None:
    """The vat that was dyeable longest; of equals the one in which more was dyed."""
    recorded = [vat for vat in vats if vat.scans]
    return max(recorded, key=lambda vat: (vat.times.dyeable_ms, vat.dyeing.pieces), default=None)


def summary_of(figures: ReviewFigures) -> list[str]:
    """Sentences, the most important first."""
    best = best_of(figures.vats)
    if best is None:
        return ["Nothing was recorded in this span."]
    others = [vat for vat in figures.vats if vat.scans and vat is not best]
    said = [_best(best, others), *_cost(best)]
    if others:
        worst = min(others, key=lambda vat: (vat.times.dyeable_ms, vat.dyeing.pieces))
        said.append(_worst(worst))
    said += _whole_shed(figures)
    return said


def _best(best: VatFigures, others: Sequence[VatFigures]) -> str:
    much = f"dyeable for {words.whole_hours(best.times.dyeable_ms)} of {words.whole_hours(best.times.span_ms)}"
    text = f"{best.name} was the best vat: {much} ({dyeable_share(best.times):.0%}).".replace("%", " %")
    if not others:
        return text.replace(" was the best vat:", " was")
    mean = fmean(vat.times.dyeable_ms for vat in others)
    rest = "The others had {} on average." if len(others) > 1 else "The other had {}."
    text += " " + rest.format(words.whole_hours(round(mean)))
    reason = _reason(best, others)
    return f"{text} {reason}" if reason else text


def _reason(best: VatFigures, others: Sequence[VatFigures]) -> str:
    """What the best vat lost least to, beside the others: the largest difference in hours."""
    mine = _losses(best)
    theirs = [_losses(vat) for vat in others]
    names = {name for losses in theirs for name in losses}
    saved = {name: fmean(losses.get(name, 0) for losses in theirs) - mine.get(name, 0) for name in names}
    if not saved:
        return ""
    name = min(saved, key=lambda one: (-saved[one], one))
    if saved[name] < _LEAST_DIFFERENCE_MS:
        return ""
    return (
        f"Why: it lost only {words.whole_hours(mine.get(name, 0))} to being {words.loss(name)}, "
        f"{'the others' if len(others) > 1 else 'the other'} "
        f"{words.whole_hours(round(fmean(losses.get(name, 0) for losses in theirs)))}{' on average' * (len(others) > 1)}."
    )


def _cost(vat: VatFigures) -> list[str]:
    losses = sorted(_losses(vat).items(), key=lambda pair: (-pair[1], pair[0]))
    if not losses:
        return []
    text = f"What cost it most: being {words.loss(losses[0][0])}, {words.whole_hours(losses[0][1])}"
    if len(losses) > 1:
        text += f"; then being {words.loss(losses[1][0])}, {words.whole_hours(losses[1][1])}"
    return [text + "."]


def _worst(worst: VatFigures) -> str:
    losses = sorted(_losses(worst).items(), key=lambda pair: (-pair[1], pair[0]))
    text = f"{worst.name} was dyeable least: {words.whole_hours(worst.times.dyeable_ms)}"
    text += f" ({dyeable_share(worst.times):.0%}).".replace("%", " %")
    if losses:
        text += f" It lost most to being {words.loss(losses[0][0])}: {words.whole_hours(losses[0][1])}."
    return text


def _whole_shed(figures: ReviewFigures) -> list[str]:
    said = []
    pieces = sum(vat.dyeing.pieces for vat in figures.vats)
    grams = sum(vat.dyeing.dyed_g for vat in figures.vats)
    if pieces:
        judged = sum(vat.dyeing.judged for vat in figures.vats)
        weight = f", {grams / 1000:.1f} kg of those weighed" if grams else ""
        said.append(f"Dyed: {pieces} pieces{weight}; {judged} of them were judged.")
        thrifty = [
            (per_kg, vat.name)
            for vat in figures.vats
            if (per_kg := vat.use[-1].per_kg(Use.REDUCTANT)) is not None and per_kg > 0
        ]
        if len(thrifty) > 1:
            (least, frugal), (most, hungry) = min(thrifty), max(thrifty)
            said.append(
                f"{frugal} took the least reductant for a kilogram dyed, {least:.0f} g; {hungry} the most, {most:.0f} g."
            )
    alarms = figures.alarms
    if alarms.raised:
        said.append(
            f"Alarms: {alarms.raised} in all, {alarms.per_day:.1f} a day; {alarms.needless} of the {alarms.ended} that ended "
            "went by themselves, with nothing done."
        )
    return said


def _losses(vat: VatFigures) -> dict[str, int]:
    losses = dict(vat.hours.cost_ms)
    if vat.times.not_recorded_ms > 0:
        losses["not-recorded"] = vat.times.not_recorded_ms
    return losses
