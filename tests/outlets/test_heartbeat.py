"""The heartbeat at a real web server: called while the watch goes on, silent when it is stuck, its address never shown."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from tests.outlets.book import T0
from tests.services import HOST, Answer, HttpReceiver, free_port, wait_until
from vatwatch.errors import ConfigError, StoreError
from vatwatch.outlets.heartbeat import NAME, STREAM, Heartbeat, HeartbeatSettings
from vatwatch.records import Delivery

SECRET = "s3cret-token"  # noqa: S105 - it is to be looked for


class Watch:
    """Whether the watch goes on, and what was recorded of the heartbeat."""

    def __init__(self) -> None:
        self.goes_on = True
        self.asked = 0
        self.kept: list[Delivery] = []
        self.full = False

    def ask(self) -> bool:
        self.asked += 1
        return self.goes_on

    def record(self, delivery: Delivery) -> None:
        if self.full:
            raise StoreError("no room")
        self.kept.append(delivery)


@contextmanager
def beating(watch: Watch, url: str, every_s: float = 0.05, method: str = "GET") -> Iterator[Heartbeat]:
    time_ms = iter(range(T0, T0 + 10**9, 1000))
    settings = HeartbeatSettings(url, every_s, method)
    made = Heartbeat(settings, watch.ask, watch.record, Delivery(NAME, STREAM), lambda: next(time_ms))
    made.start()
    try:
        yield made
    finally:
        assert made.stop(15)


@pytest.fixture
def receiver() -> Iterator[HttpReceiver]:
    with HttpReceiver() as made:
        yield made


@pytest.mark.parametrize("method", ["GET", "POST"])
def test_it_calls_while_the_watch_goes_on_and_is_silent_while_it_is_stuck(receiver: HttpReceiver, method: str) -> None:
    watch = Watch()
    with beating(watch, f"{receiver.url}/{SECRET}", method=method):
        wait_until(lambda: len(receiver.heard) >= 3, "calls")
        watch.goes_on = False
        asked = watch.asked
        wait_until(lambda: watch.asked > asked + 1, "it has noticed")
        so_far = len(receiver.heard)
        asked = watch.asked
        wait_until(lambda: watch.asked > asked + 20, "many looks later")
        assert len(receiver.heard) == so_far, "a stuck watch must be silent"
        watch.goes_on = True
        wait_until(lambda: len(receiver.heard) > so_far, "it calls again")
    assert {(heard.method, heard.path) for heard in receiver.heard} == {(method, f"/{SECRET}")}
    assert len(watch.kept) == 1, "an unchanged success is not written down with every call"
    assert watch.kept[0].last_ok_ms is not None


def test_a_failure_is_kept_and_told_and_the_calls_go_on(
    receiver: HttpReceiver, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    watch = Watch()
    receiver.respond = lambda _: Answer(500 if len(receiver.heard) < 4 else 200)
    with beating(watch, f"{receiver.url}/{SECRET}"):
        wait_until(lambda: len(watch.kept) == 2, "bad, then good again")
    bad, good = watch.kept
    assert (bad.last_error, bad.last_ok_ms) == ("its address answers 500", None)
    assert (good.last_ok_ms or 0) > (good.last_error_ms or 0)
    assert good.failures == 3
    assert SECRET not in caplog.text


def test_no_answer_and_a_store_without_room_end_nothing(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.DEBUG)
    watch = Watch()
    watch.full = True
    with beating(watch, f"http://{HOST}:{free_port()}/{SECRET}") as heart:
        wait_until(lambda: "cannot be reached (Connection refused)" in caplog.text, "it is told")
        wait_until(lambda: "could not be recorded" in caplog.text, "so is that")
        assert heart.alive
    assert SECRET not in caplog.text


@pytest.mark.parametrize(
    "url", ["", "nonsense", f"ftp://host/{SECRET}", f"http://host/{SECRET} x", f"http://host/{SECRET}\x01", "https://"]
)
def test_an_address_that_is_none_is_said_without_showing_it(url: str) -> None:
    with pytest.raises(ConfigError, match=r"\[heartbeat\] url_file") as caught:
        HeartbeatSettings(url)
    assert SECRET not in str(caught.value)
    assert SECRET not in repr(HeartbeatSettings(f"http://h/{SECRET}"))


@pytest.mark.parametrize("url", [f"http://[::1/{SECRET}", f"http://host:port/{SECRET}", f"http://{SECRET}.invalid/"])
def test_what_only_a_call_finds_out_is_said_without_showing_it(url: str, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.DEBUG)
    watch = Watch()
    with beating(watch, url):
        wait_until(lambda: watch.kept, "the failure is kept", 20)
    assert watch.kept[0].last_error.startswith("its address cannot be reached")
    assert SECRET not in caplog.text + repr(watch.kept)
