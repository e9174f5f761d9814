"""The review's word on outcomes: what rubbing and shade say of each vat, as sentences. Computes nothing of its own."""

from __future__ import annotations

from dataclasses import dataclass

from vatwatch.records import VatCard
from vatwatch.season.figures import ReviewFigures
from vatwatch.season.outcome_words import HOW_IT_IS_MEANT, rubbing_words, settings_lines, shade_words
from vatwatch.season.outcomes import outcome_findings
from vatwatch.store.reading import StoreReader


@dataclass(frozen=True, slots=True)
class OutcomeSection:
    """Sentences by finding, and the settings lines that would bring a proposal into force."""

    meant: str
    findings: tuple[tuple[tuple[str, ...], tuple[str, ...]], ...]


def outcome_section(reader: StoreReader, figures: ReviewFigures) -> OutcomeSection:
    """The findings over the review's span; empty when no piece was judged in it."""
    if not any(piece.outcomes for piece in figures.pieces):
        return OutcomeSection(HOW_IT_IS_MEANT, ())
    cards: list[VatCard] = [vat.card for vat in figures.vats if vat.card is not None]
    names = {vat.vat: vat.name for vat in figures.vats}
    journal = reader.journal(None, 0, figures.to_ms + 1)
    found = outcome_findings(journal, reader.states, cards, figures.from_ms, figures.to_ms + 1)
    findings = [
        (
            tuple(rubbing_words(one, names.get(one.vat, one.vat))),
            tuple(line for proposal in one.proposals for line in settings_lines(proposal)),
        )
        for one in found.rubbing
    ]
    findings += [(tuple(shade_words(one, names.get(one.vat, one.vat))), ()) for one in found.shade]
    return OutcomeSection(HOW_IT_IS_MEANT, tuple(findings))
