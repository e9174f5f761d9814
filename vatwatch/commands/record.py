"""Commands on the record as a file: copy it, put a copy back."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from vatwatch.commands.application import DEFAULT_CONFIG, ConfigOption, app, out, utc


@app.command()
def backup(
    to: Annotated[Path, typer.Argument(help="the file to write; nothing may be there yet")],
    config: ConfigOption = DEFAULT_CONFIG,
) -> None:
    """A verified copy of the record in one file, made while the daemon runs or not."""
    from vatwatch.config import load_config
    from vatwatch.daemon import STORE_NAME
    from vatwatch.store.backup import backup as copy_store

    settings = load_config(config)
    made = copy_store(settings.site.data / STORE_NAME, to)
    until = utc(made.newest_slot_ms)
    out.print(f"written and checked: {made.path}, {made.size_bytes / 1e6:.1f} MB, up to {until}", markup=False)


@app.command()
def restore(
    copy: Annotated[Path, typer.Argument(help="a file made by `vatwatch backup`")],
    config: ConfigOption = DEFAULT_CONFIG,
) -> None:
    """Put a backup in the place of the record, which is set aside. The daemon must be stopped."""
    from vatwatch.config import load_config
    from vatwatch.daemon import STORE_NAME
    from vatwatch.store.backup import restore as restore_store

    settings = load_config(config)
    made = restore_store(copy, settings.site.data / STORE_NAME)
    aside = f" The record that was there is now {made.set_aside} ." if made.set_aside else ""
    out.print(f"restored: {made.path}, up to {utc(made.newest_slot_ms)}.{aside}", markup=False, soft_wrap=True)
