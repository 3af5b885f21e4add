"""Visits of the pages for residents: what was opened, asked for and complained of."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from chromium import wait_until_ready
from playwright.sync_api import Browser, ConsoleMessage, Page

SIZES = {"phone": (390, 844), "desk": (1440, 900)}


@dataclass
class Visit:
    """A page that was opened, and what it did."""

    page: Page
    address: str
    requests: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)

    def go(self, place: str = "") -> Page:
        self.page.goto("about:blank")
        self.page.goto(self.address + place)
        wait_until_ready(self.page)
        return self.page


def _note_error(visit: Visit, said: ConsoleMessage) -> None:
    if said.type == "error":
        visit.complaints.append(said.text)


def open_visit(browser: Browser, file: Path, size: str, **options) -> Visit:
    """Open a context of a size, with the network shut, that notes what its page does."""
    width, height = SIZES[size]
    context = browser.new_context(
        viewport={"width": width, "height": height},
        has_touch=size == "phone",
        offline=True,
        **options,
    )
    visit = Visit(context.new_page(), file.as_uri())
    visit.page.on("request", lambda request: visit.requests.append(request.url))
    visit.page.on("console", lambda said: _note_error(visit, said))
    visit.page.on("pageerror", lambda error: visit.complaints.append(str(error)))
    return visit


def read_texts(page: Page, selector: str) -> list[str]:
    """Give the trimmed text of each element."""
    return page.locator(selector).evaluate_all("all => all.map(one => one.textContent.trim())")
