"""The port reader, end to end on real pseudo-terminals: devices that talk, answer, babble and fall silent."""

from __future__ import annotations

import time
from collections.abc import Sequence
from pathlib import Path

import pytest

from tests.probes.pty_bench import LISTED, ORP, PH, Device, Inbox, StartReader, opened, until
from vatwatch.probes.lines import LineFormat
from vatwatch.probes.reader import PortReader
from vatwatch.probes.settings import PortSettings, ProbeWiring
from vatwatch.records import PortEvent, Sample
from vatwatch.terms import Flag, Signal


def test_a_free_running_device_is_read_from_its_second_line_on(
    device: Device, inbox: Inbox, start_reader: StartReader
) -> None:
    start_reader(probes=(PH, ORP, ProbeWiring("spare", "barn", "ph", Signal.PH)))
    opened(inbox)
    device.say(b"0.84,-1300\r\n10.85,-1302\r\n")
    until(lambda: len(inbox.samples) == 3, "three samples")
    assert inbox.samples == [
        Sample(1_000, "madder-lane", "glass", Signal.PH, 10.85),
        Sample(1_000, "barn", "spare", Signal.PH, 10.85),
        Sample(1_000, "madder-lane", "platinum", Signal.ORP_MV, -653.0),
    ]
    assert inbox.events("opened") == [PortEvent(1_000, "shed", "opened", f"{device.name} opened at 9600 8N1")]
    assert inbox.events("garbled") == []


def test_a_reading_is_stamped_when_its_last_byte_is_in(device: Device, inbox: Inbox, start_reader: StartReader) -> None:
    now = [1_000]
    start_reader(clock_ms=lambda: now[0])
    opened(inbox)
    for piece in (b"\r\n", b"1", b"0.8", b"5,-65", b"10\r"):
        device.say(piece)
        time.sleep(0.02)
    assert inbox.samples == []
    now[0] = 2_000
    device.say(b"\n")
    until(lambda: len(inbox.samples) == 2, "two samples")
    assert {sample.time_ms for sample in inbox.samples} == {2_000}


def test_questions_are_asked_in_turn_and_answers_may_come_byte_by_byte(
    device: Device, inbox: Inbox, start_reader: StartReader
) -> None:
    start_reader(
        LineFormat(ask=b"PH?\r", fields=("ph",), answer_within_s=20),
        LineFormat(ask=b"MV?\r", fields=("orp_mv",), answer_within_s=20),
        rate=1.0,
    )
    for question, answer in ((b"PH?\r", b"PH?\r\n10.84\r\n"), (b"MV?\r", b"-1304\r\n")):
        assert device.hear() == question
        for byte in answer:
            device.say(bytes([byte]))
    until(lambda: len(inbox.samples) == 2, "two samples")
    assert [sample.value for sample in inbox.samples] == [10.84, -654.0]
    assert inbox.events("garbled") == [], "an echo of the question is not rubbish"


def test_no_answer_is_a_missing_sample_and_a_late_one_is_not_taken_for_the_next(
    device: Device, inbox: Inbox, start_reader: StartReader
) -> None:
    start_reader(
        LineFormat(ask=b"PH?\r", fields=("ph",), answer_within_s=0.5),
        LineFormat(ask=b"MV?\r", fields=("orp_mv",), answer_within_s=20),
        rate=1.0,
    )
    assert device.hear() == b"PH?\r"
    until(lambda: len(inbox.samples) == 1, "the missing sample")
    device.say(b"10.84\r\n")
    assert device.hear() == b"MV?\r"
    device.say(b"-1304\r\n")
    until(lambda: len(inbox.samples) == 2, "the second answer")
    assert inbox.samples == [
        Sample(1_000, "madder-lane", "glass", Signal.PH, None, Flag.MISSING, "no answer within 0.5 s"),
        Sample(1_000, "madder-lane", "platinum", Signal.ORP_MV, -654.0),
    ]


@pytest.mark.parametrize(
    ("answer", "reason"),
    [
        (b"10.8410.85,-1304\r\n", "answer refused: ph: two numbers run together (10.8410.85)"),
        (b"10.84,-65", "answer did not end within 0.5 s"),
    ],
)
def test_a_damaged_answer_is_a_missing_sample_for_each_probe_with_its_reason(
    device: Device, inbox: Inbox, start_reader: StartReader, answer: bytes, reason: str
) -> None:
    start_reader(LineFormat(ask=b"R\r", delimiter=",", fields=("ph", "orp_mv"), answer_within_s=0.5), rate=1.0)
    assert device.hear() == b"R\r"
    device.say(answer)
    until(lambda: len(inbox.samples) == 2, "two missing samples")
    assert [(sample.value, sample.flag) for sample in inbox.samples] == [(None, Flag.MISSING)] * 2
    assert inbox.samples[1].reason in reason
    assert inbox.samples[0].reason in reason
    until(lambda: len(inbox.events("garbled")) == 1, "garbled")


def test_what_a_device_says_it_does_not_know_is_missing_for_that_probe_alone(
    device: Device, inbox: Inbox, start_reader: StartReader
) -> None:
    start_reader(LineFormat(ask=b"R\r", delimiter=",", fields=("ph", "orp_mv")), rate=1.0)
    assert device.hear() == b"R\r"
    device.say(b"nan,-1304\r\n")
    until(lambda: len(inbox.samples) == 2, "two samples")
    assert inbox.samples[0].value == -654.0
    assert inbox.samples[1].value is None
    assert inbox.samples[1].reason == "ph: the device gives no value (nan)"


def test_rubbish_is_one_event_with_count_excerpt_and_the_likely_cause(
    device: Device, inbox: Inbox, start_reader: StartReader
) -> None:
    start_reader(rate=1.0)
    opened(inbox)
    device.say(b"\r\n" + b"\xf8\x80\x00\xfe\r\n" * 30)
    until(lambda: len(inbox.events("garbled")) == 1, "garbled")
    device.say(b"\xf8\x80\x00\xfe\r\n" * 30 + b"10.85,-1302\r\n")
    until(lambda: len(inbox.samples) == 2, "a reading after the rubbish")
    (garbled,) = inbox.events("garbled")
    assert "refused" in garbled.detail
    assert '"\\xf8\\x80\\x00\\xfe"' in garbled.detail
    assert "look like a wrong baud rate: the port is set to 9600 8N1" in garbled.detail


def test_of_two_readers_on_one_port_the_second_says_why_and_takes_over_later(
    device: Device, inbox: Inbox, start_reader: StartReader
) -> None:
    first = start_reader()
    opened(inbox)
    second_inbox = Inbox()
    start_reader(deliver=second_inbox)
    until(lambda: len(second_inbox.events("cannot-open")) == 1, "the second reader's complaint")
    assert "in use by another program" in second_inbox.events("cannot-open")[0].detail
    assert first.stop(10.0)
    opened(second_inbox)


def test_a_fault_of_the_program_itself_is_told_and_reading_goes_on(
    device: Device, inbox: Inbox, start_reader: StartReader, caplog: pytest.LogCaptureFixture
) -> None:
    reader = start_reader()
    opened(inbox)
    inbox.fail_once = RuntimeError("queue broken")
    device.say(b"\r\n10.85,-1302\r\n")
    until(lambda: len(inbox.events("fault")) == 1, "fault")
    assert "RuntimeError: queue broken" in inbox.events("fault")[0].detail
    assert "begins again" in caplog.text
    opened(inbox, 2)
    device.say(b"\r\n10.86,-1302\r\n")
    until(lambda: len(inbox.samples) == 2, "samples after the fault")
    assert reader.is_alive


def test_a_receiver_that_always_fails_does_not_end_the_thread(
    device: Device, caplog: pytest.LogCaptureFixture, start_reader: StartReader
) -> None:
    class Broken(Inbox):
        calls = 0

        def __call__(self, records: Sequence[Sample | PortEvent]) -> None:
            self.calls += 1
            raise OSError("disk gone")

    broken = Broken()
    reader = start_reader(deliver=broken)
    until(lambda: broken.calls >= 4, "four attempts")
    assert reader.is_alive


def test_an_idle_reader_feeds_the_watchdog_and_stops_at_once(inbox: Inbox, start_reader: StartReader) -> None:
    reader = start_reader()
    opened(inbox)
    seen = reader.last_progress
    until(lambda: reader.last_progress > seen, "progress while idle")
    assert reader.is_alive
    assert reader.stop(5.0)
    assert not reader.is_alive


def test_a_reader_waiting_for_an_answer_or_a_device_stops_at_once(
    device: Device, inbox: Inbox, start_reader: StartReader
) -> None:
    waiting = start_reader(LineFormat(ask=b"R\r", fields=("ph",), answer_within_s=60), probes=(PH,), rate=1.0)
    device.hear()
    assert waiting.stop(5.0)
    device.unplug()
    away = start_reader(rate=1.0)
    until(lambda: len(inbox.events("cannot-open")) == 1, "cannot open")
    assert away.stop(5.0)


def test_a_rehearsal_at_480_times_asks_and_hears_as_often_as_the_clock_runs(
    device: Device, inbox: Inbox, start_reader: StartReader
) -> None:
    start_reader(LineFormat(ask=b"R\r", fields=("ph",)), probes=(PH,), rate=480.0)
    for number in range(100):
        device.hear()
        device.say(b"%.2f\r\n" % (10 + number / 100))
    until(lambda: len([s for s in inbox.samples if s.value is not None]) >= 99, "99 answers")


def test_a_rate_that_is_none_is_refused(tmp_path: Path, inbox: Inbox) -> None:
    settings = PortSettings(port="shed", device="x", questions=(LISTED,), silent_after_s=60, probes=())
    with pytest.raises(ValueError, match="rate is 0"):
        PortReader(settings, lambda: 0, inbox, 0)
