"""A dip day at the real daemon's page on rehearsed vats, played through as a new user would: on a phone and at a desk,
with scripts and without, by keyboard alone, and through a lost connection. Every screen is looked at by axe-core.

    VATWATCH_SHOTS=/tmp/shots python -m pytest tests/page/test_dip_day.py -s     pictures, and taps per entry
"""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from typing import Literal
from uuid import uuid4

import httpx
import pytest
from playwright.sync_api import Browser, Page, Route, ViewportSize

from tests.page.handling import DESK, PHONE, SMALL_TEXT, Hands, hands_on
from tests.page.rehearsed import PASSPHRASE, Rehearsed, rehearsed
from tests.services import wait_until
from vatwatch.dyeing.pieces import Stage, pieces_of
from vatwatch.terms import EntryKind

PIECES, DIPS = 5, 3


@pytest.fixture(scope="module")
def shed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Rehearsed]:
    with rehearsed(tmp_path_factory.mktemp("dip-day")) as built:
        yield built


@pytest.fixture(scope="module")
def locked(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Rehearsed]:
    with rehearsed(tmp_path_factory.mktemp("locked"), locked=True) as built:
        yield built


def read_out(name: str) -> re.Pattern[str]:
    """A button's name as it is read out: what only a screen reader says is set apart by a space."""
    return re.compile(re.escape(name).replace(":", r"\s*:").replace(r"\ ", r"\s+"))


def test_a_dip_day_on_a_phone(shed: Rehearsed, browser: Browser) -> None:
    with hands_on(browser) as hands:
        page = hands.page
        page.goto(f"{shed.url}/vat/heron")
        names = []
        for dip in range(1, DIPS + 1):
            for number in range(PIECES):
                if dip == 1:
                    with hands.entry("dip in, new piece"):
                        hands.tap(page.get_by_text("Another piece"))
                        name = page.get_by_label("Name").input_value()
                        hands.tap(page.get_by_role("button", name=re.compile(r"^Into the vat( all the same)?$")))
                        hands.logged(f"{name} into the vat")
                    names.append(name)
                else:
                    with hands.entry("dip in"):
                        hands.tap(page.get_by_role("button", name=f"dip of {names[number]}"))
                        hands.logged(f"{names[number]} into the vat")
                if (dip, number) in ((1, 0), (2, 2)):
                    hands.shot(f"dip-{dip}-{number}")
                with hands.entry("dip out"):
                    hands.tap(page.get_by_role("button", name=read_out(f"Out of the vat: {names[number]}")))
                    hands.logged(f"{names[number]} out of the vat")
        with hands.entry("feed, as typed"):
            form = page.locator("form").filter(has=page.get_by_role("button", name="Log feed"))
            hands.write(form.get_by_label("What"), "hydrosulfite")
            hands.write(form.get_by_label("Grams"), "15")
            hands.taps += 2  # into each field
            hands.tap(page.get_by_role("button", name="Log feed"))
            hands.logged("Fed 15")
        with hands.entry("feed, as before"):
            hands.tap(page.get_by_role("button", name=re.compile("^15.g hydrosulfite")))
            hands.logged("Fed 15")
        with hands.entry("stir"):
            hands.tap(page.get_by_role("button", name="Log stir"))
            hands.logged("Stirred")
        with hands.entry("check"):
            hands.tap(page.get_by_text("Check: what the liquor looks like"))
            hands.tap(page.get_by_role("button", name="yellow-green", exact=True))
            hands.logged("Liquor looked yellow-green")
        with hands.entry("take back"):
            hands.tap(page.locator("#done").get_by_role("button", name="Take back"))
            page.get_by_text("Taken back.").wait_for()
        hands.shot("day-done")
        print("\ntaps per entry:")
        for kind, counts in hands.by_entry.items():
            print(f"  {kind:20} {', '.join(f'{taps} taps × {count}' for taps, count in sorted(counts.items()))}")
        assert all(taps <= 2 for kind, counts in hands.by_entry.items() if "typed" not in kind for taps in counts)
    pieces = [piece for piece in pieces_of(shed.journal()) if piece.name in names]
    assert sorted(len(piece.dips) for piece in pieces) == [DIPS] * PIECES
    assert {piece.stage for piece in pieces} == {Stage.AIRING}


@pytest.mark.parametrize("viewport", [PHONE, DESK], ids=["phone", "desk"])
@pytest.mark.parametrize("script", [True, False], ids=["script", "no-script"])
def test_every_action(shed: Rehearsed, browser: Browser, viewport: ViewportSize, script: bool) -> None:
    before = {entry.entry_id for entry in shed.journal()}
    name = f"Cloth {viewport['width']} {script}"
    with hands_on(browser, script=script, viewport=viewport) as hands:
        page = hands.page
        page.goto(shed.url)
        page.get_by_role("link", name="Quince", exact=True).click()
        new_piece(hands, name, "Pre-wet it")
        hands.logged(f"{name}: put to pre-wet")
        for step in (1, 2):
            page.get_by_role("button", name=f"dip of {name}").click()
            hands.logged(f"{name} into the vat")
            if step == 1:
                page.locator("article.piece").filter(has_text=name).locator("summary").click()
                page.locator("article.piece").filter(has_text=name).get_by_label("Air, min").fill("12")
            page.get_by_role("button", name=read_out(f"Out of the vat: {name}")).click()
            hands.logged(f"{name} out of the vat")
        log_everything_else(hands)
        page.get_by_role("link", name=name, exact=True).click()
        page.get_by_role("heading", name=name).wait_for()
        finish_and_judge(hands)
        page.get_by_role("link", name="Pieces", exact=True).click()
        page.get_by_role("link", name=name, exact=True).wait_for()
        page.get_by_role("link", name="Messages").click()
        page.get_by_role("heading", name="Messages to phones").wait_for()
        for span in ("24 hours", "7 days", "Season"):
            page.goto(f"{shed.url}/vat/quince")
            page.get_by_role("link", name=span, exact=True).click()
            page.get_by_role("heading", name=re.compile("Quince: the ")).wait_for()
            if script:
                page.locator("#chart .main-svg").first.wait_for()
    kinds = {entry.kind for entry in shed.journal() if entry.entry_id not in before}
    assert kinds >= {*EntryKind} - {EntryKind.REMADE}


def new_piece(hands: Hands, name: str, button: str) -> None:
    page = hands.page
    page.get_by_text("Another piece").click()
    page.get_by_label("Name").fill(name)
    page.get_by_label("Dry, grams").fill("120,5")
    page.get_by_role("button", name=button, exact=True).click()


def log_everything_else(hands: Hands) -> None:
    page = hands.page
    feed = page.locator("form").filter(has=page.get_by_role("button", name="Log feed"))
    feed.get_by_label("What").fill("fructose")
    feed.get_by_label("Grams").fill("60")
    feed.get_by_label("When").select_option("15")
    feed.get_by_role("button").click()
    hands.logged("Fed 60")
    page.get_by_role("button", name="Log stir").click()
    hands.logged("Stirred")
    page.get_by_text("Check: what the liquor looks like").click()
    page.get_by_role("button", name="thin film", exact=True).click()
    hands.logged("On the surface: thin film")
    for summary, label, value, button, said in (
        ("Top-up", "Litres", "2", "Log top-up", "Topped up 2"),
        ("Note", "Your words", "smells sweet", "Log note", "smells sweet"),
    ):
        page.locator("summary").filter(has_text=re.compile(f"^{summary}$")).click()
        page.get_by_label(label, exact=True).fill(value)
        page.get_by_role("button", name=button).click()
        hands.logged(said)
    page.locator("summary").filter(has_text=re.compile("^Cover$")).click()
    page.get_by_role("button", name="uncovered", exact=True).click()
    hands.logged("Uncovered")
    page.get_by_text("Probe out for cleaning").click()
    page.get_by_role("button", name=read_out("Out for cleaning: pH probe (quince-ph)")).click()
    hands.logged("Took quince-ph out")
    page.get_by_text("Probe out for cleaning").click()
    page.get_by_role("button", name=read_out("It is back: pH probe (quince-ph)")).click()
    hands.logged("Put quince-ph back")
    page.get_by_role("link", name="Log something from earlier").click()
    stir = page.locator("form.stir")
    stir.locator("input[type=datetime-local]").fill("2026-01-02T08:05")
    stir.get_by_role("button").click()
    hands.logged("Stirred")
    page.locator("#done").get_by_role("button", name="Take back").click()
    page.get_by_text("Taken back.").wait_for()


def finish_and_judge(hands: Hands) -> None:
    page = hands.page
    for label, said in (
        ("Rinse", "rinsed"),
        ("Mild-acid rest", "rested in mild acid"),
        ("Boil", "boiled"),
        ("Dry", "dry"),
    ):
        page.get_by_role("button", name=read_out(f"Done: {label}")).click()
        page.get_by_text(re.compile(f"Logged: .*: {said}")).wait_for()
    page.get_by_label("The shade, in your own words").fill("clear mid blue")
    page.get_by_label("Rubbing, dry").select_option("4-5")
    page.get_by_label("Rubbing, wet").select_option("3")
    page.get_by_text("Measured values").click()
    for label, value in (("L*", "31"), ("a*", "0.5"), ("b*", "-20"), ("K/S", "9")):
        page.get_by_label(label, exact=True).fill(value)
    page.get_by_role("button", name="Log outcome").click()
    page.get_by_text("clear mid blue; L* 31 a* 0.5 b* -20; K/S 9; rubbing dry 4–5, wet 3").first.wait_for()


@pytest.mark.parametrize("script", [True, False], ids=["script", "no-script"])
def test_an_alarm_is_seen_shelved_and_told_again(shed: Rehearsed, browser: Browser, script: bool) -> None:
    shed.night.bench.unplug("heron")
    try:
        with hands_on(browser, script=script) as hands:
            page = hands.page
            wait_until(lambda: "silent-temperature" in str(shed.vats()["heron"]["standing_alarms"]), "the alarm", 30)
            page.goto(f"{shed.url}/vat/heron")
            page.get_by_text("Temperature probe silent: nobody has answered yet").first.wait_for()
            hands.shot(f"alarm-{script}")
            page.get_by_role("button", name="acknowledge Temperature probe silent").click()
            until(page, "Temperature probe silent: acknowledged at")
            page.locator("summary").filter(has_text=read_out("Shelve it for a while: Temperature probe silent")).click()
            page.get_by_role("button", name=read_out("30 min: shelve Temperature probe silent")).click()
            until(page, "Temperature probe silent: shelved until")
            page.get_by_role("button", name="unshelve Temperature probe silent").click()
            until(page, "Temperature probe silent: nobody has answered yet")
            assert "Not known" in page.locator(".says").inner_text()
    finally:
        shed.night.bench.replug("heron")
    wait_until(lambda: not shed.vats()["heron"]["withdrawn"], "the cable is back and believed", 30)
    wait_until(lambda: answered(shed), "the alarms are over and answered", 30)


def answered(shed: Rehearsed) -> bool:
    """Acknowledge whatever stands, so that the next test begins in quiet."""
    standing = str(shed.vats()["heron"]["standing_alarms"])
    for alarm in ("silent-ph", "silent-orp", "silent-temperature"):
        body = {"action_id": uuid4().hex, "alarm": alarm, "verb": "acknowledge"}
        assert httpx.post(f"{shed.url}/api/vats/heron/alarms", json=body).status_code == 201
    return "silent" not in standing


def until(page: Page, text: str, within_s: float = 15.0) -> None:
    """The screen comes to say it: by itself where there is a script, by being opened again where there is none."""
    deadline = time.monotonic() + within_s
    while not page.get_by_text(text).first.is_visible():
        assert time.monotonic() < deadline, f"not on screen: {text}\n{page.locator('main').inner_text()[:1500]}"
        page.wait_for_timeout(300)
        if page.locator("html.scripted").count() == 0:
            page.goto(page.url.split("?")[0])


def test_nothing_is_lost_with_the_connection_and_nothing_doubled(shed: Rehearsed, browser: Browser) -> None:
    before = len(shed.journal())
    with hands_on(browser) as hands:
        page = hands.page
        page.goto(f"{shed.url}/vat/quince")
        hands.lost = True
        page.context.set_offline(True)
        pressed_ms = time.time() * 1000
        page.get_by_role("button", name="Log stir").click()
        page.get_by_text("No connection. Kept on this phone, and sent once it is back: Stir Log stir.").wait_for()
        page.get_by_text("Note", exact=True).click()
        page.get_by_label("Your words").fill("written in the cellar")
        page.get_by_role("button", name="Log note").click()
        page.get_by_text("Note Log note.").wait_for()
        hands.shot("no-connection")
        page.wait_for_timeout(4000)
        assert len(shed.journal()) == before
        page.context.set_offline(False)
        wait_until(lambda: len(shed.journal()) == before + 2, "both are sent", 30)
        page.get_by_text("Sent: Stir Log stir. Sent: Note Log note.").wait_for()
        [stir] = [entry for entry in shed.journal()[-2:] if entry.kind is EntryKind.STIR]
        assert abs(stir.time_ms - pressed_ms) < 2000, "it happened when it was pressed"
        page.goto(f"{shed.url}/vat/quince")

        def answer_lost(route: Route) -> None:
            route.fetch()
            route.abort()

        page.route("**/journal", answer_lost, times=1)
        page.get_by_role("button", name="Log stir").click()
        page.get_by_text("Kept on this phone").wait_for()
        assert len(shed.journal()) == before + 3
        page.get_by_text("Sent: Stir Log stir.").wait_for(timeout=20_000)
        assert page.evaluate("localStorage.getItem('vatwatch-kept')") == "[]"
    assert len(shed.journal()) == before + 3


def test_a_new_reading_appears_by_itself(shed: Rehearsed, browser: Browser) -> None:
    with hands_on(browser) as hands:
        page = hands.page
        page.goto(f"{shed.url}/vat/quince")
        first = page.locator("#live").inner_html()
        page.wait_for_function("(first) => document.getElementById('live').innerHTML !== first", arg=first)
        # What is open stays open, and what is being written stays, while the readings go on.
        page.get_by_text("Another piece").click()
        page.get_by_label("Name").fill("half writ")
        page.wait_for_timeout(2500)
        assert page.get_by_label("Name").input_value() == "half writ"


def test_keys_alone_suffice_for_a_dip(shed: Rehearsed, browser: Browser) -> None:
    with hands_on(browser, viewport=DESK) as hands:
        page = hands.page
        page.goto(f"{shed.url}/vat/quince")

        def tab_to(wanted: str) -> None:
            for _ in range(120):
                page.keyboard.press("Tab")
                if re.search(wanted, str(page.evaluate("document.activeElement.textContent"))):
                    return
            raise AssertionError(f"no key leads to {wanted}")

        tab_to("^Another piece$")
        page.keyboard.press("Enter")
        page.keyboard.press("Tab")
        page.keyboard.type("Keyed cloth")
        tab_to("^Into the vat")
        page.keyboard.press("Enter")
        hands.logged("Keyed cloth into the vat")
        tab_to("Out of the vat: Keyed cloth")
        page.keyboard.press("Enter")
        hands.logged("Keyed cloth out of the vat")


SCREENS = (
    "/", "/vat/quince", "/vat/heron", "/vat/quince?earlier=1", "/pieces", "/piece?name=Seen", "/messages",
    "/vat/heron/chart", "/vat/heron/chart?span=week", "/vat/heron/chart?span=season", "/vat/nowhere",
)  # fmt: skip


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("path", SCREENS)
def test_axe_finds_nothing(shed: Rehearsed, browser: Browser, path: str, scheme: Literal["light", "dark"]) -> None:
    look_at(shed, browser, path, scheme, PHONE)


@pytest.mark.parametrize("path", ["/", "/vat/quince", "/piece?name=Seen"])
def test_axe_finds_nothing_at_a_desk(shed: Rehearsed, browser: Browser, path: str) -> None:
    look_at(shed, browser, path, "light", DESK)


def look_at(
    shed: Rehearsed, browser: Browser, path: str, scheme: Literal["light", "dark"], viewport: ViewportSize
) -> None:
    if not any(piece.key == "seen" for piece in pieces_of(shed.journal())):
        with hands_on(browser, script=False) as hands:
            hands.page.goto(f"{shed.url}/vat/quince")
            new_piece(hands, "Seen", "Pre-wet it")
            hands.page.get_by_role("button", name="dip of Seen").click()
            hands.page.get_by_role("button", name=read_out("Out of the vat: Seen")).click()
    with hands_on(browser, scheme=scheme, viewport=viewport) as hands:
        page = hands.page
        hands.lost = path == "/vat/nowhere"  # a screen that is not there says so in the console
        page.goto(shed.url + path)
        if "chart" in path:
            page.locator("#chart .main-svg").first.wait_for()
        for summary in page.locator("main details:not([open]) > summary").all():
            if summary.is_visible():
                summary.click()
        hands.shot(f"{scheme}-{viewport['width']}-{re.sub(r'[^a-z]+', '-', path) or 'first'}")
        assert hands.axe() == []
        assert page.evaluate(SMALL_TEXT) == []
        assert page.evaluate("document.documentElement.scrollWidth") <= viewport["width"]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("script", [True, False], ids=["script", "no-script"])
def test_the_door_on_a_phone(
    locked: Rehearsed, browser: Browser, script: bool, scheme: Literal["light", "dark"]
) -> None:
    with hands_on(browser, script=script, scheme=scheme) as hands:
        page = hands.page
        page.goto(f"{locked.url}/vat/quince")
        assert page.get_by_role("button").count() == 0, "a guest presses nothing"
        page.get_by_role("link", name="Log in to write").click()
        if script:
            assert hands.axe() == []
        hands.shot(f"door-{scheme}-{script}")
        page.get_by_label("The shed's passphrase").fill(PASSPHRASE)
        page.get_by_role("button", name="Log in", exact=True).click()
        page.goto(f"{locked.url}/vat/quince")
        page.get_by_role("button", name="Log stir").click()
        hands.logged("Stirred")
        if script:
            page.wait_for_timeout(2500)  # a drawing for all comes in between, without this session's token
        page.locator("#journal").get_by_role("button", name=read_out("Take back: Stirred")).first.click()
        page.get_by_text("Taken back.").wait_for()
        page.get_by_role("button", name="Log out of this phone").click()
        page.get_by_label("The shed's passphrase").wait_for()
