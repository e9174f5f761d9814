"""Commands on the season behind."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from vatwatch.commands.application import DEFAULT_CONFIG, ConfigOption, app, err, out, utc
from vatwatch.errors import VatwatchError

END_MS = 253_402_300_800_000
"""The year 10000: later than any record."""


@app.command()
def review(
    config: ConfigOption = DEFAULT_CONFIG,
    to: Annotated[Path, typer.Option("--to", help="the HTML file to write")] = Path("vatwatch-review.html"),
    days: Annotated[float | None, typer.Option(min=0.01, help="only the last so many days")] = None,
    store: Annotated[
        Path | None, typer.Option(help="another store than the settings', such as an imported season")
    ] = None,
) -> None:
    """The record as one HTML file that needs nothing else: curves, alarms, journal."""
    from vatwatch.config import load_config
    from vatwatch.daemon import STORE_NAME
    from vatwatch.season.review import write_review
    from vatwatch.store.reading import StoreReader

    settings = load_config(config)
    with StoreReader(store or settings.site.data / STORE_NAME) as reader:
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
    form: Annotated[
        str, typer.Option("--as", help="csv, line-protocol (InfluxDB's, times in ms) or parquet (needs pyarrow)")
    ] = "csv",
    config: ConfigOption = DEFAULT_CONFIG,
) -> None:
    """The record as files, a table each, for a spreadsheet or a notebook; columns.md says what stands in them."""
    from rich.progress import Progress

    from vatwatch.config import load_config
    from vatwatch.daemon import STORE_NAME
    from vatwatch.season.export_forms import FORMS
    from vatwatch.season.exporting import export_files
    from vatwatch.store.reading import StoreReader

    if form not in FORMS:
        raise VatwatchError(f'--as: given "{form}", expected one of: {", ".join(FORMS)}')
    settings = load_config(config)
    with StoreReader(settings.site.data / STORE_NAME) as reader, Progress(console=err, transient=True) as progress:
        span = reader.span()
        if span is None:
            raise VatwatchError("the record is still empty: there is nothing to export yet")
        first, last = span
        # What people wrote before the first scan, or between the last one and now, belongs to the whole of it.
        from_ms, to_ms = (0, END_MS) if days is None else (max(first, int(last - days * 86_400_000)), END_MS)
        bar = progress.add_task("exporting", total=max(1, last - max(first, from_ms)))
        reached = max(first, from_ms)
        made = export_files(
            reader, to, from_ms, to_ms, lambda slot_ms: progress.update(bar, completed=slot_ms - reached), FORMS[form]
        )
    size = sum(path.stat().st_size for path in made)
    out.print(f"written: {len(made)} files, {size / 1e6:.1f} MB, into {to}", markup=False, soft_wrap=True)


@app.command("import")
def import_(
    source: Annotated[Path, typer.Argument(help="directory with the CSV files that `export` wrote")],
    into: Annotated[Path, typer.Option("--into", help="the store to make; it must not be there yet")],
) -> None:
    """A season's CSV files made into a store of their own, to be looked at with `review --store`."""
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    from vatwatch.season.importing import import_csv

    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=err, transient=True) as progress:
        bar = progress.add_task("importing", total=None)
        count = import_csv(source, into, lambda slot_ms: progress.update(bar, description=f"importing, {utc(slot_ms)}"))
    out.print(f"written: {into}, {count} scans", markup=False, soft_wrap=True)
