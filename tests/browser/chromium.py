"""Screen sizes of readers, and waiting for a page."""

import time

DESKTOP = {"width": 1440, "height": 900}
PHONE = {"width": 390, "height": 844}


def wait_until(page, expression, seconds=10.0):
    """Poll an expression; the page's policy forbids the library's own way of waiting."""
    end = time.monotonic() + seconds
    while not page.evaluate(expression):
        assert time.monotonic() < end, f"never true: {expression}"
        page.wait_for_timeout(30)
