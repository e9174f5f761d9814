"""Commands on the season behind."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from vatwatch.commands.application import DEFAULT_CONFIG, ConfigOption, app, err, out
from vatwatch.errors import VatwatchError

END_MS = 253_402_300_800_000
"""The year 10000: later than any record."""


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


@app.command()
def export(
    to: Annotated[Path, typer.Argument(help="directory for the files; those of the same name there are replaced")],
    days: Annotated[float | None, typer.Option(min=0.01, help="only the last so many days")] = None,
    config: ConfigOption = DEFAULT_CONFIG,
) -> None:
    """The record as CSV files, a table each, for a spreadsheet or a notebook; columns.md says what stands in them."""
    from rich.progress import Progress

    from vatwatch.config import load_config
    from vatwatch.daemon import STORE_NAME
    from vatwatch.season.exporting import export_csv
    from vatwatch.store.reading import StoreReader

    settings = load_config(config)
    with StoreReader(settings.site.data / STORE_NAME) as reader, Progress(console=err, transient=True) as progress:
        span = reader.span()
        if span is None:
            raise VatwatchError("the record is still empty: there is nothing to export yet")
        first, last = span
        # What people wrote before the first scan, or between the last one and now, belongs to the whole of it.
        from_ms, to_ms = (0, END_MS) if days is None else (max(first, int(last - days * 86_400_000)), END_MS)
        bar = progress.add_task("exporting", total=max(1, last - max(first, from_ms)))
        made = export_csv(
            reader, to, from_ms, to_ms, lambda slot_ms: progress.update(bar, completed=slot_ms - max(first, from_ms))
        )
    size = sum(path.stat().st_size for path in made)
    out.print(f"written: {len(made)} files, {size / 1e6:.1f} MB, into {to}", markup=False, soft_wrap=True)
