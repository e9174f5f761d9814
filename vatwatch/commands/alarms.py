"""The commands on alarms: see which there are, acknowledge, shelve, put out of service (words of ISA-18.2 / IEC 62682)."""

from __future__ import annotations

import time
import uuid
from datetime import datetime
from typing import Annotated
from zoneinfo import ZoneInfo

import typer

from vatwatch.commands.application import DEFAULT_CONFIG, ConfigOption, app, out, user
from vatwatch.errors import ConfigError
from vatwatch.records import AlarmAction
from vatwatch.terms import ActionVerb

MINUTE_MS = 60_000


@app.command()
def alarm(
    vat: Annotated[str, typer.Argument(help="the vat's short name, or `shed` for what is about no single vat")],
    verb: Annotated[ActionVerb | None, typer.Argument(help="what to do; left out, the alarms are listed")] = None,
    name: Annotated[str, typer.Argument(help="the alarm's name")] = "",
    minutes: Annotated[
        float | None, typer.Option("--for", min=1, max=1440, help="shelve: for so many minutes (a danger: 60 at most)")
    ] = None,
    config: ConfigOption = DEFAULT_CONFIG,
) -> None:
    """List a vat's alarms, or acknowledge, shelve … one of them, whether or not the daemon runs at the moment."""
    from vatwatch import assembly
    from vatwatch.config import WHOLE_SHED, load_config
    from vatwatch.daemon import INBOX_NAME
    from vatwatch.handed_in import as_kept, definitions_of, why_not
    from vatwatch.store import inbox

    settings = load_config(config)
    vats = assembly.vat_settings(settings, str(config))
    if vat != WHOLE_SHED and vat not in vats:
        raise ConfigError(f"there is no vat {vat!r} in {config}; known: {', '.join(vats)}, and `{WHOLE_SHED}`")
    of = "" if vat == WHOLE_SHED else vat
    if verb is None:
        for known in definitions_of(of, vats).values():
            out.print(f"{known.alarm} ({known.urgency.value})", markup=False)
        return
    if (minutes is not None) and verb is not ActionVerb.SHELVE:
        raise ConfigError(f"--for belongs to shelve; given with {verb.value}")
    now_ms = int(time.time() * 1000)
    until_ms = None if minutes is None else now_ms + int(minutes * MINUTE_MS)
    action = AlarmAction(uuid.uuid4().hex, now_ms, of, name, verb, until_ms, user())
    complaint = why_not(action, vats, now_ms)
    if complaint:
        raise ConfigError(complaint)
    inbox.drop(settings.site.data / INBOX_NAME, action)
    kept = as_kept(action, vats, now_ms)
    until = ""
    if isinstance(kept, AlarmAction) and kept.until_ms is not None:
        until = f" until {datetime.fromtimestamp(kept.until_ms / 1000, ZoneInfo(settings.site.timezone)):%d.%m. %H:%M}"
    out.print(f"handed in: {verb.value} {name} of {vat}{until}; the daemon takes it at its next scan.", soft_wrap=True)
