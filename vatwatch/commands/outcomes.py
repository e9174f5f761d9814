"""The command that says what made pieces rub off, and prints the dyer's own limit as a setting to paste."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from vatwatch.commands.application import DEFAULT_CONFIG, ConfigOption, app, out
from vatwatch.errors import VatwatchError

if TYPE_CHECKING:
    from vatwatch.season.outcome_records import Question

DAY_MS = 86_400_000


@app.command()
def rubbing(
    config: ConfigOption = DEFAULT_CONFIG,
    vat: Annotated[str | None, typer.Option("--vat", help="only this vat")] = None,
    wet: Annotated[
        str, typer.Option("--wet", help="least grade that passes, rubbed wet (grey scale, such as 3 or 3-4)")
    ] = "3",
    dry: Annotated[str, typer.Option("--dry", help="least grade that passes, rubbed dry")] = "4",
    chance: Annotated[
        float, typer.Option("--chance", min=1, max=90, help="how often a piece may rub off, per cent")
    ] = 20.0,
    days: Annotated[float | None, typer.Option(min=0.01, help="only pieces judged in the last so many days")] = None,
) -> None:
    """What made pieces rub off, by your own outcomes; proposes your own limits, and changes nothing by itself."""
    from vatwatch.config import load_config
    from vatwatch.daemon import STORE_NAME
    from vatwatch.season.outcome_words import HOW_IT_IS_MEANT, rubbing_words, settings_lines, shade_words
    from vatwatch.season.outcomes import outcome_findings
    from vatwatch.store.reading import StoreReader

    settings = load_config(config)
    question = _question(wet, dry, chance)
    with StoreReader(settings.site.data / STORE_NAME) as reader:
        span = reader.span()
        if span is None:
            raise VatwatchError("the record is still empty: there are no pieces in it yet")
        cards = [card for card in reader.cards() if vat in (None, card.vat)]
        if not cards:
            raise VatwatchError(f"--vat: there is no vat {vat!r} in the record; known: {', '.join(reader.vats())}")
        # Pieces are judged when they are dry, which may be after the newest scan.
        from_ms, to_ms = 0, 2**62
        if days is not None:
            from_ms = int(span[1] - days * DAY_MS)
        found = outcome_findings(reader.journal(None, 0, to_ms), reader.scans, cards, from_ms, to_ms, question)
    names = {card.vat: card.name for card in cards}
    if not found.rubbing:
        out.print("No piece has been judged yet. Write down how pieces turned out, with a rubbing grade, on the page.")
        return
    for finding in found.rubbing:
        for line in rubbing_words(finding, names[finding.vat]):
            out.print(line, markup=False, soft_wrap=True)
        for proposal in finding.proposals:
            lines = settings_lines(proposal)
            if lines:
                out.print(
                    f"To take this limit, write {lines[1]} into table {lines[0]} of {config}, then run "
                    f"`vatwatch check` and start vatwatch again. What it would have meant: `vatwatch backtest --set "
                    f"{proposal.table}.{lines[1].replace(' ', '')}`",
                    markup=False,
                    soft_wrap=True,
                )
                for line in lines:
                    out.print(f"    {line}", markup=False)
        out.print()
    for shade in found.shade:
        for line in shade_words(shade, names[shade.vat]):
            out.print(line, markup=False, soft_wrap=True)
        out.print()
    out.print(HOW_IT_IS_MEANT, markup=False, soft_wrap=True)


def _question(wet: str, dry: str, chance: float) -> Question:
    from vatwatch.season.outcome_records import Question

    try:
        return Question(least_dry=dry, least_wet=wet, chance=chance / 100.0)
    except ValueError as error:
        raise VatwatchError(f"--wet, --dry or --chance: {error}") from error
