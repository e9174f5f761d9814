"""`vatwatch now --why`: what makes each estimate unsure, what would make it surer, and what the dyer has taught it.

Reads the record only: the state of a vat is its newest snapshot and a replay of the slots after it.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from vatwatch.restoring import restored
from vatwatch.store.reading import StoreReader
from vatwatch.vat.budget import uncertainty_budget
from vatwatch.vat.settings import VatSettings


def explain_all(reader: StoreReader, vats: dict[str, VatSettings]) -> Iterator[str]:
    """Lines for a terminal, vat by vat."""
    for vat, settings in vats.items():
        yield ""
        yield f"{settings.name}: why the estimate is as sure as it is"
        state = restored(reader, vat, settings)
        scan = reader.last_scan(vat)
        terms = () if scan is None else uncertainty_budget(settings, state, scan)
        if scan is None or scan.reduction is None or not terms:
            yield "  There is no estimate at the moment."
        else:
            reduction = scan.reduction
            give_or_take = f"{reduction.margin_mv_sigma:.0f} mV (1 sigma)"
            yield f"  The margin is {reduction.margin_mv:.0f} mV, give or take {give_or_take}:"
            for term in terms:
                yield f"  {term.part:4.0%} {term.sigma_mv:5.1f} mV  {term.name}".replace("%", " %")
            yield f"  What would help most: {terms[0].remedy}."
        if not state.lessons:
            yield "  Nobody has told it yet how this liquor looks."
        for lesson in state.lessons:
            when = datetime.fromtimestamp(lesson.time_ms / 1000, settings.timezone)
            yield (
                f"  {when:%d.%m. %H:%M} {lesson.look}: taught {lesson.bits:.1f} bits, "
                f"± {lesson.sigma_before_mv:.0f} became ± {lesson.sigma_after_mv:.0f} mV"
            )
        yield f"  {settings.recipe.orp_meaning}"
