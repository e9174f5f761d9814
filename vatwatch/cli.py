"""The commands. Thin: each one reads the settings, calls the room that does the work, and prints for a person.

Exit codes: 0 done; 1 it did not work and the message says why; 2 the command line or the settings file has a mistake.
"""

from __future__ import annotations

import getpass
import logging
import sys
import time
import uuid
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated
from zoneinfo import ZoneInfo

import typer
from rich.console import Console

from vatwatch import __version__
from vatwatch.errors import ConfigError, VatwatchError
from vatwatch.records import EntryKind, JournalEntry

app = typer.Typer(
    help="Watches indigo vats day and night. It switches nothing on or off and is not a safety device.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
out = Console(highlight=False)
err = Console(stderr=True, highlight=False)

ConfigOption = Annotated[Path, typer.Option("--config", "-c", envvar="VATWATCH_CONFIG", help="the settings file")]
DEFAULT_CONFIG = Path("vatwatch.toml")


def main() -> None:
    """Entry point: runs a command and turns this program's own errors into a message and an exit code."""
    try:
        app()
    except ConfigError as error:
        err.print(str(error), style="bold", markup=False, soft_wrap=True)
        sys.exit(2)
    except VatwatchError as error:
        err.print(str(error), style="bold", markup=False, soft_wrap=True)
        sys.exit(1)


def _version(wanted: bool) -> None:
    if wanted:
        out.print(f"vatwatch {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="say the version")
    ] = False,
) -> None:
    del version


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

    logging.basicConfig(level=logging.INFO, format="%(levelname)s %(name)s: %(message)s", stream=sys.stderr)
    for chatty in ("uvicorn", "apprise", "httpx"):
        logging.getLogger(chatty).setLevel(logging.WARNING)
    settings = load_config(config)
    for warning in settings.warnings():
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
def now(
    config: ConfigOption = DEFAULT_CONFIG,
    why: Annotated[bool, typer.Option("--why", help="what makes each estimate unsure, and what it was taught")] = False,
) -> None:
    """Each vat in a sentence and its numbers, from the record."""
    from vatwatch import assembly
    from vatwatch.calibration_due import calibrations_due
    from vatwatch.config import load_config
    from vatwatch.daemon import STORE_NAME
    from vatwatch.explain import explain_all
    from vatwatch.store.reading import StoreReader
    from vatwatch.terminal import print_now

    settings = load_config(config)
    with StoreReader(settings.site.data / STORE_NAME) as reader:
        print_now(
            out, reader, int(time.time() * 1000), ZoneInfo(settings.site.timezone), 3 * settings.site.scan_s * 1000
        )
        vats = assembly.vat_settings(settings, str(config), reader.calibrations())
        for due in calibrations_due(vats.values(), int(time.time() * 1000), ZoneInfo(settings.site.timezone)):
            out.print(f"{due.probe}: {due.words}", markup=False, soft_wrap=True)
        if why:
            for line in explain_all(reader, vats):
                out.print(line, markup=False, soft_wrap=True)


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
    bench = Bench(settings, str(config), probe, data / STORE_NAME, data / INBOX_NAME, _user())
    if history:
        for line in history_lines(bench.history(probe), zone):
            out.print(line, markup=False, soft_wrap=True)
        return
    if not Dialogue(out, bench, zone, Patience(hold_s, within_s)).hold().accepted:
        raise typer.Exit(1)


@app.command()
def note(
    vat: Annotated[str, typer.Argument(help="the vat's short name")],
    kind: Annotated[EntryKind, typer.Argument(help="what was done or seen")],
    what: Annotated[str, typer.Argument(help="substance fed, colour of the liquor, piece dipped …")] = "",
    grams: Annotated[float | None, typer.Option(min=0, help="grams fed")] = None,
    litres: Annotated[float | None, typer.Option(min=0, help="litres topped up")] = None,
    minutes: Annotated[float | None, typer.Option(min=0, help="how long")] = None,
    text: Annotated[str, typer.Option(help="anything else")] = "",
    at: Annotated[str | None, typer.Option(help="when it happened, HH:MM today or ISO 8601; now if left out")] = None,
    config: ConfigOption = DEFAULT_CONFIG,
) -> None:
    """Write into a vat's journal, whether or not the daemon runs at the moment."""
    from vatwatch.config import load_config
    from vatwatch.daemon import INBOX_NAME
    from vatwatch.records import Look
    from vatwatch.store import inbox

    settings = load_config(config)
    if vat not in settings.vat:
        raise ConfigError(f"there is no vat {vat!r} in {config}; known: {', '.join(settings.vat)}")
    if kind is EntryKind.CHECK and what not in set(Look):
        raise ConfigError(f"a check says how the liquor looks: one of {', '.join(Look)}; given {what!r}")
    if kind in (EntryKind.PROBE_OUT, EntryKind.PROBE_BACK):
        probes = [name for name, probe in settings.probe.items() if probe.vat == vat]
        if what not in probes:
            raise ConfigError(f"{kind.value} names a probe of {vat}: one of {', '.join(probes)}; given {what!r}")
    now_ms = int(time.time() * 1000)
    entry = JournalEntry(
        entry_id=uuid.uuid4().hex,
        time_ms=_when(at, now_ms, ZoneInfo(settings.site.timezone)),
        logged_ms=now_ms,
        vat=vat,
        kind=kind,
        what=what,
        grams=grams,
        litres=litres,
        minutes=minutes,
        text=text,
        by=_user(),
    )
    inbox.drop(settings.site.data / INBOX_NAME, entry)
    out.print(f"handed in: {kind.value} {what}".rstrip() + f" for {vat}; the daemon takes it at its next scan.")


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
    until = _utc(made.newest_slot_ms)
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
    out.print(f"restored: {made.path}, up to {_utc(made.newest_slot_ms)}.{aside}", markup=False, soft_wrap=True)


def _utc(slot_ms: int | None) -> str:
    if slot_ms is None:
        return "the beginning (it holds no scan)"
    return datetime.fromtimestamp(slot_ms / 1000, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")


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


def _when(text: str | None, now_ms: int, zone: ZoneInfo) -> int:
    """A time as people write it. `HH:MM` means the latest such time that is not in the future."""
    if text is None:
        return now_ms
    try:
        if len(text) <= 5:
            clock = datetime.strptime(text, "%H:%M").time()  # noqa: DTZ007 - the zone is put on in the next line
            today = datetime.fromtimestamp(now_ms / 1000, zone)
            moment = today.replace(hour=clock.hour, minute=clock.minute, second=0, microsecond=0)
            time_ms = int(moment.timestamp() * 1000)
            return time_ms if time_ms <= now_ms else time_ms - 86_400_000
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        raise ConfigError(f"--at: given {text!r}, expected HH:MM or a time like 2026-06-01T21:30") from error
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=zone)
    time_ms = int(moment.timestamp() * 1000)
    if time_ms > now_ms:
        raise ConfigError(f"--at: {text} is in the future; the journal holds what has happened")
    return time_ms


def _user() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return ""


if __name__ == "__main__":
    main()
