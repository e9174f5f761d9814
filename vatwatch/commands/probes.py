"""Commands at the probes: find them, calibrate them."""

from __future__ import annotations

from typing import Annotated
from zoneinfo import ZoneInfo

import typer

from vatwatch.commands.application import DEFAULT_CONFIG, ConfigOption, app, err, out, user


@app.command()
def ports(
    device: Annotated[list[str] | None, typer.Option(help="look at this port only; may be given again")] = None,
    vat: Annotated[list[str] | None, typer.Option(help="a vat to write into the tables; may be given again")] = None,
    listen_s: Annotated[float, typer.Option("--listen", min=0.5, max=600, help="seconds to listen before asking")] = 6,
    ask: Annotated[bool, typer.Option("--ask", help="also try common text questions")] = False,
    config: ConfigOption = DEFAULT_CONFIG,
) -> None:
    """Find what hangs on the serial adapters, show what it says, and write its tables for the settings file."""
    from vatwatch.commissioning import look_at_ports

    def tell(line: str) -> None:
        err.print(line, markup=False, soft_wrap=True)

    for tables in look_at_ports(device or (), vat or (), config, listen_s, ask, tell):
        out.print(tables, markup=False, soft_wrap=True)


@app.command()
def calibrate(
    probe: Annotated[str, typer.Argument(help="the probe's short name")],
    hold_s: Annotated[float, typer.Option("--hold", min=2, max=600, help="how long a reading must stand, s")] = 30,
    within_s: Annotated[float, typer.Option("--within", min=5, max=3600, help="how long it is waited for, s")] = 300,
    history: Annotated[bool, typer.Option("--history", help="only list the calibrations made so far")] = False,
    config: ConfigOption = DEFAULT_CONFIG,
) -> None:
    """Take a probe through buffers or a check solution, step by step, whether or not the daemon runs."""
    from vatwatch.calibrating import Bench
    from vatwatch.calibration_dialogue import Dialogue, Patience, history_lines
    from vatwatch.config import load_config
    from vatwatch.daemon import INBOX_NAME, STORE_NAME

    settings = load_config(config)
    data, zone = settings.site.data, ZoneInfo(settings.site.timezone)
    bench = Bench(settings, str(config), probe, data / STORE_NAME, data / INBOX_NAME, user())
    if history:
        for line in history_lines(bench.history(probe), zone):
            out.print(line, markup=False, soft_wrap=True)
        return
    if not Dialogue(out, bench, zone, Patience(hold_s, within_s)).hold().accepted:
        raise typer.Exit(1)
