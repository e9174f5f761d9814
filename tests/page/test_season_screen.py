"""The season's review on the page: the same figures as the file, drawn by served scripts, kept for a while, one at a time."""

from __future__ import annotations

import re
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import httpx
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser

from tests.page.house import NOW_MS, House, scan_of
from tests.page.test_in_browser import busy_house, phone
from vatwatch.page import season_screen
from vatwatch.season import review

__all__ = ["busy_house"]


def words_of(html: str) -> list[str]:
    body = re.sub(r"<(script|style)\b.*?</\1>", " ", html.split("<main>")[1], flags=re.DOTALL)
    return re.sub(r"<[^>]+>", " ", body).split()


def test_it_says_what_the_file_says(busy_house: House, client: httpx.Client, tmp_path: Path) -> None:
    served = client.get("/season")
    assert served.status_code == 200
    assert served.headers["cache-control"] == "no-store"
    assert "'unsafe-inline'" not in served.headers["content-security-policy"].split("style-src")[0]
    with busy_house.reader() as reader:
        first, last = reader.span() or (0, 0)
        review.write_review(reader, tmp_path / "review.html", first, last + 1, "Europe/Berlin")
    written = (tmp_path / "review.html").read_text(encoding="utf-8")
    assert words_of(served.text) == words_of(written)
    assert len(words_of(written)) > 200
    assert "Plotly.newPlot" not in served.text
    assert len(served.text) < 200_000


def test_on_a_phone_with_its_curves_drawn(busy_house: House, browser: Browser) -> None:
    """Under the page's own policy: any script refused, or any request elsewhere, fails this."""
    with phone(browser) as page:
        page.goto(busy_house.url)
        page.get_by_role("link", name="Review").click()
        page.wait_for_selector(".js-plotly-plot .scatterlayer path", state="attached", timeout=30_000)
        assert page.get_by_role("heading", level=1).inner_text().startswith("The vats from")
        assert Axe().run(page).response["violations"] == []
        page.get_by_role("link", name="Back to the vats").click()
        page.wait_for_url(f"{busy_house.url}/")


def test_nothing_recorded_is_said(house: House, client: httpx.Client) -> None:
    answer = client.get("/season")
    assert answer.status_code == 200
    assert "Nothing is recorded so far" in answer.text
    house.writer.scans(scan_of("copper", NOW_MS - 4000))
    assert "The vats from" in client.get("/season").text, "an empty record must not be kept for the next ten minutes"


def test_many_ask_and_it_is_made_once(busy_house: House, client: httpx.Client, monkeypatch: pytest.MonkeyPatch) -> None:
    made = []
    honest = review.served_review

    def counted(*given: object) -> str:
        made.append(threading.get_ident())
        return honest(*given)  # type: ignore[arg-type]

    monkeypatch.setattr(review, "served_review", counted)
    with ThreadPoolExecutor(8) as pool:
        answers = list(pool.map(lambda _: client.get("/season"), range(8)))
    assert {one.status_code for one in answers} == {200}
    assert len({one.text for one in answers}) == 1
    assert len(made) == 1
    busy_house.writer.scans(scan_of("copper", NOW_MS + 1000))
    assert client.get("/season").text == answers[0].text
    monkeypatch.setattr(season_screen, "KEPT_MS", 0)
    assert client.get("/season").text != answers[0].text
    assert len(made) == 2


def test_somebody_who_waits_too_long_is_told(
    busy_house: House, client: httpx.Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun, go_on = threading.Event(), threading.Event()
    honest = review.served_review

    def slow(*given: object) -> str:
        begun.set()
        assert go_on.wait(30)
        return honest(*given)  # type: ignore[arg-type]

    monkeypatch.setattr(review, "served_review", slow)
    monkeypatch.setattr(season_screen, "PATIENCE_S", 0.2)
    assert busy_house.writer is not None
    with ThreadPoolExecutor(1) as pool:
        first = pool.submit(client.get, "/season")
        assert begun.wait(10)
        second = client.get("/season")
        assert second.status_code == 503
        assert "for somebody else" in second.text
        go_on.set()
        assert first.result(30).status_code == 200
