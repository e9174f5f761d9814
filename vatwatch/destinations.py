"""From the settings file's tables of destinations to the outlets that serve them, secrets read from files of their own.

None of them is needed: a shed without a broker, a database or a phone does not carry their libraries in memory.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from vatwatch.config import Config
from vatwatch.secret_files import beside as beside
from vatwatch.secret_files import read_secret as read_secret
from vatwatch.terms import Stream

HELD_LOOKED_AT = 1000

if TYPE_CHECKING:
    from vatwatch.outlets.forwarder import Outlet
    from vatwatch.outlets.heartbeat import HeartbeatSettings
    from vatwatch.outlets.ledger import Actions, Ledger
    from vatwatch.outlets.phone import PhoneTarget


def outlets(
    config: Config,
    source: str,
    open_ledger: Callable[[], Ledger],
    clock_ms: Callable[[], int],
    page_url: str | None,
    actions: Actions | None = None,
) -> list[Outlet]:
    """One outlet for each table that is there; none of them is needed. Raises ConfigError for an unreadable secret.

    `actions` is where those go that the broker is allowed to hand in.
    """
    # Imported here: a shed without a broker, a database or a phone should not carry their libraries in memory.
    built: list[Outlet] = []
    if config.mqtt is not None:
        from vatwatch.outlets.mqtt import MqttOutlet
        from vatwatch.outlets.mqtt_link import MqttSettings

        mqtt = config.mqtt
        built.append(
            MqttOutlet(
                MqttSettings(
                    host=mqtt.host,
                    port=mqtt.port,
                    site_id=config.site.id,
                    site_name=config.site.name,
                    username=mqtt.username,
                    password=read_secret(mqtt.password_file, source, "mqtt", "password_file"),
                    tls=mqtt.tls,
                    ca_file=None if mqtt.ca_file is None else str(beside(source, mqtt.ca_file)),
                ),
                open_ledger,
                clock_ms,
                actions if mqtt.take_actions else None,
            )
        )
    if config.influx is not None:
        from vatwatch.outlets.influx import InfluxOutlet, InfluxSettings

        influx = config.influx
        token = read_secret(influx.token_file, source, "influx", "token_file") or ""
        built.append(InfluxOutlet(InfluxSettings(influx.url, influx.org, influx.bucket, token, config.site.id)))
    return [*built, *phone_outlets(config, source, clock_ms, page_url, open_ledger)]


def phone_outlets(
    config: Config,
    source: str,
    clock_ms: Callable[[], int],
    page_url: str | None,
    open_ledger: Callable[[], Ledger] | None = None,
    danger_only: bool = False,
) -> list[Outlet]:
    """Two outlets per phone target, one of them for danger alone; a new set of them at each call."""
    if not config.phone:
        return []
    from vatwatch.outlets.phone import PhoneOutlet
    from vatwatch.outlets.rounds import Lane

    return [
        PhoneOutlet(target, lane, clock_ms, open_ledger)
        for target in phone_targets(config, source, page_url).values()
        for lane in Lane
        if lane is Lane.DANGER or not danger_only
    ]


def phone_targets(config: Config, source: str, page_url: str | None) -> dict[str, PhoneTarget]:
    """Every phone target by name, its URL read from its own file where that is how it is given."""
    from vatwatch.outlets.phone import PhoneTarget

    targets = {}
    for name, table in config.phone.items():
        url = table.url or read_secret(table.url_file, source, f"phone.{name}", "url_file")
        if url is not None:
            targets[name] = PhoneTarget(name, table.wishes(config.site.timezone), url, page_url)
    return targets


def heartbeat_settings(config: Config, source: str) -> HeartbeatSettings | None:
    """What the heartbeat needs, its address read from its own file; None where there is no such table."""
    from vatwatch.outlets.heartbeat import HeartbeatSettings

    table = config.heartbeat
    if table is None:
        return None
    url = read_secret(table.url_file, source, "heartbeat", "url_file") or ""
    return HeartbeatSettings(url, table.every_min * 60, table.method)


def outlets_now(config: Config, ledger: Ledger, now_ms: int) -> dict[str, tuple[int, int] | None]:
    """Every outlet of these settings by its name in the record, with what a phone holds for its quiet hours.

    For who looks from outside, while the daemon runs or not: until when (ms), and how many messages.
    """
    from vatwatch.outlets.phone import outlet_name
    from vatwatch.outlets.rounds import Lane, next_round

    tables = {"mqtt": config.mqtt, "influxdb": config.influx, "heartbeat": config.heartbeat}
    found: dict[str, tuple[int, int] | None] = {name: None for name, table in tables.items() if table is not None}
    known = {delivery.outlet for delivery in ledger.deliveries()}
    for name, table in config.phone.items():
        found[outlet_name(name, Lane.DANGER)] = None
        others = outlet_name(name, Lane.OTHERS)
        found[others] = None
        rows = ledger.rows_after(Stream.PUSHES, ledger.delivery(others, Stream.PUSHES).position, HELD_LOOKED_AT)
        if rows and others in known:
            planned = next_round(rows, table.wishes(config.site.timezone), Lane.OTHERS, now_ms, (), None)
            if planned.held_until_ms is not None:
                found[others] = (planned.held_until_ms, planned.held)
    return found
