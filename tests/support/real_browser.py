"""A real browser, kept from the network, and what a page did in it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright
from programs import program

QUIET = (
    "--no-sandbox",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
    "--disable-quic",
    "--disable-gpu",
)
ARTEFACTS = Path(__file__).resolve().parent.parent / "artefacts"
DESK = {"width": 1440, "height": 900}
PHONE = {"width": 390, "height": 844}
AXE = Path(__file__).resolve().parent.parent / "browser" / "vendor" / "axe-core" / "axe.min.js"
RULES = ("wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice")


@contextmanager
def running_browser() -> Iterator[Browser]:
    """Debian's Chromium, ended with the block."""
    path = program("chromium")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=str(path), args=list(QUIET))
        try:
            yield browser
        finally:
            browser.close()


# Not for the session: while it is open its event loop runs in this thread, and tests of other
# folders that this process may be given in between could not run one of their own.
@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """One browser for all tests; each visit has a context of its own."""
    with running_browser() as started:
        yield started


class Visit:
    """One page in a context of its own, and everything about it that went wrong.

    Attributes:
        troubles: errors of scripts, messages of the browser's console, dialogs.
        requests: addresses that were asked for.
    """

    def __init__(self, browser: Browser, base: str, **options: Any) -> None:
        self.base = base
        self.troubles: list[str] = []
        self.requests: list[str] = []
        self.context: BrowserContext = browser.new_context(**{"viewport": DESK, **options})
        self.page: Page = self.context.new_page()
        self.page.set_default_timeout(30_000)
        self.page.on("console", self._console)
        self.page.on("pageerror", lambda error: self.troubles.append(f"script: {error}"))
        self.page.on("request", lambda request: self.requests.append(request.url))
        self.page.on("dialog", self._dialog)

    def _console(self, message: Any) -> None:
        if message.type in ("error", "warning"):
            self.troubles.append(f"console: {message.text}")

    def _dialog(self, dialog: Any) -> None:
        self.troubles.append(f"dialog: {dialog.message}")
        dialog.dismiss()

    def open(self, screen: str = "now") -> Page:
        """Show a screen, and wait until it is connected and has something to show."""
        self.page.goto(f"{self.base}/#/{screen}")
        self.page.wait_for_selector("html:not([data-stale])")
        self.page.wait_for_selector("main [data-screen], main[data-screen] h1", state="attached")
        return self.page

    def choose(self, **choices: str) -> None:
        """Have the page as a reader chose it, from the next load on."""
        for name, value in choices.items():
            self.context.add_init_script(f"localStorage.setItem('contactd.{name}', '{value}')")

    def sign_in(self, token: str) -> None:
        """Sign in through the page's own dialog."""
        self.page.get_by_role("button", name="Sign in", exact=True).click()
        self.page.get_by_label("Token", exact=True).fill(token)
        self.page.locator("dialog").get_by_role("button", name="Sign in").click()
        self.page.wait_for_selector("dialog", state="detached")

    def violations(self) -> list[str]:
        """What axe-core finds against the rules of WCAG 2.2 A and AA, and its best practices."""
        self.page.evaluate(AXE.read_text(encoding="utf-8"))
        found = self.page.evaluate(
            "async rules => (await axe.run({runOnly: {type: 'tag', values: rules}})).violations",
            list(RULES),
        )
        return [
            f"{each['id']}: {each['help']}: {node['html'][:160]} {node.get('failureSummary', '')}"
            for each in found
            for node in each["nodes"]
        ]

    def picture(self, name: str, **options: Any) -> Path:
        """Keep a screenshot beside the tests, outside the repository."""
        ARTEFACTS.mkdir(exist_ok=True)
        path = ARTEFACTS / f"{name}.png"
        self.page.screenshot(path=str(path), **options)
        return path

    def end(self) -> None:
        """Close the page."""
        self.context.close()


@pytest.fixture
def visit(browser: Browser) -> Iterator[Any]:
    """Opens visits: ``visit(base, viewport=PHONE)``; none outlives the test."""
    made: list[Visit] = []

    def make(base: str, **options: Any) -> Visit:
        made.append(Visit(browser, base, **options))
        return made[-1]

    yield make
    for each in made:
        each.end()
