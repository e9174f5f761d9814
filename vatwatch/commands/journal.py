"""The command that writes into a journal."""

from __future__ import annotations

import time
import uuid
from datetime import datetime
from typing import Annotated
from zoneinfo import ZoneInfo

import typer

from vatwatch.commands.application import DEFAULT_CONFIG, ConfigOption, app, out, user
from vatwatch.errors import ConfigError
from vatwatch.records import JournalEntry
from vatwatch.terms import EntryKind


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
    from vatwatch.store import inbox
    from vatwatch.terms import Look

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
        by=user(),
    )
    inbox.drop(settings.site.data / INBOX_NAME, entry)
    out.print(f"handed in: {kind.value} {what}".rstrip() + f" for {vat}; the daemon takes it at its next scan.")


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
