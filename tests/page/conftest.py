"""The page served from a real store, and a real browser to look at it with."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from playwright.sync_api import Browser, sync_playwright

from tests.page.house import CARDS, NOW_MS, STALE_AFTER_MS, House, Writer, free_port
from vatwatch.page.app import create_app
from vatwatch.page.server import PageServer


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    path = tmp_path / "season.vatwatch"
    writer = Writer(path, CARDS, NOW_MS - 86_400_000)
    port = free_port()
    url = f"http://127.0.0.1:{port}"
    built = House(writer, path, url, None)  # type: ignore[arg-type]
    app = create_app(built.reader, built.submit, built.clock, "Europe/Berlin", STALE_AFTER_MS, url)
    built.server = PageServer(app, "127.0.0.1", port, app.close)
    writer.committed = app.ring
    try:
        assert built.server.start() == port
        yield built
    finally:
        stopped = built.server.stop(10)
        writer.stop()
    assert stopped


@pytest.fixture
def client(house: House) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=house.url, headers={"origin": house.url}, timeout=20) as client:
        yield client


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    chromium = shutil.which("chromium") or "/usr/bin/chromium"
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=chromium,
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
