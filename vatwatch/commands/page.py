"""Commands for the page: who may open it, and where it is."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from vatwatch.commands.application import DEFAULT_CONFIG, ConfigOption, app, out
from vatwatch.errors import ConfigError


@app.command()
def passphrase(
    to: Annotated[Path, typer.Option("--to", help="the file to write")] = Path("vatwatch-passphrase"),
) -> None:
    """Ask for a passphrase and write its hash, for a page that phones on the network may open."""
    from vatwatch.page.passphrase import hash_passphrase, write_passphrase

    given = typer.prompt("Passphrase (8 characters or more)", hide_input=True, confirmation_prompt="Once more")
    write_passphrase(to, hash_passphrase(given))
    out.print(
        f'written: {to}. In the settings file: [page] host = "0.0.0.0" and passphrase_file = "{to.resolve()}"',
        markup=False,
        soft_wrap=True,
    )


@app.command()
def address(config: ConfigOption = DEFAULT_CONFIG) -> None:
    """Where the page is, as a link and as a QR code to open it on a phone."""
    from vatwatch.config import load_config
    from vatwatch.page.address import is_loopback, page_url, qr_text

    page = load_config(config).page
    if not page.enabled:
        raise ConfigError(f"{config}, table [page]: enabled is false, so there is no page to open")
    url = page.address or page_url(page.host, page.port)
    out.print(url, markup=False, soft_wrap=True)
    if page.address is None and is_loopback(page.host):
        out.print(
            "Only this computer can open it. For phones: `vatwatch passphrase`, then [page] host and passphrase_file.",
            markup=False,
            soft_wrap=True,
        )
        return
    out.out(qr_text(url), highlight=False)
