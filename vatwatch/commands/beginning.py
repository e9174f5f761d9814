"""The command that writes the first settings file."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from vatwatch.commands.application import DEFAULT_CONFIG, ConfigOption, app, out
from vatwatch.errors import ConfigError


@app.command()
def setup(
    device: Annotated[list[str] | None, typer.Option(help="look at this port only; may be given again")] = None,
    listen_s: Annotated[float, typer.Option("--listen", min=0.5, max=600, help="seconds to listen on each port")] = 6,
    config: ConfigOption = DEFAULT_CONFIG,
) -> None:
    """Ask for shed, vats and probes, and write the first settings file. Nothing is overwritten."""
    from vatwatch.asking import Asker
    from vatwatch.interview import Interview

    if not sys.stdin.isatty():
        raise ConfigError(
            "`vatwatch setup` asks questions and needs a terminal to ask at; without one, copy and change "
            "systemd/vatwatch.example.toml"
        )
    asker = Asker(out)
    for line in Interview(asker, config, device or (), listen_s).hold():
        asker.say(line)
