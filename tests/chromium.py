"""How Chromium is started, screen sizes of readers, and waiting for a page."""

import time
from functools import wraps

from playwright.sync_api import Locator, Page

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

READY = "[data-ready=yes]"
SETTLED = """async (ready) => {
  if (!document.querySelector(ready)) return;
  const underWay = ".plan-canvas[data-drawn=no], [aria-busy=true],"
    + " .leaflet-zoom-anim, .leaflet-pan-anim";
  const isCalm = () => {
    const { address = location.hash } = document.body.dataset;
    const { value } = document.querySelector("#language") ?? {};
    return address === location.hash && [undefined, document.documentElement.lang].includes(value)
      && !document.querySelector(underWay);
  };
  const end = performance.now() + 30000;
  do {
    if (performance.now() > end) throw new Error(`never settled at ${location.href}`);
    // Events that wait are told before the timer, and the frame has its layout.
    await new Promise((done) => requestAnimationFrame(() => setTimeout(done)));
  } while (!isCalm());
}"""
"""Waits until a page shows what it was last asked for: a page that has said it is ready shows its
address, its language, a whole plan at rest and whole lists. Another page is as it stands."""

STEPS = {
    Locator: "all all_inner_texts all_text_contents bounding_box check click count evaluate"
    " evaluate_all fill focus get_attribute inner_text input_value is_checked is_disabled"
    " is_enabled is_hidden is_visible press select_option text_content uncheck",
    Page: "click emulate_media evaluate fill get_attribute inner_text is_visible keyboard mouse pdf"
    " press select_option set_input_files text_content title",
}
"""What a reader does on a page, and sees there."""


def settle_before_each_step(patch):
    """Let every step wait until the page has settled, so that no answer is one of before."""
    evaluate = Page.evaluate

    def after_settling(step):
        @wraps(step)
        def take(place, *given, **named):
            evaluate(getattr(place, "page", place), SETTLED, READY)
            return step(place, *given, **named)

        return take

    for kind, names in STEPS.items():
        for name in names.split():
            step = getattr(kind, name)
            waiting = (
                property(after_settling(step.fget))
                if isinstance(step, property)
                else after_settling(step)
            )
            patch.setattr(kind, name, waiting)


def wait_until_ready(page):
    """Wait until a page that has just been opened says that it may be used."""
    page.wait_for_selector(READY, state="attached")


def wait_until(page, expression, seconds=30.0):
    """Poll for what comes later still; the page's policy forbids the library's own way."""
    end = time.monotonic() + seconds
    while not page.evaluate(expression):
        assert time.monotonic() < end, f"never true: {expression}"
        page.wait_for_timeout(30)
