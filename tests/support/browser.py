"""A browser for the tests of the pages and for their pictures: Chromium as the system has it, pages from the disk."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Literal

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

#: Names that systems give it.
NAMES = ("chromium", "chromium-browser")
WIDE, PHONE = {"width": 1200, "height": 900}, {"width": 360, "height": 740}
#: What A4 leaves between the margins of the style sheet, in the dots of a screen: (210 - 2 * 14) mm at 96 an inch.
PAPER = {"width": 687, "height": 1016}


def browser_path() -> str | None:
    """Where Chromium is; None where it is not."""
    return next((path for name in NAMES if (path := shutil.which(name))), None)


@contextmanager
def launched() -> Iterator[Browser]:
    """A browser; without one the tests are left out, but in the gate (which sets CI) they fail."""
    path = browser_path()
    if path is None:
        if os.environ.get("CI"):
            pytest.fail("Chromium is not installed, and the gate tests the pages in it. `apt-get install chromium`.")
        pytest.skip("Chromium is not installed: the pages are not tested in a browser. `apt-get install chromium`.")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=["--no-sandbox"])
        try:
            yield browser
        finally:
            _IDLE.pop(browser, None)
            browser.close()


#: A page that a test is done with, by browser: the next test opens its own in it, which takes half as long as in a new
#: context. What pages remember stands in their address.
_IDLE: dict[Browser, tuple[Page, list[str]]] = {}


class Watched:
    """A page of a browser, and whatever went wrong on it or left this machine."""

    def __init__(
        self,
        browser: Browser,
        *,
        viewport: dict[str, int] = WIDE,
        color_scheme: Literal["light", "dark"] = "light",
        **context: Any,
    ) -> None:
        self._lent_by = None if context else browser
        self.page, self.heard = (_IDLE.pop(browser, None) if self._lent_by else None) or _heard_page(browser, context)
        self.page.set_viewport_size(viewport)  # type: ignore[arg-type]
        self.page.emulate_media(media="null", color_scheme=color_scheme)

    def open(self, file: Path) -> Page:
        """Open a page from the disk and wait until its script has run."""
        self.page.goto(file.as_uri())
        return self.drawn()

    def drawn(self) -> Page:
        """Wait until the script of the page shown has run, if it has one."""
        self.page.wait_for_load_state()
        # Not by a function that is asked again and again: the policy of the pages forbids to evaluate one.
        self.page.locator("html[data-drawn], html:not(:has(script[src]))").wait_for(state="attached")
        return self.page

    def resized(self, size: dict[str, int]) -> Page:
        """Another size of the window."""
        self.page.set_viewport_size(size)  # type: ignore[arg-type]
        return self.drawn()

    def close(self) -> None:
        """End it with all that it remembers."""
        if self._lent_by is None:
            self.page.context.close()
            return
        self.page.goto("about:blank")
        self.heard.clear()
        _IDLE[self._lent_by] = self.page, self.heard


def _heard_page(browser: Browser, context: dict[str, Any]) -> tuple[Page, list[str]]:
    """A page in a context of its own, and what will be heard from it."""
    page: Page = browser.new_context(**{"locale": "en-GB", **context}).new_page()
    page.set_default_timeout(10_000)
    heard: list[str] = []

    def console(message: Any) -> None:
        if message.type in ("error", "warning"):
            heard.append(f"{message.type}: {message.text}")

    def request(asked: Any) -> None:
        if not asked.url.startswith(("file:", "data:")):
            heard.append(f"request: {asked.url}")

    def dialog(shown: Any) -> None:
        heard.append(f"dialog: {shown.message}")
        shown.dismiss()

    page.on("console", console)
    page.on("pageerror", lambda error: heard.append(f"error: {error}"))
    page.on("request", request)
    page.on("dialog", dialog)
    return page, heard
