"""A phone or a desk in a real browser: counts taps, fails on console errors, dialogs and requests to elsewhere."""

from __future__ import annotations

import os
import re
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, ConsoleMessage, Dialog, Locator, Page, Request, ViewportSize

PHONE = ViewportSize(width=390, height=844)
DESK = ViewportSize(width=1280, height=900)
SMALL_TEXT = """() => {
  const found = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const node = walker.currentNode.parentElement;
    if (!walker.currentNode.data.trim() || !node.checkVisibility() || node.closest("script, style, title")) continue;
    const size = parseFloat(getComputedStyle(node).fontSize);
    if (size < 16) found.push(`${size}px ${walker.currentNode.data.trim().slice(0, 30)}`);
  }
  return found;
}"""


@dataclass
class Hands:
    """A page and what the hands did on it."""

    page: Page
    taps: int = 0
    keys: int = 0
    by_entry: dict[str, Counter[int]] = field(default_factory=dict)
    lost: bool = False

    def tap(self, target: Locator) -> None:
        target.click()
        self.taps += 1

    def write(self, target: Locator, text: str) -> None:
        target.fill(text)
        self.keys += len(text)

    @contextmanager
    def entry(self, kind: str) -> Iterator[None]:
        """Everything done inside makes one entry of this kind."""
        before = self.taps
        yield
        self.by_entry.setdefault(kind, Counter())[self.taps - before] += 1

    def logged(self, words: str) -> None:
        self.page.get_by_text(f"Logged: {words}").first.wait_for()

    def shot(self, name: str) -> None:
        """A picture to look at, where VATWATCH_SHOTS names a directory for them."""
        if directory := os.environ.get("VATWATCH_SHOTS"):
            self.page.screenshot(path=Path(directory) / f"{name}.png", full_page=True)

    def axe(self) -> list[str]:
        """What axe-core finds wrong on the screen, in short."""
        found = Axe().run(self.page)
        return [
            f"{violation['id']}: {node['html'][:160]}"
            for violation in found.response["violations"]
            for node in violation["nodes"]
        ]


@contextmanager
def hands_on(
    browser: Browser,
    *,
    script: bool = True,
    viewport: ViewportSize = PHONE,
    scheme: Literal["light", "dark"] = "light",
) -> Iterator[Hands]:
    context = browser.new_context(viewport=viewport, java_script_enabled=script, color_scheme=scheme)
    context.set_default_timeout(30_000)
    page = context.new_page()
    hands = Hands(page)
    wrong: list[str] = []

    def console(message: ConsoleMessage) -> None:
        # A browser without connection, or on a screen that is not there, says so; that is the matter of the test then.
        if message.type in ("error", "warning") and not (hands.lost and re.search("net::|404", message.text)):
            wrong.append(message.text)

    def dialog(opened: Dialog) -> None:
        wrong.append(opened.message)
        opened.dismiss()

    def request(sent: Request) -> None:
        if "//127.0.0.1:" not in sent.url:
            wrong.append(sent.url)

    page.on("console", console)
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("dialog", dialog)
    page.on("request", request)
    try:
        yield hands
    finally:
        context.close()
    assert wrong == []
