"""Pages in Chromium with the network cut off: any request or console error fails the test."""

import os
from pathlib import Path

import pytest
from chromium import DESKTOP, wait_until


@pytest.fixture
def open_page(browser):
    """Open files in fresh contexts; at the end, each must have asked for itself alone, silently."""
    visits = []

    def visit(path, size=None, address="", allowed=()):
        context = browser.new_context(viewport=size or DESKTOP, accept_downloads=True)
        page = context.new_page()
        asked, complaints = [], []
        page.on("request", lambda request: asked.append(request.url))
        page.on("console", lambda message: _note(message, complaints))
        page.on("pageerror", lambda error: complaints.append(str(error)))
        own = {file.as_uri() for file in (Path(path), *map(Path, allowed))}

        def let_through(route):
            is_own = route.request.url.split("#")[0] in own
            route.continue_() if is_own else route.abort()

        context.route("**/*", let_through)
        visits.append((context, own, asked, complaints))
        page.goto(Path(path).as_uri() + address)
        wait_until(page, "document.body.dataset.ready === 'yes'")
        return page

    yield visit
    for context, own, asked, complaints in visits:
        context.close()
        outside = {
            url for url in asked if url.split("#")[0] not in own and not url.startswith("blob:")
        }
        assert outside == set()
        assert complaints == []


def _note(message, complaints):
    """Keep warnings and errors."""
    if message.type in ("error", "warning"):
        complaints.append(f"{message.type}: {message.text}")


@pytest.fixture(scope="session")
def axe_script():
    """Text of the accessibility checker, from ROUTEKIT_AXE or node_modules."""
    places = [os.environ.get("ROUTEKIT_AXE", ""), "node_modules/axe-core/axe.min.js"]
    for place in places:
        if place and Path(place).is_file():
            return Path(place).read_text(encoding="utf-8")
    pytest.skip("axe.min.js not found: set ROUTEKIT_AXE or put axe-core into node_modules")


@pytest.fixture
def find_barriers(axe_script):
    """Give the serious and critical barriers of a page as «rule: selector» lines."""

    def check(page):
        page.evaluate(axe_script)
        found = page.evaluate("() => axe.run(document, {resultTypes: ['violations']})")
        return [
            f"{rule['id']}: {node['target']}"
            for rule in found["violations"]
            if rule["impact"] in ("serious", "critical")
            for node in rule["nodes"]
        ]

    return check
