"""A browser for the tests of the pages and for their pictures: Chromium as the system has it, pages from the disk."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

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
            browser.close()


class Watched:
    """A page of a browser, and whatever went wrong on it or left this machine."""

    def __init__(self, browser: Browser, **context: Any) -> None:
        self.page: Page = browser.new_context(**{"viewport": WIDE, "locale": "en-GB", **context}).new_page()
        self.page.set_default_timeout(10_000)
        self.heard: list[str] = []
        self.page.on("console", self._console)
        self.page.on("pageerror", lambda error: self.heard.append(f"error: {error}"))
        self.page.on("request", self._request)
        self.page.on("dialog", self._dialog)

    def _console(self, message: Any) -> None:
        if message.type in ("error", "warning"):
            self.heard.append(f"{message.type}: {message.text}")

    def _request(self, request: Any) -> None:
        if not request.url.startswith(("file:", "data:")):
            self.heard.append(f"request: {request.url}")

    def _dialog(self, dialog: Any) -> None:
        self.heard.append(f"dialog: {dialog.message}")
        dialog.dismiss()

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
        self.page.context.close()
