"""The whole history in an InfluxDB v2 bucket: scans, alarm events, journal. Written one request at a time.

The client's batching writer loses points silently when the database is away, so it is not used: the store is the queue.
A point delivered twice overwrites itself, since its series and timestamp are the same.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

from vatwatch.errors import ConfigError, OutletPermanent, OutletRetryable, RowRejected
from vatwatch.outlets.retry_after import retry_after_s
from vatwatch.records import AlarmEvent, JournalEntry, Numbered, Scan
from vatwatch.terms import Stream

if TYPE_CHECKING:
    from influxdb_client.rest import ApiException

WHOLE_SHED = "shed"
"""The tag of what is about no single vat: InfluxDB has no empty tag, and no vat may be called so."""
_ROW_FAULTS = frozenset({400, 413, 422})
_TRANSIENT = frozenset({408, 425, 429})


@dataclass(frozen=True, slots=True)
class InfluxSettings:
    """Where the database is. `site_id` becomes the tag `site`, so that several daemons can share a bucket."""

    url: str
    org: str
    bucket: str
    token: str
    site_id: str
    timeout_s: float = 10.0

    def __post_init__(self) -> None:
        parts = urlsplit(self.url)
        if parts.scheme not in ("http", "https") or not parts.hostname:
            raise ConfigError(f"[influx] url is {self.url!r}; expected something like http://127.0.0.1:8086")
        if not self.timeout_s > 0:
            raise ConfigError(f"[influx] timeout_s is {self.timeout_s}; expected more than 0 seconds")

    def __repr__(self) -> str:
        return f"InfluxSettings({self.url}, org {self.org}, bucket {self.bucket}, site {self.site_id})"


class InfluxOutlet:
    """Outlet of history. Nothing is imported or connected before the first delivery (about 30 MB of memory)."""

    name = "influxdb"
    streams = (Stream.ALARM_EVENTS, Stream.JOURNAL, Stream.SCANS)
    coalesce = False
    idempotent = True
    batch_limit = 1000

    def __init__(self, settings: InfluxSettings) -> None:
        self._settings = settings
        self._client: Any = None  # the library is only half typed
        self._write: Any = None

    def deliver(self, stream: Stream, rows: Sequence[Numbered]) -> None:
        """One synchronous write; returns when the database has answered that it took the points."""
        from influxdb_client.client.exceptions import InfluxDBError
        from influxdb_client.rest import ApiException
        from urllib3.exceptions import HTTPError

        points = [point(self._settings.site_id, row) for row in rows]
        try:
            if self._write is None:
                self._connect()
            self._write.write(
                bucket=self._settings.bucket,
                org=self._settings.org,
                record=points,
                write_precision="ms",
            )
        except ApiException as error:
            raise self._translated(error, stream) from error
        except (HTTPError, InfluxDBError, OSError) as error:
            raise OutletRetryable(f"InfluxDB at {self._settings.url} does not answer: {_brief(error)}") from error

    def close(self) -> None:
        """Let go of the connection pool."""
        client, self._client, self._write = self._client, None, None
        if client is not None:
            client.close()

    def _connect(self) -> None:
        from influxdb_client.client.influxdb_client import InfluxDBClient
        from influxdb_client.client.write_api import SYNCHRONOUS

        settings = self._settings
        self._client = InfluxDBClient(
            url=settings.url, token=settings.token, org=settings.org, timeout=int(1000 * settings.timeout_s)
        )
        self._write = self._client.write_api(write_options=SYNCHRONOUS)

    def _translated(self, error: ApiException, stream: Stream) -> Exception:
        """Whose fault the answer is: the rows', the settings', or the moment's."""
        status = int(error.status or 0)
        said = f"InfluxDB at {self._settings.url} answers {status} {error.reason or ''}".rstrip()
        if detail := _detail(error.body):
            said += f": {detail}"
        if status in _ROW_FAULTS:
            return RowRejected(f"{said} ({stream})")
        if status in (401, 403):
            return OutletPermanent(f"{said}; check token and its right to write to bucket {self._settings.bucket!r}")
        if status == 404:
            return OutletPermanent(
                f"{said}; check url, org {self._settings.org!r} and bucket {self._settings.bucket!r} in [influx]"
            )
        if status >= 500 or status in _TRANSIENT or status == 0:
            return OutletRetryable(said, retry_after_s=retry_after_s(error.headers))
        return OutletPermanent(f"{said}; is this an InfluxDB v2 address?")


def point(site_id: str, row: Numbered) -> dict[str, Any]:
    """The point of one row. Numbers are floats without exception, so that a field never changes its type."""
    record = row.record
    if isinstance(record, Scan):
        return _scan_point(site_id, record)
    if isinstance(record, AlarmEvent):
        return _alarm_point(site_id, row.number, record)
    if isinstance(record, JournalEntry):
        return _journal_point(site_id, record)
    raise TypeError(f"row {row.number} is a {type(record).__name__}, which InfluxDB is not given")


def _scan_point(site_id: str, scan: Scan) -> dict[str, Any]:
    numbers: dict[str, float | None] = {
        "eh_mv": scan.eh_mv,
        "eh_mv_sigma": scan.eh_mv_sigma,
        "ph_25c": scan.ph_25c,
    }
    texts = {"condition": scan.condition.value, "shortfalls": " ".join(scan.shortfalls)}
    for name, measured in (("ph", scan.ph), ("orp_mv", scan.orp_mv), ("temperature_c", scan.temperature_c)):
        numbers[name] = measured.value
        numbers[f"{name}_sigma"] = measured.sigma
        numbers[f"{name}_flag"] = float(measured.flag)
        texts[f"{name}_reason"] = measured.reason
    if (reduction := scan.reduction) is not None:
        numbers |= {
            "reduction_share": reduction.share,
            "reduction_share_low": reduction.share_low,
            "reduction_share_high": reduction.share_high,
            "reduction_margin_mv": reduction.margin_mv,
            "reduction_margin_mv_sigma": reduction.margin_mv_sigma,
            "reduction_probability_fit": reduction.probability_fit,
            "reduction_saturated": float(reduction.saturated),
        }
    return _point("vat_scan", {"site": site_id, "vat": scan.vat}, scan.slot_ms, numbers, texts)


def _alarm_point(site_id: str, number: int, event: AlarmEvent) -> dict[str, Any]:
    # Two events of one alarm may share a slot; the row number keeps them apart and is the same on every attempt.
    tags = {"site": site_id, "vat": event.vat or WHOLE_SHED, "alarm": event.alarm, "row": str(number)}
    numbers = {"occurrence": float(event.occurrence), "value": event.value, "limit": event.limit}
    texts = {
        "transition": event.transition,
        "from_state": event.from_state.value,
        "to_state": event.to_state.value,
        "by": event.by,
    }
    return _point("vat_alarm", tags, event.slot_ms, numbers, texts)


def _journal_point(site_id: str, entry: JournalEntry) -> dict[str, Any]:
    # Two feeds noted for the same minute are two entries: the entry's own id keeps them apart.
    tags = {"site": site_id, "vat": entry.vat, "kind": entry.kind.value, "entry": entry.entry_id}
    numbers = {
        "logged_ms": float(entry.logged_ms),
        "grams": entry.grams,
        "litres": entry.litres,
        "minutes": entry.minutes,
    }
    texts = {"what": entry.what, "text": entry.text, "by": entry.by}
    return _point("vat_journal", tags, entry.time_ms, numbers, texts)


def _point(
    measurement: str,
    tags: dict[str, str],
    time_ms: int,
    numbers: Mapping[str, float | None],
    texts: Mapping[str, str],
) -> dict[str, Any]:
    """A record as the client takes it. InfluxDB has no word for NaN or infinity: such a field is left out."""
    fields: dict[str, float | str] = {
        name: float(value) for name, value in numbers.items() if value is not None and math.isfinite(value)
    }
    fields |= {name: text for name, text in texts.items() if text}
    return {"measurement": measurement, "tags": tags, "time": time_ms, "fields": fields}


def _detail(body: Any) -> str:
    text = body.decode("utf-8", "replace") if isinstance(body, bytes) else str(body or "")
    return " ".join(text.split())[:300]


def _brief(error: BaseException) -> str:
    """urllib3's texts carry object addresses, which would make every failure look like a new one."""
    reason = getattr(error, "reason", None)
    shown = reason if isinstance(reason, BaseException) else error
    text = str(shown).rsplit("object at 0x", 1)[-1]
    return f"{type(shown).__name__} {text.split(': ', 1)[-1]}"[:300]
