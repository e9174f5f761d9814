"""The settings file's tables of destinations: broker, database, phones, and a service that notices silence.

Part of `config`, which reads the file. Opens nothing, and knows no destination's own words.
"""

from __future__ import annotations

from datetime import time
from pathlib import Path
from typing import Annotated, Literal, Self
from zoneinfo import ZoneInfo

from pydantic import Field, model_validator

from vatwatch.outlets.rounds import Wishes
from vatwatch.port_tables import Table
from vatwatch.terms import Urgency

Name = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]{0,30}$")]


class MqttTable(Table):
    """A broker that gets the current state (Homie 5)."""

    host: str = Field(pattern=r"^[^@/\s]+$", description="name or address of the broker, without port or user")
    port: int = Field(1883, ge=1, le=65535, description="its port")
    username: str | None = Field(None, description="user name there")
    password_file: Path | None = Field(None, description="file that holds the password")
    tls: bool = Field(False, description="encrypt the connection")
    ca_file: Path | None = Field(None, description="certificate authority of the broker")
    take_actions: bool = Field(False, description="whether alarms may be acknowledged and shelved through the broker")


class InfluxTable(Table):
    """An InfluxDB v2 database that gets the history."""

    url: str = Field(pattern=r"^https?://[^@\s]+$", description="address, such as http://127.0.0.1:8086")
    org: str = Field(min_length=1, description="organisation")
    bucket: str = Field(min_length=1, description="bucket")
    token_file: Path | None = Field(None, description="file that holds the token")


class PhoneTable(Table):
    """One phone, mailbox or other target of pushes, as an Apprise URL."""

    url_file: Path | None = Field(None, description="file that holds the Apprise URL (it is a secret)")
    url: str | None = Field(None, description="the URL itself, if there is nothing secret in it")
    at_least: Urgency = Field(Urgency.TELL, description="least urgent push this target gets")
    vats: tuple[Name, ...] = Field((), description="the vats it is told of; all of them if left out")
    shed: bool = Field(
        True, description="whether it also gets what is about no single vat, such as the evening outlook"
    )
    quiet_from: time | None = Field(None, description="local time from which only danger is told, such as 22:00:00")
    quiet_until: time | None = Field(None, description="local time at which what was held is told, in one message")
    at_once: int = Field(3, ge=1, le=100, description="more messages than this within gather_min become one")
    gather_min: float = Field(10, gt=0, le=240, description="the time in which they are counted, minutes")

    @model_validator(mode="after")
    def _one_url(self) -> Self:
        if (self.url is None) == (self.url_file is None):
            raise ValueError("expected exactly one of url_file and url")
        if (self.quiet_from is None) != (self.quiet_until is None):
            raise ValueError("expected both quiet_from and quiet_until, or neither")
        if self.quiet_from is not None and self.quiet_from == self.quiet_until:
            raise ValueError("quiet_from and quiet_until are the same time; expected two, or neither")
        return self

    def wishes(self, timezone: str) -> Wishes:
        """What the outlet needs of this table."""

        def minute(at: time | None) -> int | None:
            return None if at is None else at.hour * 60 + at.minute

        return Wishes(
            timezone=ZoneInfo(timezone),
            at_least=self.at_least,
            vats=frozenset(self.vats),
            shed=self.shed,
            quiet_from_minute=minute(self.quiet_from),
            quiet_until_minute=minute(self.quiet_until),
            at_once=self.at_once,
            gather_ms=int(self.gather_min * 60_000),
        )


class HeartbeatTable(Table):
    """A web address that is called while the watch goes on; the service behind it tells you when the calls stop."""

    url_file: Path = Field(description="file that holds the address (it is a secret)")
    every_min: float = Field(5, ge=0.01, le=1440, description="how often it is called, minutes")
    method: Literal["GET", "POST"] = Field("GET", description="how it is called")
