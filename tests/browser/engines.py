"""The pages in Firefox and WebKit: each takes the same list of visits, and tells what it saw.

Firefox is driven over WebDriver BiDi by puppeteer-core (`firefox.cjs`), WebKit over WebDriver by
Selenium, in the small browser that comes with Debian's driver; it needs a screen, which Xvfb gives.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from selenium.webdriver import ActionChains, Keys
from selenium.webdriver.common.by import By
from selenium.webdriver.webkitgtk.options import Options
from selenium.webdriver.webkitgtk.service import Service
from selenium.webdriver.webkitgtk.webdriver import WebDriver

PATIENCE_S = 120.0
SMALL_BROWSER = "webkit2gtk-4.?/MiniBrowser"
"""Where Debian's library of WebKit keeps its browser, below a folder of libraries."""


@dataclass(frozen=True)
class Visit:
    """A page to open at a size, and what to do there, in order.

    A step has one of: click (selector), press (selector and words, then Enter), point (expression
    that gives x and y), wait (expression to become true), ask (expression whose value is kept).
    """

    file: Path
    size: tuple[int, int]
    steps: Sequence[Mapping[str, Any]]
    place: str = ""
    picture: Path | None = None

    @property
    def address(self) -> str:
        return self.file.as_uri() + self.place


@dataclass
class Seen:
    """Values asked for, addresses that the page asked for, and what it complained of."""

    answers: list[Any] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)


def visit_in_firefox(visits: Sequence[Visit]) -> list[Seen]:
    """Make the visits in Debian's Firefox, one after another."""
    given = [
        {
            "address": visit.address,
            "width": visit.size[0],
            "height": visit.size[1],
            "steps": list(visit.steps),
            "picture": visit.picture and str(visit.picture),
        }
        for visit in visits
    ]
    answer = subprocess.run(
        ["node", str(Path(__file__).with_name("firefox.cjs"))],
        input=json.dumps({"program": shutil.which("firefox-esr"), "visits": given}),
        capture_output=True,
        text=True,
        check=False,
    )
    assert answer.returncode == 0, answer.stderr
    return [Seen(**one) for one in json.loads(answer.stdout)]


def visit_in_webkit(visits: Sequence[Visit]) -> list[Seen]:
    """Make the visits in Debian's WebKit, one after another."""
    with _open_screen() as screen, _start_webkit(screen) as driver:
        return [_make(driver, visit) for visit in visits]


@contextmanager
def _open_screen() -> Iterator[str]:
    """Start a screen that nobody sees; give its name."""
    read, write = os.pipe()
    words = ["Xvfb", "-displayfd", str(write), "-screen", "0", "1920x1200x24", "-nolisten", "tcp"]
    with subprocess.Popen(words, pass_fds=[write], stderr=subprocess.DEVNULL) as server:
        os.close(write)
        try:
            with os.fdopen(read) as told:
                yield f":{told.readline().strip()}"
        finally:
            server.terminate()


@contextmanager
def _start_webkit(screen: str) -> Iterator[WebDriver]:
    """Start the driver and its browser on a screen."""
    options = Options()
    options.binary_location = find_webkit() or ""
    options.add_argument("--automation")
    program = shutil.which("WebKitWebDriver")
    surroundings = os.environ | {"DISPLAY": screen, "GDK_BACKEND": "x11"}
    driver = WebDriver(options=options, service=Service(program, env=surroundings))
    try:
        yield driver
    finally:
        driver.quit()


def find_webkit() -> str | None:
    """Path of the small browser that comes with WebKit's library; None where it is not there."""
    found = sorted(Path("/usr/lib").glob(f"*/{SMALL_BROWSER}"))
    return str(found[-1]) if found else None


def _make(driver: WebDriver, visit: Visit) -> Seen:
    """Open a page, take the steps, keep the answers."""
    seen = Seen()
    driver.get("about:blank")
    driver.set_window_size(*visit.size)
    driver.get(visit.address)
    for step in visit.steps:
        [(name, what)] = step.items()
        answer = _STEPS[name](driver, what)
        if name == "ask":
            seen.answers.append(answer)
    loaded = "return performance.getEntriesByType('resource').map((one) => one.name)"
    seen.asked = [visit.address, *driver.execute_script(loaded)]
    if visit.picture:
        driver.save_screenshot(str(visit.picture))
    return seen


def _press(driver: WebDriver, what: tuple[str, str]) -> None:
    field_found = driver.find_element(By.CSS_SELECTOR, what[0])
    field_found.send_keys(what[1], Keys.ENTER)


def _point(driver: WebDriver, expression: str) -> None:
    x, y = driver.execute_script(f"return {expression}")
    chain = ActionChains(driver, duration=0)
    chain.w3c_actions.pointer_action.move_to_location(round(x), round(y))
    chain.w3c_actions.pointer_action.click()
    chain.perform()


def _wait(driver: WebDriver, expression: str) -> None:
    end = time.monotonic() + PATIENCE_S
    while not driver.execute_script(f"return {expression}"):
        assert time.monotonic() < end, f"never true: {expression}"
        time.sleep(0.05)


_STEPS: dict[str, Callable[[WebDriver, Any], Any]] = {
    "click": lambda driver, what: driver.find_element(By.CSS_SELECTOR, what).click(),
    "press": _press,
    "point": _point,
    "wait": _wait,
    "ask": lambda driver, what: driver.execute_script(f"return {what}"),
}
