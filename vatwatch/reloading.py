"""What of a changed settings file is taken over while the watch runs, and what waits for a restart. Decides only.

A table not named here waits for a restart: that is right for any table, and a new one is then never taken over by halves.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass

from vatwatch.config import Config, ProbeTable
from vatwatch.secret_files import read_secret

WHOLE = ("night", "mqtt", "influx", "phone", "heartbeat")
"""Tables taken over as they are. Of vats everything is, except that there is one more or one fewer."""
WIRED = ("vat", "port", "field", "signal", "scale", "offset", "every_s")
"""What a port's reader was started with; the rest of a probe's table is about judging its numbers."""


@dataclass(frozen=True, slots=True)
class Plan:
    """`config` is what is in force from now on: the new file, with the old file's words where a restart is needed."""

    config: Config
    changed: tuple[str, ...]
    needs_restart: tuple[str, ...]

    def told(self) -> str:
        """In one sentence for the log and the service manager."""
        taken = f"settings read again: {', '.join(self.changed)}" if self.changed else "settings read again: no change"
        waits = f"; only after a restart: {', '.join(self.needs_restart)}" if self.needs_restart else ""
        return f"{taken}{waits}"


def planned(old: Config, new: Config) -> Plan:
    """Compare the settings in force with the file as it is now."""
    changed: list[str] = []
    waiting: list[str] = []
    update: dict[str, object] = {}
    for table in Config.model_fields:
        before, after = getattr(old, table), getattr(new, table)
        if before == after:
            continue
        if table in WHOLE:
            changed.append(f"[{table}]")
            update[table] = after
        elif table == "vat":
            update[table] = {name: new.vat.get(name, one) for name, one in old.vat.items()}
            changed += [f"[vat.{name}]" for name in old.vat if name in new.vat and old.vat[name] != new.vat[name]]
            waiting += [f"[vat.{name}]" for name in sorted(old.vat.keys() ^ new.vat.keys())]
        elif table == "probe":
            probes = {name: _judged_anew(one, new.probe.get(name)) for name, one in old.probe.items()}
            update[table] = probes
            changed += [f"[probe.{name}]" for name, one in old.probe.items() if probes[name] != one]
            waiting += sorted(_rewired(old, new))
        else:
            waiting.append(f"[{table}]")
    return Plan(old.model_copy(update=update), tuple(changed), tuple(waiting))


def _judged_anew(old: ProbeTable, new: ProbeTable | None) -> ProbeTable:
    """The new table with the old wiring; the old one where the numbers themselves would mean something else."""
    if new is None or new.signal is not old.signal:
        return old
    return new.model_copy(update={key: getattr(old, key) for key in WIRED})


def _rewired(old: Config, new: Config) -> Iterator[str]:
    for name in old.probe.keys() | new.probe.keys():
        before, after = old.probe.get(name), new.probe.get(name)
        if before is None or after is None or any(getattr(before, key) != getattr(after, key) for key in WIRED):
            yield f"[probe.{name}]"


def outlet_marks(config: Config, source: str) -> dict[str, str]:
    """By outlet's name, a mark that changes when its settings or its secret change. Raises ConfigError for a missing secret.

    The broker's holds the vats' names as well: they are part of what is announced there.
    """
    marks: dict[str, str] = {}
    if config.mqtt is not None:
        names = "|".join(f"{vat}={table.name}" for vat, table in config.vat.items())
        secret = read_secret(config.mqtt.password_file, source, "mqtt", "password_file")
        marks["mqtt"] = _mark(config.mqtt.model_dump_json(), secret, names)
    if config.influx is not None:
        secret = read_secret(config.influx.token_file, source, "influx", "token_file")
        marks["influxdb"] = _mark(config.influx.model_dump_json(), secret)
    for name, phone in config.phone.items():
        secret = read_secret(phone.url_file, source, f"phone.{name}", "url_file")
        from vatwatch.outlets.phone import outlet_name
        from vatwatch.outlets.rounds import Lane

        for lane in Lane:
            marks[outlet_name(name, lane)] = _mark(phone.model_dump_json(), secret)
    if config.heartbeat is not None:
        secret = read_secret(config.heartbeat.url_file, source, "heartbeat", "url_file")
        marks["heartbeat"] = _mark(config.heartbeat.model_dump_json(), secret)
    return marks


def _mark(*parts: str | None) -> str:
    return hashlib.sha256("\0".join(part or "" for part in parts).encode()).hexdigest()
