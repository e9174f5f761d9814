"""What the outcomes say, in words and as settings lines to paste. Pure; computes no figure and knows no HTML."""

from __future__ import annotations

import math

from vatwatch.season.outcome_records import Effect, Proposal, RubbingFinding
from vatwatch.season.shade import ShadeEffect, ShadeFinding

HOW_IT_IS_MEANT = (
    "A relation seen, not a cause proved. The pieces count as independent of each other, the state is what vatwatch showed "
    "during the dips, and each limit holds with the rest as it usually was."
)


def rubbing_words(finding: RubbingFinding, name: str) -> list[str]:
    """The finding as sentences, the most important first. `name` is the vat's."""
    pieces = "1 piece" if finding.pieces == 1 else f"{finding.pieces} pieces"
    below = f"{finding.rubbed_off} rubbed off (below grade {finding.least_grade})"
    said = [f"{name}, {finding.rubbing} rubbing: {pieces} judged, {below}."]
    if finding.refusal:
        said.append(finding.refusal)
    else:
        said += [proposal_words(proposal, finding.chance) for proposal in finding.proposals]
        if not any(proposal.factor == "reduction" for proposal in finding.proposals):
            said.append(_no_limit(finding))
        said += [effect_words(effect) for effect in finding.effects]
        if finding.not_told:
            said.append(
                f"Nothing is said of {_listed(finding.not_told)}: hardly any difference there, or too few pieces for it."
            )
    said += [f"Left out: {count} × {why}." for why, count in finding.left_out]
    return said


def proposal_words(proposal: Proposal, chance: float) -> str:
    """One proposed limit with its interval and what it rests on."""
    way = "below" if proposal.side == "low" else "above"
    value, low, high = (_value(proposal, one) for one in (proposal.value, proposal.low, proposal.high))
    limit = f"{value} (90 % interval {low} to {high})"
    now = "" if proposal.now is None else f" The limit now is {_value(proposal, proposal.now)}."
    margin = ""
    if proposal.factor == "reduction":
        margin = (
            f", which is {_number(proposal.state)} mV of margin "
            f"({_number(proposal.state_low)} to {_number(proposal.state_high)})"
        )
    counts = (
        f" Of {proposal.beyond} pieces dipped {way} it {proposal.beyond_bad} rubbed off, "
        f"of {proposal.within} others {proposal.within_bad}."
    )
    remark = f" It cannot be set: {proposal.why}." if proposal.why else ""
    return (
        (
            f"The chance that a piece rubs off passes {chance:.0%} when the {proposal.label} is {way} "
            f"{limit}{margin}.{counts}{now}{remark}"
        )
        .replace("%", " %")
        .replace("  %", " %")
    )


def settings_lines(proposal: Proposal) -> list[str]:
    """The lines to paste into the settings file, if the dyer takes the proposed limit; empty when it cannot be set.

    One proposal at a time: each holds with the rest as it usually was, so that two together ask for more than was asked.
    """
    return [f"[{proposal.table}]", f"{proposal.key} = {_toml(proposal)}"] if proposal.key else []


def effect_words(effect: Effect) -> str:
    """One effect with its interval, and whether its direction is certain."""
    if effect.low <= 1.0 <= effect.high:
        return (
            f"{effect.step_words[:1].upper()}{effect.step_words[1:]} ({effect.label}): no clear effect "
            f"(odds of rubbing off × {effect.odds_ratio:.2f}, 90 % interval {effect.low:.2f} to {effect.high:.2f})."
        )
    return (
        f"{effect.step_words[:1].upper()}{effect.step_words[1:]} ({effect.label}): odds of rubbing off "
        f"× {effect.odds_ratio:.2f} (90 % interval {effect.low:.2f} to {effect.high:.2f})."
    )


def shade_words(finding: ShadeFinding, name: str) -> list[str]:
    """What the measured shades say, as sentences."""
    said = [f"{name}, {finding.measure}: {finding.pieces} measured pieces."]
    if finding.refusal:
        return [*said, finding.refusal]
    if finding.explained is not None:
        said.append(f"The vat's state and the time in the liquor explain {finding.explained:.0%} of what differs.")
    said += [_shade_effect(effect, finding.measure) for effect in finding.effects]
    return [one.replace("%", " %").replace("  %", " %") for one in said]


def _shade_effect(effect: ShadeEffect, measure: str) -> str:
    clear = "" if not effect.low <= 0.0 <= effect.high else "no clear effect, "
    return (
        f"{effect.step_words[:1].upper()}{effect.step_words[1:]} ({effect.label}): {clear}{measure} "
        f"{_signed(effect.change)} (90% interval {_signed(effect.low)} to {_signed(effect.high)})."
    )


def _no_limit(finding: RubbingFinding) -> str:
    reduction = next((effect for effect in finding.effects if effect.factor == "reduction"), None)
    if reduction is not None and reduction.direction >= 0.975 and reduction.odds_ratio < 1.0:
        over = [point.chance > finding.chance for point in finding.curve]
        if over and all(over):
            return "No limit is proposed: the chance was higher than asked for at every reduction you dyed at."
        return "No limit is proposed: the pieces do not say where within the reductions you dyed at it would lie."
    return "No limit is proposed for the reduction: the pieces do not show clearly that it made the difference."


def _value(proposal: Proposal, value: float) -> str:
    if proposal.factor == "reduction":
        return f"{100 * value:.0f}%" if value < 0.985 else f"{100 * value:.1f}%"
    unit = f" {proposal.unit}" if proposal.unit else ""
    return f"{_number(value)}{unit}"


def _toml(proposal: Proposal) -> str:
    digits = {"reduction": 3, "ph": 2, "temperature": 1, "rested": 0}[proposal.factor]
    return f"{proposal.value:.{digits}f}"


def _number(value: float) -> str:
    if math.isinf(value):
        return "without end"
    if abs(value) >= 100:
        return f"{value:.0f}".replace("-", "−")
    return f"{value:.3g}".replace("-", "−")


def _signed(value: float) -> str:
    return f"{value:+.2g}".replace("-", "−")


def _listed(names: tuple[str, ...]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
