"""The forwarder's contract, against outlets that fail in every way an outlet can."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.outlets.book import T0, Book, SwiftWake, entry, scan
from tests.services import wait_until
from vatwatch.errors import OutletPermanent, OutletRetryable, RowRejected, StoreError, StoreFull
from vatwatch.outlets.forwarder import Forwarder
from vatwatch.outlets.wake import Wake
from vatwatch.records import Numbered
from vatwatch.terms import Stream


class Sink:
    """An outlet whose behaviour is a function; keeps what it took."""

    name = "sink"

    def __init__(
        self,
        behave: Callable[[Sequence[Numbered]], int | None] = lambda _: None,
        streams: tuple[Stream, ...] = (Stream.SCANS,),
        coalesce: bool = False,
        batch_limit: int = 16,
        idempotent: bool = False,
    ) -> None:
        self.behave, self.streams, self.coalesce, self.batch_limit = behave, streams, coalesce, batch_limit
        self.idempotent = idempotent
        self.taken: list[tuple[Stream, int]] = []
        self.calls: list[list[int]] = []
        self.closed = 0

    def deliver(self, stream: Stream, rows: Sequence[Numbered]) -> int | None:
        self.calls.append([row.number for row in rows])
        reached = self.behave(rows)
        self.taken += [(stream, row.number) for row in rows if reached is None or row.number <= reached]
        return reached

    def close(self) -> None:
        self.closed += 1


def run(book: Book, sink: Sink, seconds: float = 30.0) -> SwiftWake:
    """Run a forwarder for so many seconds of its own time, without sleeping."""
    wake = SwiftWake(seconds)
    Forwarder(sink, book.open, book, lambda: T0 + int(1000 * wake.time_s), wake, jitter=lambda: 1.0).run()
    return wake


def position(book: Book, stream: Stream = Stream.SCANS) -> int:
    return book.delivery("sink", stream).position


def test_everything_arrives_once_and_in_order() -> None:
    book, sink = Book(), Sink(streams=(Stream.JOURNAL, Stream.SCANS))
    book.add(*(scan(i) for i in range(100)), *(entry(i) for i in range(5)))
    run(book, sink)
    assert [n for stream, n in sink.taken if stream is Stream.SCANS] == list(range(1, 101))
    assert [n for stream, n in sink.taken if stream is Stream.JOURNAL] == list(range(1, 6))
    done = book.delivery("sink", Stream.SCANS)
    assert (done.position, done.delivered, done.dropped, done.failures) == (100, 100, 0, 0)
    assert done.last_ok_ms is not None
    assert sink.closed == 1
    assert book.largest_read <= sink.batch_limit


def test_a_restart_goes_on_where_the_last_run_ended() -> None:
    book = Book()
    book.add(*(scan(i) for i in range(10)))
    run(book, Sink())
    book.add(*(scan(i) for i in range(10, 15)))
    second = Sink()
    run(book, second)
    assert [n for _, n in second.taken] == [11, 12, 13, 14, 15]


def test_power_cut_between_delivery_and_record_delivers_again_and_loses_nothing() -> None:
    class PowerCut(BaseException):
        pass

    class Cut(Book):
        def record_delivery(self, delivery: object, rejected: object = None) -> None:
            raise PowerCut

    book = Book()
    book.add(*(scan(i) for i in range(20)))
    dying = Cut()
    dying.rows = book.rows
    first = Sink()
    with pytest.raises(PowerCut):
        run(dying, first)
    assert [n for _, n in first.taken] == list(range(1, 17))
    second = Sink()
    run(book, second)
    assert [n for _, n in second.taken] == list(range(1, 21))


def test_a_full_disk_holds_delivery_back_instead_of_doubling_it() -> None:
    book = Book()
    book.add(*(scan(i) for i in range(60)))
    wake = SwiftWake(3600)
    sink = Sink()

    def fill_after_the_first_batch(rows: Sequence[Numbered]) -> None:
        assert book.refuse_records is None, "nothing more is delivered while the last batch cannot be recorded"
        if rows[0].number > 16 and wake.time_s < 600:
            book.refuse_records = StoreFull("no room on the card")

    real_wait = wake.wait

    def wait(timeout_s: float) -> None:
        if wake.time_s > 600:
            book.refuse_records = None
        real_wait(timeout_s)

    sink.behave = fill_after_the_first_batch
    wake.wait = wait  # type: ignore[method-assign]
    Forwarder(sink, book.open, book, lambda: T0, wake, jitter=lambda: 1.0).run()
    assert [n for _, n in sink.taken] == list(range(1, 61)), "nothing twice, nothing lost"
    done = book.delivery("sink", Stream.SCANS)
    assert (done.position, done.failures) == (60, 0)


def test_back_off_doubles_to_five_minutes_and_memory_stays_flat_through_a_month() -> None:
    book = Book()
    book.add(*(scan(i) for i in range(1000)))
    tries: list[float] = []
    wake = SwiftWake(30 * 86400)

    def down(rows: Sequence[Numbered]) -> None:
        tries.append(wake.time_s)
        raise OutletRetryable("refused")

    sink = Sink(down)
    Forwarder(sink, book.open, book, lambda: T0, wake, jitter=lambda: 1.0).run()
    gaps = [b - a for a, b in pairwise(tries)]
    assert gaps[:9] == pytest.approx([1, 2, 4, 8, 16, 32, 64, 128, 256], abs=0.1)
    assert max(gaps) == pytest.approx(300, abs=1)
    assert len(tries) == pytest.approx(30 * 86400 / 300, rel=0.02)
    assert book.largest_read <= sink.batch_limit
    failed = book.delivery("sink", Stream.SCANS)
    assert (failed.position, failed.delivered, failed.last_error) == (0, 0, "refused")
    assert failed.failures == len(tries)
    sink.behave = lambda _: None
    run(book, sink)
    assert position(book) == 1000


def test_jitter_spreads_the_back_off() -> None:
    book = Book()
    book.add(scan(0))
    ends = []
    for jitter in (0.0, 0.5, 1.0):
        wake = SwiftWake(1000)
        tries: list[float] = []

        def down(rows: Sequence[Numbered], tries: list[float] = tries, wake: SwiftWake = wake) -> None:
            tries.append(wake.time_s)
            raise OutletRetryable("refused")

        Forwarder(Sink(down), book.open, book, lambda: T0, wake, jitter=lambda share=jitter: share).run()  # type: ignore[misc]
        ends.append(tries[6])
    assert ends[0] < ends[1] < ends[2]


def test_the_peers_own_wish_is_honoured() -> None:
    book = Book()
    book.add(scan(0))
    tries: list[float] = []
    wake = SwiftWake(200)

    def busy(rows: Sequence[Numbered]) -> None:
        tries.append(wake.time_s)
        if len(tries) == 1:
            raise OutletRetryable("busy", retry_after_s=77)

    Forwarder(Sink(busy), book.open, book, lambda: T0, wake, jitter=lambda: 0.0).run()
    assert tries == pytest.approx([0, 77], abs=0.1)
    assert position(book) == 1


def test_one_bad_row_is_set_aside_with_its_reason_and_the_rest_arrives() -> None:
    book = Book()
    book.add(*(scan(i) for i in range(30)))

    def picky(rows: Sequence[Numbered]) -> None:
        if any(row.number == 11 for row in rows):
            raise RowRejected("field type conflict")

    sink = Sink(picky)
    run(book, sink)
    assert [n for _, n in sink.taken] == [n for n in range(1, 31) if n != 11]
    done = book.delivery("sink", Stream.SCANS)
    assert (done.position, done.delivered, done.dropped) == (30, 29, 1)
    assert "row 11" in done.last_error
    assert "field type conflict" in done.last_error
    (kept,) = book.rejected
    assert (kept.outlet, kept.stream, kept.row_number, kept.reason) == ("sink", "scans", 11, "field type conflict")


@settings(deadline=None)
@given(bad=st.sets(st.integers(1, 60), max_size=9), limit=st.integers(1, 40))
def test_bisecting_counts_exactly_the_bad_rows(bad: set[int], limit: int) -> None:
    book = Book()
    book.add(*(scan(i) for i in range(60)))

    def picky(rows: Sequence[Numbered]) -> None:
        if any(row.number in bad for row in rows):
            raise RowRejected("no")

    sink = Sink(picky, batch_limit=limit)
    run(book, sink, seconds=2)
    done = book.delivery("sink", Stream.SCANS)
    assert [n for _, n in sink.taken] == [n for n in range(1, 61) if n not in bad]
    assert (done.position, done.delivered, done.dropped) == (60, 60 - len(bad), len(bad))


def test_a_peer_that_refuses_every_row_does_not_eat_the_season() -> None:
    book = Book()
    book.add(*(scan(i) for i in range(500)))

    def refuse(rows: Sequence[Numbered]) -> None:
        raise RowRejected("organization is required")

    run(book, Sink(refuse), seconds=3600)
    done = book.delivery("sink", Stream.SCANS)
    assert done.dropped <= 10 + 4, "ten to become suspicious, then one a quarter of an hour"
    assert "not in the rows" in done.last_error


def test_a_permanent_fault_rests_a_quarter_of_an_hour_and_says_why() -> None:
    book = Book()
    book.add(scan(0))
    tries: list[float] = []
    wake = SwiftWake(4000)

    def wrong(rows: Sequence[Numbered]) -> None:
        tries.append(wake.time_s)
        if len(tries) < 3:
            raise OutletPermanent("the token is not valid")

    Forwarder(Sink(wrong), book.open, book, lambda: T0, wake).run()
    assert tries == pytest.approx([0, 900, 1800], abs=1)
    done = book.delivery("sink", Stream.SCANS)
    assert done.position == 1
    assert "the token is not valid" in done.last_error


def test_an_unexpected_exception_is_reported_and_tried_again(caplog: pytest.LogCaptureFixture) -> None:
    book = Book()
    book.add(scan(0))
    calls: list[int] = []

    def buggy(rows: Sequence[Numbered]) -> None:
        calls.append(1)
        if len(calls) < 3:
            raise KeyError("oops")

    run(book, Sink(buggy))
    done = book.delivery("sink", Stream.SCANS)
    assert (done.position, done.failures) == (1, 2)
    assert "KeyError" in done.last_error
    assert "unexpected" in caplog.text


def test_trouble_in_one_stream_does_not_hold_up_another() -> None:
    book = Book()
    book.add(*(scan(i) for i in range(20)), entry(1))

    def journal_fails(rows: Sequence[Numbered]) -> None:
        if rows[0].record == entry(1):
            raise OutletRetryable("journal trouble")

    run(book, Sink(journal_fails, streams=(Stream.JOURNAL, Stream.SCANS)), seconds=2)
    assert position(book, Stream.SCANS) == 20
    assert position(book, Stream.JOURNAL) == 0


def test_an_unreadable_store_is_opened_anew_later() -> None:
    book = Book()
    book.add(scan(0))
    book.refuse_reads = StoreError("locked by another vatwatch")
    sink = Sink()
    wake = SwiftWake(600)
    real_wait = wake.wait

    def wait(timeout_s: float) -> None:
        if wake.time_s > 100:
            book.refuse_reads = None
        real_wait(timeout_s)

    wake.wait = wait  # type: ignore[method-assign]
    Forwarder(sink, book.open, book, lambda: T0, wake).run()
    assert [n for _, n in sink.taken] == [1]


def test_an_outlet_may_stop_half_way_and_the_cursor_follows() -> None:
    book = Book()
    book.add(*(scan(i) for i in range(9)))
    sink = Sink(lambda rows: rows[0].number)
    run(book, sink)
    assert [n for _, n in sink.taken] == list(range(1, 10))
    assert book.records >= 9
    assert book.delivery("sink", Stream.SCANS).delivered == 9


def test_state_outlets_get_only_the_newest_row_of_each_vat() -> None:
    book = Book()
    for slot in range(200):
        book.add(scan(slot, "indigo-a"), scan(slot, "indigo-b"))
    sink = Sink(coalesce=True, batch_limit=50)
    run(book, sink, seconds=2)
    assert sink.calls == [[399, 400]]
    assert position(book) == 400
    assert book.largest_read <= 50


def test_where_a_repetition_leaves_no_trace_the_card_is_spared() -> None:
    book = Book()
    sink = Sink(idempotent=True)
    wake = SwiftWake(600)
    real_wait = wake.wait

    def wait(timeout_s: float) -> None:
        book.add(scan(int(wake.time_s)))
        real_wait(timeout_s)

    wake.wait = wait  # type: ignore[method-assign]
    Forwarder(sink, book.open, book, lambda: T0, wake).run()
    assert len(sink.taken) >= 599
    assert book.records <= 12, "once a minute, and at the end"
    assert position(book) == len(sink.taken)


def test_notify_and_stop_act_at_once_on_the_real_thread() -> None:
    book, sink = Book(), Sink()
    arrived = threading.Event()
    sink.behave = lambda _: arrived.set()
    forwarder = Forwarder(sink, book.open, book, lambda: T0, Wake())
    forwarder.start()
    try:
        wait_until(lambda: book.opened == 1, "the forwarder looks at the store")
        before = forwarder.last_progress
        book.add(scan(0))
        forwarder.notify()
        assert arrived.wait(0.8), "notified, so sooner than the poll of one second"
        wait_until(lambda: position(book) == 1, "the cursor is recorded")
        assert forwarder.last_progress >= before

        def down(rows: Sequence[Numbered]) -> None:
            raise OutletRetryable("asks for an hour", retry_after_s=3600)

        sink.behave = down
        book.add(scan(1))
        forwarder.notify()
        wait_until(lambda: book.delivery("sink", Stream.SCANS).failures == 1, "it failed and rests")
    finally:
        assert forwarder.stop(1.0), "a back-off of an hour is cut short"
    assert sink.closed == 1
    with pytest.raises(RuntimeError, match="started before"):
        forwarder.start()
