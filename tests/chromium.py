"""How Chromium is started, screen sizes of readers, and waiting for a page."""

import time

ARGUMENTS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]

DESKTOP = {"width": 1440, "height": 900}
PHONE = {"width": 390, "height": 844}


def wait_until(page, expression, seconds=10.0):
    """Poll an expression; the page's policy forbids the library's own way of waiting."""
    end = time.monotonic() + seconds
    while not page.evaluate(expression):
        assert time.monotonic() < end, f"never true: {expression}"
        page.wait_for_timeout(30)
