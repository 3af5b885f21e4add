"""The index of a divided page for residents, in a real browser with the network shut."""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path

import pytest
from chromium import wait_until_ready
from playwright.sync_api import Page
from whole_result import set_outputs

from routekit.outputs.public.languages import LANGUAGES, load_words
from routekit.outputs.public.writer import build_public_pages
from routekit.settings.public_page import PublicSettings

sys.path.append(str(Path(__file__).parents[1] / "outputs" / "public"))
sys.path.append(str(Path(__file__).parent))
from public_study import make_result
from test_public import HOSTILE
from visits import SIZES, Visit, open_visit, read_texts

pytestmark = pytest.mark.skipif(shutil.which("chromium") is None, reason="chromium is missing")

EACH_ALONE = 0.001
"""Megabytes in which no page fits, so that every street has its own."""


def _write(folder: Path, **changes) -> Path:
    settings = PublicSettings(
        contact="drains@council.example", data_date="2026-05-01", max_page_mb=EACH_ALONE
    )
    for name, page in build_public_pages(
        set_outputs(make_result(**changes), public=settings)
    ).items():
        (folder / name).write_text(page, encoding="utf-8")
    return folder / "public.html"


@pytest.fixture(scope="module")
def index_file(tmp_path_factory) -> Path:
    return _write(tmp_path_factory.mktemp("index"))


def _check(visit: Visit) -> None:
    """See that pages of the study alone were asked for, and that none complained."""
    folder = visit.address.rpartition("/")[0]
    assert all(url == "about:blank" or url.startswith(folder) for url in visit.requests)
    names = {url.rpartition("/")[2].split("?")[0].split("#")[0] for url in visit.requests}
    assert all(name.startswith("public") or name == "about:blank" for name in names)
    assert visit.complaints == []
    visit.page.context.close()


@pytest.fixture(params=list(SIZES))
def visit(request, browser, index_file):
    """Open the index, and see afterwards that it asked for nothing and complained of nothing."""
    opened = open_visit(browser, index_file, request.param)
    yield opened
    _check(opened)


def _wait_for_street(page: Page, name: str) -> None:
    """Wait until a page of streets has opened one of them."""
    page.wait_for_url("**/public-0*.html**")
    page.wait_for_selector("details.street[open]")
    assert page.text_content("details.street[open] .plate") == name
    assert page.evaluate("document.activeElement.tagName") == "SUMMARY"


def test_a_street_is_found_and_its_page_opens_there(visit):
    page = visit.go()
    assert page.inner_text("#find-count") == "4 streets"
    page.fill("#find", "mill")
    assert page.inner_text("#find-count") == "1 street"
    assert read_texts(page, "#hits a") == ["Mill Bank"]
    page.locator("#hits a").click()
    _wait_for_street(page, "Mill Bank")
    assert page.locator("#map").is_visible()
    page.locator(".back a").click()
    page.wait_for_url("**/public.html")


def test_names_that_begin_so_come_first_and_accents_do_not_matter(browser, tmp_path):
    runs = make_result().runs.assign(
        street=["Old Élan Row", "Élan Row", "Mill Bank", "Elan Walk", "Quince Court", "A1"]
    )
    opened = open_visit(browser, _write(tmp_path, runs=runs), "phone")
    page = opened.go()
    page.fill("#find", "elan")
    assert read_texts(page, "#hits a") == ["Elan Walk", "Élan Row", "Old Élan Row"]
    page.locator("#hits a", has_text="Old").click()
    _wait_for_street(page, "Old Élan Row")
    _check(opened)


def test_the_plain_list_leads_to_every_street(visit):
    page = visit.go()
    names = read_texts(page, "#streets a")
    assert names == ["Alder Row", "Mill Bank", "Quince Court", "Works area A1"]
    for name in names:
        visit.go()
        page.locator("#streets a", has_text=name).click()
        _wait_for_street(page, name)


def test_without_scripts_the_list_leads_to_the_pages(browser, index_file):
    opened = open_visit(browser, index_file, "phone", java_script_enabled=False)
    page = opened.page
    page.goto(opened.address)
    assert page.locator("noscript").is_visible()
    assert not page.locator("#finder").is_visible()
    page.locator("#streets a", has_text="Mill Bank").click()
    page.wait_for_url("**/public-0*.html#street=Mill%20Bank")
    assert page.get_by_text("Mill Bank").first.is_visible()
    page.locator(".back a").click()
    page.wait_for_url("**/public.html")
    _check(opened)


@pytest.mark.parametrize("code", LANGUAGES)
def test_the_language_goes_with_the_reader(visit, code):
    page = visit.go()
    page.select_option("#language", code)
    words = load_words(code, is_divided=True)
    area = words["ui"]["area"].format(id="A1")
    assert page.evaluate("document.documentElement.lang") == code
    assert page.inner_text("#find-title") == words["ui"]["find"]
    assert page.inner_text(".lead p") == words["ui"]["index_lead"]
    said = [text for key, text in words["cautions"].items() if key != "taught"]
    assert read_texts(page, ".cautions li") == said
    assert read_texts(page, "#streets a")[-1] == area
    page.fill("#find", area)
    page.locator("#hits a").click()
    _wait_for_street(page, area)
    assert page.evaluate("document.documentElement.lang") == code
    assert page.inner_text(".back a") == words["ui"]["all_streets"]
    page.locator(".back a").click()
    page.wait_for_url("**/public.html*")
    wait_until_ready(page)
    assert page.inner_text("#list-title") == words["ui"]["all_streets"]
    assert page.locator("#language").input_value() == code


@pytest.mark.parametrize("code", LANGUAGES)
def test_the_script_says_what_the_html_says(browser, index_file, tmp_path, code):
    settings = PublicSettings(
        language=code,
        contact="drains@council.example",
        data_date="2026-05-01",
        max_page_mb=EACH_ALONE,
    )
    file = tmp_path / "public.html"
    file.write_text(
        build_public_pages(set_outputs(make_result(), public=settings))["public.html"],
        encoding="utf-8",
    )
    readable = "main h2, main h3, main li, main a, main p:not(#find-count, noscript p)"
    bare = open_visit(browser, file, "phone", java_script_enabled=False)
    bare.page.goto(bare.address)
    live = open_visit(browser, index_file, "phone")
    live.go().select_option("#language", code)
    said = [text.strip() for text in bare.page.locator(readable).all_text_contents()]
    assert len(said) > 20
    silent = load_words("en", is_divided=True)["ui"]["index_no_script"]
    now = [text.strip() for text in live.page.locator(readable).all_text_contents()]
    assert [text for text in now if text != silent] == said
    for one in (bare, live):
        one.page.context.close()


def test_a_walk_by_keyboard_alone(visit):
    page = visit.go()
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.id") == "language"
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.id") == "find"
    page.keyboard.type("quin")
    page.keyboard.press("Enter")
    _wait_for_street(page, "Quince Court")
    visit.go()
    for _ in range(3):
        page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.tagName") == "SUMMARY"
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    _wait_for_street(page, "Alder Row")


def test_links_made_for_one_page_still_lead_to_the_street(visit):
    page = visit.page
    page.goto(visit.address + "#street=Mill%20Bank")
    _wait_for_street(page, "Mill Bank")
    visit.go("#tree=T5")
    assert page.inner_text("#heard") == "“T5” is not on this page."
    visit.go("#street=%E0%A4%A")
    assert page.url.endswith("public.html#street=%E0%A4%A")


def test_a_tree_of_another_street_is_drawn_and_says_its_sentences(browser, index_file):
    parts = sorted(index_file.parent.glob("public-0*.html"))
    for part in parts:
        opened = open_visit(browser, part, "desk")
        page = opened.go("#tree=T4")
        # T4 stands in Alder Row, near Mill Bank; no page but theirs draws it.
        is_there = page.locator("#card").is_visible()
        plates = read_texts(page, ".plate")
        assert is_there is (plates[0] in ("Alder Row", "Mill Bank"))
        if is_there:
            assert page.inner_text("#card-title") == "Tree T4"
            assert page.locator("#card .to-street").count() == (plates[0] == "Alder Row")
        _check(opened)


def test_targets_are_large_enough_for_a_finger(visit):
    page = visit.go()
    page.fill("#find", "o")
    wanted = "button:visible, select:visible, summary:visible, a:visible, input:visible"
    sizes = [box for box in (one.bounding_box() for one in page.locator(wanted).all()) if box]
    assert len(sizes) > 8
    assert min(box["height"] for box in sizes) >= 44
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")


def test_the_search_stands_on_the_first_screen(visit):
    page = visit.go()
    top = {name: page.locator(name).bounding_box()["y"] for name in ("#find", "#list-title")}
    assert top["#find"] < page.viewport_size["height"] / 2
    if page.viewport_size["width"] < 600:
        assert top["#find"] < top["#list-title"] < page.viewport_size["height"]


@pytest.mark.parametrize("size", SIZES)
def test_hostile_names_stay_text(browser, tmp_path, size):
    runs = make_result().runs
    runs["street"] = HOSTILE
    opened = open_visit(browser, _write(tmp_path, runs=runs, name=HOSTILE[0]), size)
    page = opened.go()
    page.fill("#find", "a")
    page.select_option("#language", "fr")
    assert set(read_texts(page, "#streets a")) == {" ".join(name.split()) for name in HOSTILE}
    assert page.locator("img").count() == 0
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    page.fill("#find", "hyper")
    page.locator("#hits a").click()
    _wait_for_street(page, "=HYPERLINK(1)")
    assert page.evaluate("window.hurt") is None
    _check(opened)


AXE = os.environ.get("ROUTEKIT_AXE", "")


@pytest.mark.skipif(not AXE, reason="ROUTEKIT_AXE names no axe-core script")
@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("typed", ["", "o"])
def test_no_serious_or_critical_fault_for_assistive_technology(browser, index_file, size, typed):
    for file in (index_file, index_file.with_name("public-01.html")):
        opened = open_visit(browser, file, size, bypass_csp=True)
        page = opened.go()
        page.fill("#find", typed)
        page.add_script_tag(path=AXE)
        faults = page.evaluate("axe.run().then((all) => all.violations)")
        grave = [
            (fault["id"], [node["html"][:120] for node in fault["nodes"]])
            for fault in faults
            if fault["impact"] in ("serious", "critical")
        ]
        assert grave == []
        page.context.close()
