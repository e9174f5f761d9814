"""Commands of the watch itself: rehearse it, run it, look over it, ask how the vats are."""

from __future__ import annotations

import logging
import sys
import time
from pathlib import Path
from typing import Annotated
from zoneinfo import ZoneInfo

import typer

from vatwatch.commands.application import DEFAULT_CONFIG, ConfigOption, app, err, out
from vatwatch.errors import VatwatchError


@app.command()
def demo(
    speed: Annotated[float, typer.Option(min=1, max=5000, help="how many times faster than real time")] = 480,
    hours: Annotated[float, typer.Option(min=0.1, max=12, help="how much of the night to run")] = 12,
    headless: Annotated[bool, typer.Option("--headless", help="print lines instead of a live screen")] = False,
    into: Annotated[Path, typer.Option(help="directory for what the demo records")] = Path("vatwatch-demo"),
) -> None:
    """A rehearsed night with two simulated vats: the whole program, faster than real time, needing nothing else."""
    from vatwatch.demo import run_demo

    run_demo(out, speed, hours, headless, into)


@app.command()
def run(config: ConfigOption = DEFAULT_CONFIG) -> None:
    """Watch the vats of the settings file until stopped."""
    from vatwatch.config import load_config
    from vatwatch.daemon import Daemon
    from vatwatch.page.address import qr_text
    from vatwatch.secret_files import secrets_shown

    logging.basicConfig(level=logging.INFO, format="%(levelname)s %(name)s: %(message)s", stream=sys.stderr)
    for chatty in ("uvicorn", "apprise", "httpx"):
        logging.getLogger(chatty).setLevel(logging.WARNING)
    settings = load_config(config)
    for warning in (*settings.warnings(), *secrets_shown(settings, str(config))):
        err.print(f"note: {warning}", markup=False, soft_wrap=True)
    daemon = Daemon(settings, str(config))
    daemon.start()
    names = ", ".join(vat.name for vat in daemon.vats.values())
    page = f" The page is at {daemon.page_url} ." if daemon.page_url else ""
    err.print(f"watching {names}; the record is in {settings.site.data}.{page}", markup=False, soft_wrap=True)
    if daemon.page_url and settings.page.passphrase_file and sys.stderr.isatty():
        err.out(qr_text(settings.page.address or daemon.page_url), highlight=False)
    late = daemon.run_until_stopped()
    if late:
        raise VatwatchError(f"stopped, but these did not end in time: {', '.join(late)}")


@app.command()
def check(
    config: ConfigOption = DEFAULT_CONFIG,
    push: Annotated[bool, typer.Option("--push", help="send a test push to every phone")] = False,
    listen_s: Annotated[float, typer.Option("--listen", min=0, max=60, help="seconds to listen on each port")] = 8,
) -> None:
    """Look at settings, ports, store, broker, database and phones, and say what to do about each."""
    from vatwatch.checkup import check_all

    worst = 0
    for finding in check_all(config, push, listen_s):
        out.print(finding.line(), markup=False, soft_wrap=True)
        worst = max(worst, finding.exit_code)
    raise typer.Exit(worst)


@app.command()
def now(
    config: ConfigOption = DEFAULT_CONFIG,
    why: Annotated[bool, typer.Option("--why", help="what makes each estimate unsure, and what it was taught")] = False,
) -> None:
    """Each vat in a sentence and its numbers, from the record."""
    from vatwatch import assembly
    from vatwatch.calibration_due import calibrations_due
    from vatwatch.config import load_config
    from vatwatch.daemon import INBOX_NAME, STORE_NAME
    from vatwatch.destinations import outlets_now
    from vatwatch.explain import explain_all
    from vatwatch.store import inbox
    from vatwatch.store.presence import is_written
    from vatwatch.store.reading import StoreReader
    from vatwatch.terminal import print_now

    settings = load_config(config)
    with StoreReader(settings.site.data / STORE_NAME) as reader:
        now_ms = int(time.time() * 1000)
        print_now(
            out,
            reader,
            now_ms,
            ZoneInfo(settings.site.timezone),
            3 * settings.site.scan_s * 1000,
            outlets_now(settings, reader, now_ms),
        )
        if is_written(settings.site.data / STORE_NAME):
            for sentence in inbox.left_lying(settings.site.data / INBOX_NAME, time.time()):
                out.print(sentence, markup=False, soft_wrap=True)
        vats = assembly.vat_settings(settings, str(config), reader.calibrations())
        for due in calibrations_due(vats.values(), int(time.time() * 1000), ZoneInfo(settings.site.timezone)):
            out.print(f"{due.probe}: {due.words}", markup=False, soft_wrap=True)
        if why:
            for line in explain_all(reader, vats):
                out.print(line, markup=False, soft_wrap=True)
