"""The entry point: gathers the commands and turns this program's own errors into a message and an exit code.

Exit codes: 0 done; 1 it did not work and the message says why; 2 the command line or the settings file has a mistake.
"""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from vatwatch import __version__
from vatwatch.commands import alarms, backtest, beginning, journal, outcomes, page, probes, record, season, watching
from vatwatch.commands.application import app as app
from vatwatch.commands.application import err, out
from vatwatch.errors import ConfigError, VatwatchError

GATHERED = (watching, beginning, probes, journal, alarms, season, outcomes, backtest, record, page)
"""Importing them hangs their commands on the application; each imports the room that does the work when it is called."""


def main() -> None:
    """Entry point: runs a command and turns this program's own errors into a message and an exit code."""
    try:
        app(prog_name="vatwatch")
    except ConfigError as error:
        err.print(str(error), style="bold", markup=False, soft_wrap=True)
        sys.exit(2)
    except VatwatchError as error:
        err.print(str(error), style="bold", markup=False, soft_wrap=True)
        sys.exit(1)


def _version(wanted: bool) -> None:
    if wanted:
        from vatwatch.store.schema import NEWEST

        out.print(f"vatwatch {__version__}, store layout {NEWEST}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool,
        typer.Option(
            "--version", callback=_version, is_eager=True, help="say the version and the store layout it writes"
        ),
    ] = False,
) -> None:
    del version


if __name__ == "__main__":
    main()
