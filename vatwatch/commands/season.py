"""Commands on the season behind."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from vatwatch.commands.application import DEFAULT_CONFIG, ConfigOption, app, out
from vatwatch.errors import VatwatchError


@app.command()
def review(
    config: ConfigOption = DEFAULT_CONFIG,
    to: Annotated[Path, typer.Option("--to", help="the HTML file to write")] = Path("vatwatch-review.html"),
    days: Annotated[float | None, typer.Option(min=0.01, help="only the last so many days")] = None,
) -> None:
    """The record as one HTML file that needs nothing else: curves, alarms, journal."""
    from vatwatch.config import load_config
    from vatwatch.daemon import STORE_NAME
    from vatwatch.season.review import write_review
    from vatwatch.store.reading import StoreReader

    settings = load_config(config)
    with StoreReader(settings.site.data / STORE_NAME) as reader:
        span = reader.span()
        if span is None:
            raise VatwatchError("the record is still empty: there is nothing to review yet")
        first, last = span
        if days is not None:
            first = max(first, int(last - days * 86_400_000))
        write_review(reader, to, first, last + 1, settings.site.timezone)
    out.print(f"written: {to} (open it in a browser)", markup=False)
