"""The map in the frame that a notebook draws: it opens, and asks nothing."""

import dataclasses
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "outputs" / "map"))

import district
from chromium import DESKTOP
from playwright.sync_api import expect

from routekit.outputs.notebook import ShownResult


def test_the_map_opens_in_its_frame(browser, tmp_path):
    made = district.make_district()
    values = {each.name: getattr(made, each.name) for each in dataclasses.fields(made)}
    path = tmp_path / "notebook.html"
    path.write_text(ShownResult(**values).map()._repr_html_(), encoding="utf-8")
    context = browser.new_context(viewport=DESKTOP, offline=True)
    page, asked, complaints = context.new_page(), [], []
    page.on("request", lambda request: asked.append(request.url))
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.goto(path.as_uri())
    frame = page.frame_locator("iframe")
    frame.locator("body[data-ready=yes]").wait_for()
    expect(frame.locator("#list-rows tr")).to_have_count(district.N_RUNS)
    frame.locator("#language").select_option("de")
    frame.locator("html[lang=de]").wait_for()
    frame.locator("#list-rows .opener").first.click()
    frame.locator("#card-technique").wait_for()
    context.close()
    assert {url for url in asked if not url.startswith(("blob:", "about:", "data:"))} == {
        path.as_uri()
    }
    assert complaints == []
