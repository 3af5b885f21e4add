"""What bars readers of the pages: the rules of accessibility, run in the page."""

import os
from pathlib import Path

import pytest


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
    """Give the barriers of a page, of any weight, as «rule: selector» lines."""

    def check(page):
        page.evaluate(axe_script)
        found = page.evaluate("() => axe.run(document, {resultTypes: ['violations']})")
        return [
            f"{rule['id']}: {node['target']}"
            for rule in found["violations"]
            for node in rule["nodes"]
        ]

    return check
