"""The InfluxDB outlet: transport and outages against a real database, every error code against a strict fake."""

from __future__ import annotations

import math
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime

import pytest

from tests.outlets.book import T0, Book, alarm, entry, measured, push, scan
from tests.services import HOST, Answer, Heard, HttpReceiver, VictoriaMetrics, free_port, wait_until
from vatwatch.errors import ConfigError, OutletError, OutletPermanent, OutletRetryable, RowRejected
from vatwatch.outlets.forwarder import Forwarder
from vatwatch.outlets.influx import InfluxOutlet, InfluxSettings, point
from vatwatch.records import Numbered
from vatwatch.terms import AlarmState, Flag, Stream

TOKEN = "t0ken-of-the-shed"  # noqa: S105 - the fake's own


def settings(url: str, timeout_s: float = 5.0) -> InfluxSettings:
    return InfluxSettings(url, "dyers", "vats", TOKEN, "dye-shed", timeout_s)


@pytest.fixture
def fake() -> Iterator[HttpReceiver]:
    """Strict: anything but a well-formed v2 write of ours is a 400."""

    def respond(heard: Heard) -> Answer:
        path, _, query = heard.path.partition("?")
        right = (
            heard.method == "POST"
            and path == "/api/v2/write"
            and set(query.split("&")) == {"org=dyers", "bucket=vats", "precision=ms"}
            and heard.headers["Authorization"] == f"Token {TOKEN}"
        )
        return Answer(204) if right else Answer(400, body=b'{"message":"not a write of ours"}')

    with HttpReceiver(respond) as receiver:
        yield receiver


@pytest.fixture
def made(fake: HttpReceiver) -> Iterator[InfluxOutlet]:
    outlet = InfluxOutlet(settings(fake.url))
    yield outlet
    outlet.close()


def lines(fake: HttpReceiver) -> list[str]:
    return [line for heard in fake.heard for line in heard.body.decode().splitlines()]


def test_the_line_of_a_scan(made: InfluxOutlet, fake: HttpReceiver) -> None:
    made.deliver(Stream.SCANS, [Numbered(1, scan(1, temperature_c=measured(50)))])
    (line,) = lines(fake)
    series, rest = line.split(" ", 1)
    fields, stamp = rest.rsplit(" ", 1)
    assert series == "vat_scan,site=dye-shed,vat=madder-lane"
    assert stamp == str(T0 + 10_000)
    assert "orp_mv=-742.4," in fields
    assert "temperature_c=50," in fields, "a whole number stays a float: no trailing i"
    assert 'condition="dyeable"' in fields
    assert "reduction_saturated=0," in fields
    assert "ph_flag=1," in fields


def test_numbers_are_floats_and_nothing_is_nan() -> None:
    record = scan(1, eh_mv=math.nan, ph_25c=math.inf, orp_mv=measured(None, Flag.MISSING), reduction=None)
    fields = point("s", Numbered(1, record))["fields"]
    assert not {"eh_mv", "ph_25c", "orp_mv", "reduction_share"} & fields.keys()
    assert fields["orp_mv_flag"] == 9.0
    assert fields["orp_mv_reason"] == "no answer"
    for row in (record, scan(2), alarm(1, AlarmState.NORMAL), entry(1)):
        for name, value in point("s", Numbered(1, row))["fields"].items():
            assert isinstance(value, float | str), name
    with pytest.raises(TypeError, match="Push"):
        point("s", Numbered(1, push(1)))


def test_words_survive_the_line_protocol(made: InfluxOutlet, fake: HttpReceiver) -> None:
    from dataclasses import replace

    odd = replace(entry(1), what='madder "Krapp", 1=2', text="zwei\nZeilen \\ Küpe", by="Ida B")
    made.deliver(Stream.JOURNAL, [Numbered(1, odd)])
    body = fake.heard[0].body.decode()
    assert 'what="madder \\"Krapp\\", 1=2"' in body
    assert "Küpe" in body


def test_rows_that_would_collide_are_told_apart() -> None:
    def identity(number: int, record: object) -> tuple[object, ...]:
        made = point("s", Numbered(number, record))  # type: ignore[arg-type]
        return (made["measurement"], tuple(sorted(made["tags"].items())), made["time"])

    event = alarm(1, AlarmState.UNACKNOWLEDGED)
    assert identity(1, event) != identity(2, event)
    assert identity(1, event) == identity(1, event), "a repeated delivery overwrites itself"
    assert identity(1, entry(1)) != identity(2, entry(2))


@pytest.mark.parametrize(
    ("status", "kind"),
    [
        (400, RowRejected),
        (413, RowRejected),
        (422, RowRejected),
        (401, OutletPermanent),
        (403, OutletPermanent),
        (404, OutletPermanent),
        (405, OutletPermanent),
        (408, OutletRetryable),
        (429, OutletRetryable),
        (500, OutletRetryable),
        (502, OutletRetryable),
        (503, OutletRetryable),
    ],
)
def test_every_answer_is_blamed_on_the_right_one(
    made: InfluxOutlet, fake: HttpReceiver, status: int, kind: type[OutletError]
) -> None:
    fake.respond = lambda _: Answer(status, body=b'{"code":"x","message":"what the database says"}')
    with pytest.raises(kind, match=rf"answers {status}.*what the database says") as caught:
        made.deliver(Stream.SCANS, [Numbered(1, scan(1))])
    assert type(caught.value) is kind
    assert TOKEN not in str(caught.value)
    assert len(fake.heard) == 1, "the library must not retry on its own"


def test_retry_after_as_seconds_and_as_a_date(made: InfluxOutlet, fake: HttpReceiver) -> None:
    date = format_datetime(datetime.now(UTC) + timedelta(seconds=90), usegmt=True)
    for given, least, most in (("17", 17, 17), (date, 80, 90), ("soon", None, None)):
        fake.respond = lambda _, given=given: Answer(429, {"Retry-After": given})  # type: ignore[misc]
        with pytest.raises(OutletRetryable) as caught:
            made.deliver(Stream.SCANS, [Numbered(1, scan(1))])
        wish = caught.value.retry_after_s
        assert wish is None if least is None or most is None else wish is not None and least <= wish <= most


def test_a_hanging_database_is_given_up_in_time() -> None:
    with HttpReceiver(lambda _: Answer(204, hang_s=30)) as slow:
        outlet = InfluxOutlet(settings(slow.url, timeout_s=0.3))
        began = time.monotonic()
        with pytest.raises(OutletRetryable, match="does not answer"):
            outlet.deliver(Stream.SCANS, [Numbered(1, scan(1))])
        assert time.monotonic() - began < 3
        outlet.close()


def test_an_absent_database_is_retryable_and_says_the_same_every_time() -> None:
    outlet = InfluxOutlet(settings(f"http://{HOST}:{free_port()}"))
    said = set()
    for _ in range(2):
        with pytest.raises(OutletRetryable, match="does not answer") as caught:
            outlet.deliver(Stream.SCANS, [Numbered(1, scan(1))])
        said.add(str(caught.value))
    assert len(said) == 1, said
    outlet.close()


def test_a_bad_row_among_good_ones(fake: HttpReceiver) -> None:
    good = fake.respond

    def respond(heard: Heard) -> Answer:
        return Answer(422, body=b'{"message":"field type conflict"}') if b"poison" in heard.body else good(heard)

    fake.respond = respond
    book = Book()
    book.add(*(scan(i) for i in range(20)), scan(20, "poison"), *(scan(i) for i in range(21, 40)))
    forwarder = Forwarder(InfluxOutlet(settings(fake.url)), book.open, book, lambda: T0)
    forwarder.start()
    try:
        wait_until(lambda: any(one.position == 40 for one in forwarder.deliveries), "all rows are dealt with")
    finally:
        assert forwarder.stop(5)
    done = book.delivery("influxdb", Stream.SCANS)
    assert (done.delivered, done.dropped) == (39, 1)
    assert "field type conflict" in done.last_error


def test_a_real_database_takes_everything_and_outlives_an_outage() -> None:
    now_ms = int(time.time() * 1000)
    first = round((now_ms - 400_000 - T0) / 10_000)  # the database refuses what is far in the past or future
    book = Book()
    book.add(*(scan(first + i) for i in range(10)))
    book.add(alarm(first, AlarmState.UNACKNOWLEDGED), alarm(first, AlarmState.NORMAL))
    book.add(entry(1, now_ms - 60_000), entry(2, now_ms - 60_000))
    with VictoriaMetrics() as database:
        forwarder = Forwarder(InfluxOutlet(settings(database.url)), book.open, book, lambda: now_ms)
        forwarder.start()
        try:
            wait_until(lambda: book.delivery("influxdb", Stream.SCANS).position == 10, "the scans are delivered")
            database.kill()
            book.add(*(scan(first + i) for i in range(10, 20)))
            forwarder.notify()
            wait_until(lambda: book.delivery("influxdb", Stream.SCANS).failures > 0, "the outage is noticed")
            database.start()
            wait_until(lambda: book.delivery("influxdb", Stream.SCANS).position == 20, "the backlog is delivered", 30)
        finally:
            assert forwarder.stop(5)
        (ph,) = database.export("vat_scan_ph")
        assert ph["metric"]["site"] == "dye-shed"
        assert ph["metric"]["vat"] == "madder-lane"
        expected = [T0 + 10_000 * (first + i) for i in range(20)]
        # The database loses what it held in memory when it was killed; what came after must be there.
        assert ph["timestamps"][-10:] == expected[-10:]
        assert set(ph["timestamps"]) <= set(expected)
        assert set(ph["values"]) == {11.02}
    assert book.delivery("influxdb", Stream.ALARM_EVENTS).delivered == 2
    assert book.delivery("influxdb", Stream.JOURNAL).delivered == 2


def test_a_real_database_keeps_colliding_rows_apart() -> None:
    now_ms = int(time.time() * 1000)
    slot = round((now_ms - 100_000 - T0) / 10_000)
    with VictoriaMetrics() as database:
        outlet = InfluxOutlet(settings(database.url))
        events = [alarm(slot, AlarmState.UNACKNOWLEDGED), alarm(slot, AlarmState.NORMAL)]
        outlet.deliver(Stream.ALARM_EVENTS, [Numbered(i + 1, event) for i, event in enumerate(events)])
        outlet.deliver(Stream.JOURNAL, [Numbered(i, entry(i, now_ms - 5000)) for i in (1, 2)])
        outlet.close()
        assert len(database.export("vat_alarm_occurrence")) == 2
        assert len(database.export("vat_journal_grams")) == 2


def test_settings_are_checked_and_keep_their_secret() -> None:
    for url in ("", "127.0.0.1:8086", "ftp://x"):
        with pytest.raises(ConfigError, match="url"):
            settings(url)
    with pytest.raises(ConfigError, match="timeout_s"):
        settings("http://x", 0)
    assert TOKEN not in repr(settings("http://x"))


def test_the_library_is_not_loaded_before_it_is_needed() -> None:
    import subprocess
    import sys

    code = (
        "import sys; from vatwatch.outlets.influx import InfluxOutlet, InfluxSettings; "
        "from datetime import UTC; "
        "from vatwatch.outlets.phone import PhoneOutlet, PhoneTarget; "
        "from vatwatch.outlets.rounds import Lane, Wishes; "
        "from vatwatch.outlets.mqtt import MqttOutlet; "
        "InfluxOutlet(InfluxSettings('http://x', 'o', 'b', 't', 's')); "
        "PhoneOutlet(PhoneTarget('a', Wishes(UTC), 'json://x'), Lane.DANGER, int); "
        "assert not {'influxdb_client', 'apprise', 'paho'} & set(sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
