"""The review written from a real store and opened in a real Chromium from its file."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Request, sync_playwright

from vatwatch.errors import VatwatchError
from vatwatch.records import (
    AlarmEvent,
    Batch,
    JournalEntry,
    Measured,
    PortEvent,
    Push,
    Reduction,
    Scan,
    StepResult,
    VatCard,
)
from vatwatch.season.review import WrittenReview, write_review
from vatwatch.store.reading import StoreReader
from vatwatch.store.writing import StoreWriter
from vatwatch.terms import AlarmState, EntryKind, Flag, Urgency, VatCondition

SLOT_MS = 10_000
BEGIN_MS = 1_780_300_800_000  # 2026-06-01 08:00 UTC, 10:00 in Berlin
SLOTS = 2160  # six hours
END_MS = BEGIN_MS + SLOTS * SLOT_MS
GAP = range(700, 900)
NASTY = "</script><script>alert(1)</script><img src=x onerror=alert(2)> & <b>blue</b> <!-- \u2028"

CARD = VatCard(
    "copper", "Copper vat </title>", "woad", "protein", 40.0, True, 9.0, 9.5, 45.0, 50.0, 55.0, 0.9, 30.0, ("Care.",)
)


def condition_at(slot: int) -> VatCondition:
    for until, condition in (
        (360, VatCondition.DYEABLE),
        (540, VatCondition.SETTLING),
        (1000, VatCondition.OFF),
        (1080, VatCondition.TOO_HOT),
        (1260, VatCondition.UNKNOWN),
    ):
        if slot <= until:
            return condition
    return VatCondition.DYEABLE


def scan_at(slot: int, vat: str = "copper") -> Scan:
    slot_ms = BEGIN_MS + slot * SLOT_MS
    known = condition_at(slot) is not VatCondition.UNKNOWN
    share = 0.7 + 0.25 * slot / SLOTS
    return Scan(
        slot_ms,
        vat,
        Measured(8.7 + slot / SLOTS / 2, 0.02, Flag.PASS) if known else Measured(None, None, Flag.MISSING, "silent"),
        Measured(-590.0, 3.0, Flag.PASS),
        Measured(46.0 + 8 * slot / SLOTS, 0.1, Flag.PASS),
        -390.0,
        4.0,
        9.1 + slot / SLOTS / 2 if known else None,
        Reduction(share, share - 0.1, share + 0.04, 20.0, 9.0, False, 0.5) if known else None,
        condition_at(slot),
    )


def alarm(slot: int, transition: str, before: AlarmState, after: AlarmState) -> AlarmEvent:
    return AlarmEvent(BEGIN_MS + slot * SLOT_MS, "copper", "off-ph-low", 1, transition, before, after, 8.8, 9.0)


def entry(number: int, slot: int, kind: EntryKind, **fields: object) -> JournalEntry:
    made = JournalEntry(f"entry-{number:04}", BEGIN_MS + slot * SLOT_MS, BEGIN_MS + slot * SLOT_MS, "copper", kind)
    return replace(made, **fields)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def reviewed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, WrittenReview]:
    directory = tmp_path_factory.mktemp("season")
    store = directory / "store.db"
    events = {
        event.slot_ms: event
        for event in (
            alarm(541, "occurs", AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED),
            alarm(600, "acknowledge", AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED),
            alarm(1261, "returns to normal", AlarmState.ACKNOWLEDGED, AlarmState.NORMAL),
        )
    }
    with StoreWriter.open(store) as writer:
        version = writer.record_settings(BEGIN_MS, "{}", [CARD, replace(CARD, vat="idle", name="Idle vat")])
        for slot in range(1, SLOTS + 1):
            scan = scan_at(slot)
            event = events.get(scan.slot_ms)
            pushes: tuple[Push, ...] = ()
            if slot == 541:
                pushes = (
                    Push(
                        "p1", scan.slot_ms, "copper", "off-ph-low", Urgency.ACT, "Too sour", f"pH sank. {NASTY}", "▁▂▃"
                    ),
                )
            if slot not in GAP:
                step = StepResult(scan, alarm_events=(event,) if event else (), pushes=pushes)
                writer.append(Batch(scan.slot_ms, version, (step,)))
        writer.append(
            Batch(
                END_MS,
                version,
                journal=(
                    entry(1, 360, EntryKind.STIR),
                    entry(2, 1000, EntryKind.FEED, what="soda ash", grams=30.0),
                    entry(3, 1100, EntryKind.FEED, what="soda ash", grams=12.5),
                    entry(4, 1200, EntryKind.NOTE, text=NASTY),
                ),
                port_events=(PortEvent(BEGIN_MS + 1081 * SLOT_MS, "/dev/ttyUSB0", "lost", "The cable was pulled."),),
            )
        )
    out = directory / "review.html"
    with StoreReader(store) as reader:
        figures = write_review(reader, out, BEGIN_MS, END_MS, "Europe/Berlin")
    return out, figures


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium") or "/usr/bin/chromium",
            args=[
                "--headless",
                "--no-sandbox",
                "--disable-gpu",
                "--disable-quic",
                "--no-first-run",
                "--disable-background-networking",
                "--disable-component-update",
                "--disable-sync",
            ],
        )
        yield browser
        browser.close()


def test_the_figures_are_those_of_the_stored_night(reviewed: tuple[Path, WrittenReview]) -> None:
    out, written = reviewed
    figures = written.figures
    copper, idle = figures.vats
    expected = dict.fromkeys(VatCondition, 0)
    for slot in range(1, SLOTS + 1):
        if slot not in GAP:
            expected[condition_at(slot)] += SLOT_MS
    assert dict(copper.times.rows()) == {
        **{condition.value: spent_ms for condition, spent_ms in expected.items()},
        "not recorded": len(GAP) * SLOT_MS,
    }
    assert (copper.scans, copper.entries) == (SLOTS - len(GAP), 4)
    assert copper.fed_grams == (("soda ash", 42.5),)
    [episode] = copper.episodes
    assert (episode.raised_ms, episode.lasted_ms) == (BEGIN_MS + 541 * SLOT_MS, 720 * SLOT_MS)
    assert idle.times.not_recorded_ms == END_MS - BEGIN_MS
    assert (len(figures.pushes), len(figures.port_events)) == (1, 1)
    assert written.bytes_written == out.stat().st_size


def test_the_page_says_all_of_it(reviewed: tuple[Path, WrittenReview]) -> None:
    text = reviewed[0].read_text(encoding="utf-8").split("<script>")[0]
    for phrase in (
        "off: pH low",
        "1 Jun 2026 11:30",  # raised at slot 541, 5410 s after 10:00
        "1 Jun 2026 11:40",  # acknowledged
        "2 h 0 min",
        "fed 30 g soda ash",
        "42.5 g soda ash",
        "Too sour",
        "The cable was pulled.",
        "Nothing was recorded of this vat in this span.",
        "not recorded",
    ):
        assert phrase in text, phrase


def test_what_people_wrote_is_never_markup(reviewed: tuple[Path, WrittenReview]) -> None:
    text = reviewed[0].read_text(encoding="utf-8")
    assert "<img src=x" not in text
    assert "<script>alert" not in text
    assert len(re.findall(r"<script\b", text.split("/**\n* plotly.js")[0])) == 2  # the curves and Plotly's own
    [curves] = re.findall(r'<script type="application/json" class="curves">(.*?)</script>', text, re.S)
    assert json.loads(curves)["marks"][-1]["words"] == f"note: {NASTY}"


def test_curves_break_where_nothing_was_recorded(reviewed: tuple[Path, WrittenReview]) -> None:
    text = reviewed[0].read_text(encoding="utf-8")
    [curves] = re.findall(r'<script type="application/json" class="curves">(.*?)</script>', text, re.S)
    chart = json.loads(curves)
    buckets = len(chart["times"])
    for part, empty in (("temperature", GAP), ("ph", range(1081, 1261))):
        first, last = empty[0] / SLOTS * buckets, empty[-1] / SLOTS * buckets
        middle = chart[part]["mean"][int(first) + 2 : int(last) - 2]
        assert len(middle) > 50
        assert set(middle) == {None}
        assert chart[part]["mean"][int(first) - 2] is not None
    bucket = buckets // 4
    assert chart["share"]["low"][bucket] <= chart["share"]["mean"][bucket] <= chart["share"]["high"][bucket]
    assert chart["ph_25c"][bucket] - chart["ph"]["mean"][bucket] == pytest.approx(0.4, abs=0.002)


def test_it_opens_from_its_file_without_a_word_of_complaint(
    reviewed: tuple[Path, WrittenReview], browser: Browser
) -> None:
    wrong: list[str] = []
    asked: list[str] = []

    def request(sent: Request) -> None:
        asked.append(sent.url)

    context = browser.new_context(viewport={"width": 1100, "height": 900})
    try:
        page = context.new_page()
        page.on("console", lambda message: wrong.append(message.text))
        page.on("pageerror", lambda error: wrong.append(str(error)))
        page.on("dialog", lambda dialog: wrong.append(dialog.message))
        page.on("request", request)
        page.goto(reviewed[0].as_uri())
        page.wait_for_selector("body[data-drawn='1']")
        assert page.locator(".chart .main-svg").count() > 0
        assert page.locator(".chart .shapelayer path").count() >= 7 + 4  # limits and journal marks
        assert page.locator("img").count() == 0
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        complaints = Axe().run(page)
        assert complaints.violations_count == 0, complaints.generate_report()
        paper = page.pdf(format="A4")
        assert paper.startswith(b"%PDF")
    finally:
        context.close()
    assert wrong == []
    assert [url for url in asked if not url.startswith(("file:", "data:"))] == []


def test_a_review_that_cannot_be_written_says_why_and_leaves_the_old_one(
    reviewed: tuple[Path, WrittenReview], tmp_path: Path
) -> None:
    store = reviewed[0].parent / "store.db"
    with StoreReader(store) as reader:
        with pytest.raises(VatwatchError, match="cannot be written to"):
            write_review(reader, tmp_path / "no" / "such" / "review.html", BEGIN_MS, END_MS, "UTC")
        with pytest.raises(VatwatchError, match="span is empty"):
            write_review(reader, tmp_path / "review.html", END_MS, END_MS, "UTC")
        assert list(tmp_path.iterdir()) == []
        write_review(reader, tmp_path / "review.html", BEGIN_MS, BEGIN_MS + 1000, "UTC")
    assert [path.name for path in tmp_path.iterdir()] == ["review.html"]
