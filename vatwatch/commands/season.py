"""Commands on the season behind."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer

from vatwatch.chemistry.electrodes import ReferenceElectrode
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
    source: Annotated[
        Path, typer.Argument(help="directory with the CSV files that `export` wrote; or a CSV file of readings by hand")
    ],
    into: Annotated[Path, typer.Option("--into", help="the store to make; it must not be there yet")],
    vat: Annotated[
        str, typer.Option(help="of readings by hand: the vat of the settings whose limits they are held to")
    ] = "",
    column: Annotated[
        list[str] | None,
        typer.Option(
            help='of readings by hand: which heading holds what, such as time=Date+Time, ph="pH value", orp=mV, '
            "temperature=°C, look=Liquor, note=Remarks"
        ),
    ] = None,
    time_form: Annotated[
        str | None, typer.Option("--time-form", help="of readings by hand: such as %d.%m.%Y %H:%M; else ISO 8601")
    ] = None,
    reference: Annotated[
        ReferenceElectrode | None,
        typer.Option(help="of readings by hand: the redox meter's electrode, where the vat's own probe has another"),
    ] = None,
    config: ConfigOption = DEFAULT_CONFIG,
) -> None:
    """A season's CSV files, or a table of readings by hand, made into a store to be looked at with `review --store`."""
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    from vatwatch.season.importing import import_csv

    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=err, transient=True) as progress:
        bar = progress.add_task("importing", total=None)

        def told(slot_ms: int) -> None:
            progress.update(bar, description=f"importing, {utc(slot_ms)}")

        if source.is_file():
            _import_hand(source, into, vat, column or [], time_form, reference, config, told)
            return
        count = import_csv(source, into, told)
    out.print(f"written: {into}, {count} scans", markup=False, soft_wrap=True)


def _import_hand(
    source: Path,
    into: Path,
    vat: str,
    pairs: list[str],
    time_form: str | None,
    reference: ReferenceElectrode | None,
    config: Path,
    told: Callable[[int], None],
) -> None:
    from zoneinfo import ZoneInfo

    from vatwatch.assembly import judgement_text, vat_settings
    from vatwatch.config import load_config
    from vatwatch.season.hand_readings import columns_of, hand_readings, hand_settings, import_hand, usual_step_days

    loaded = load_config(config)
    vats = vat_settings(loaded)
    if vat not in vats:
        raise VatwatchError(f'--vat: given "{vat}", expected one of the vats in {config}: {", ".join(vats)}')
    settings = hand_settings(vats[vat], reference)
    wanted = columns_of(pairs)
    readings = hand_readings(source, wanted, ZoneInfo(loaded.site.timezone), time_form)
    count = import_hand(readings, into, settings, judgement_text(loaded), told)
    out.print(f"written: {into}, {count} readings of {vat}", markup=False, soft_wrap=True)
    out.print(
        f"Half of them came within {usual_step_days(readings):.1f} days of the one before: the review takes each to speak "
        "for about as long.",
        markup=False,
    )
    if "orp" in wanted and not any(probe.reference for probe in settings.probes):
        out.print(
            "The ORP column was left out: nothing says which reference electrode the meter has. Give --reference.",
            markup=False,
        )
