"""A server with phones: what tests of the pages in a browser share."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, BrowserContext, Page, expect

from .live import ROOT, HttpPhone, LiveServer, Road

SAMPLES = ROOT / "sample_images"
PHOTO = SAMPLES / "as-new.jpg"
OTHER = SAMPLES / "two-rows.jpg"
ARRANGED = (sys.executable, "-m", "tests.web.arranged")
PHONE = {"width": 390, "height": 844}
NUMBER = "982000123456789"
WAIT_MS = 300_000


class Barn:
    """A server with phones."""

    def __init__(self, server: LiveServer, browser: Browser, laptop: HttpPhone) -> None:
        self.server, self.browser, self.laptop = server, browser, laptop
        self.before = len(self._visits())
        """Animals that other tests have sent to the same server."""
        self.contexts: list[BrowserContext] = []
        self.troubles: list[str] = []
        self.road: Road | None = None

    def photos(self) -> list[int]:
        """Photos of each animal of this test on the server, the newest animal first."""
        visits = self._visits()
        return [visit["uploads"] for visit in visits[: len(visits) - self.before]]

    def _visits(self) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = self.laptop.ask("GET", "/api/visits").json["visits"]
        return found

    def phone(self, name: str = "phone") -> Page:
        """A phone that was paired by typing the code."""
        context = self.browser.new_context(viewport=PHONE, ignore_https_errors=True)
        context.set_default_timeout(WAIT_MS)
        self.contexts.append(context)
        page = context.new_page()
        page.on("dialog", lambda dialog: self.troubles.append(f"dialog {dialog.message}"))
        page.on("pageerror", lambda error: self.troubles.append(f"script {error}"))
        port = self.road.port if self.road else self.server.port
        page.goto(f"http://127.0.0.1:{port}/pair")
        page.get_by_label("Code").fill(self.laptop.new_code())
        page.get_by_label("Name of this device").fill(name)
        page.get_by_role("button", name="Pair").click()
        expect(page.get_by_role("heading", name="Animal new")).to_be_visible()
        return page


def take(page: Page, *photos: Path) -> None:
    page.locator("#files").set_input_files(photos)
