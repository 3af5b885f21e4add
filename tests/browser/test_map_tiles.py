"""A background from the network: only where the study asks for it, and then the page says so."""

import base64
import sys
from pathlib import Path

import pytest
from chromium import DESKTOP, wait_until_ready
from whole_result import set_outputs

sys.path.append(str(Path(__file__).parent.parent / "outputs" / "map"))
import district

from routekit.outputs.map.builder import build_map
from routekit.settings.outputs import MapSettings

PIXEL = base64.b64decode(
    "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAYAAAAfFcSJAAAADUlEQVR42mNkYPhfDwAChwGA60e6kgAAAABJRU5ErkJggg=="
)
"""A picture of one pixel."""
SIGN = "Background asked for from the network, at tiles.example. © <b>Invented</b> survey"


@pytest.mark.parametrize("asks", [True, False], ids=["asked for", "not asked for"])
def test_the_network_is_asked_only_where_the_study_says_so(browser, tmp_path, asks):
    tiles = {
        "online_tiles_url": "https://tiles.example/{z}/{x}/{y}.png",
        "online_tiles_credit": "© <b>Invented</b> survey",
    }
    settings = MapSettings(**(tiles if asks else {}))
    path = tmp_path / "map.html"
    path.write_text(build_map(set_outputs(district.make_district(), map=settings)), "utf-8")
    context = browser.new_context(viewport=DESKTOP)
    page, outside = context.new_page(), []

    def answer(route):
        if route.request.url.startswith("file:"):
            route.continue_()
            return
        outside.append(route.request.url)
        route.fulfill(body=PIXEL, content_type="image/png")

    context.route("**/*", answer)
    page.goto(path.as_uri())
    wait_until_ready(page)
    page.locator("#zoom-in").click()
    sign = page.locator("#online")
    if asks:
        page.wait_for_selector("img.leaflet-tile-loaded")
        assert {url.split("/")[2] for url in outside} == {"tiles.example"}
        assert sign.is_visible()
        assert sign.inner_text() == SIGN
    else:
        assert page.locator("img").count() == 0
        assert outside == []
        assert not sign.is_visible()
    context.close()
