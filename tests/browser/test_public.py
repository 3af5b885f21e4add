"""The page for residents in a real browser, on a phone and on a desk, with the network shut."""

from __future__ import annotations

import os
import re
import shutil
import sys
from pathlib import Path

import pytest
from playwright.sync_api import Page
from whole_result import set_outputs

from routekit.outputs.public.builder import build_public_page
from routekit.outputs.public.languages import LANGUAGES, load_words
from routekit.settings.public_page import PublicSettings

sys.path.append(str(Path(__file__).parents[1] / "outputs" / "public"))
from public_study import X0, Y0, make_result
from visits import SIZES, open_visit, read_texts

CHROMIUM = shutil.which("chromium")
HOSTILE = [
    "</script><script>window.hurt=1</script>",
    '"><img src=x onerror="window.hurt=1">',
    "`${window.hurt=1}`",
    "\u202eright to left\u202c",
    "=HYPERLINK(1)",
    "long " * 2000,
]

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed")


@pytest.fixture(scope="module")
def public_file(tmp_path_factory) -> Path:
    file = tmp_path_factory.mktemp("public") / "public.html"
    settings = PublicSettings(contact="drains@council.example", data_date="2026-05-01")
    file.write_text(
        build_public_page(set_outputs(make_result(), public=settings)), encoding="utf-8"
    )
    return file


@pytest.fixture(params=list(SIZES))
def visit(request, browser, public_file):
    """Open the page, and see afterwards that it asked for nothing and complained of nothing."""
    opened = open_visit(browser, public_file, request.param)
    yield opened
    assert {url.split("#")[0] for url in opened.requests} <= {opened.address, "about:blank"}
    assert opened.complaints == []
    opened.page.context.close()


def _find_colour(page: Page, colour: list[int]) -> dict[str, float]:
    """Middle and width, in the window, of what the map draws in one colour; n pixels of it."""
    return page.evaluate(
        """(colour) => {
          const canvas = document.querySelector(".plan-canvas");
          const { data } = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height);
          let [x, y, n, west, east] = [0, 0, 0, Infinity, -Infinity];
          for (let i = 0; i < data.length; i += 4) {
            if (colour.some((value, part) => data[i + part] !== value)) continue;
            const column = (i / 4) % canvas.width;
            [x, y, n] = [x + column, y + Math.floor(i / 4 / canvas.width), n + 1];
            [west, east] = [Math.min(west, column), Math.max(east, column)];
          }
          const box = canvas.getBoundingClientRect();
          const density = canvas.width / box.width;
          return {
            x: box.left + x / n / density, y: box.top + y / n / density, n,
            width: (east - west) / density,
          };
        }""",
        colour,
    )


def _unfold(page: Page, topic: str) -> None:
    """Open a topic of the first street."""
    page.locator(f'#s0 .topic:has([data-topic="{topic}"]) > summary').evaluate("it => it.click()")


def test_a_street_opened_answers_four_questions_and_folds_the_rest(visit):
    page = visit.go("#street=Alder%20Row")
    assert page.locator("#s0 .short > li:visible").count() == 4
    assert page.locator("#s0 .topic[open]").count() == 0
    # What, when and whether a tree is felled stand on one screen of a phone.
    third = page.locator("#s0 .short > li").nth(2).bounding_box()
    assert third["y"] + third["height"] < page.viewport_size["height"]
    _unfold(page, "parking")
    assert page.get_by_text("Look out for signs.").first.is_visible()
    assert page.inner_text("#s0 a.write") == "Ask about this street"
    assert "R1%2C%20R2" in page.get_attribute("#s0 a.write", "href")


def test_a_tap_on_a_small_hole_opens_its_card(visit):
    page = visit.go("#hole=D1")
    assert page.inner_text("#card-title") == "Small hole D1"
    assert "We expect it to stay open for 1 to 3 working days." in page.inner_text("#card-body")
    ring = _find_colour(page, [209, 25, 95])
    page.locator("#card-close").click()
    page.mouse.click(ring["x"], ring["y"])
    page.wait_for_selector("#card:not([hidden])")
    assert page.inner_text("#card-title") == "Small hole D1"
    page.select_option("#language", "de")
    assert page.inner_text("#card-title") == "Kleines Loch D1"


def test_the_title_follows_the_language(browser, tmp_path):
    file = tmp_path / "titles.html"
    settings = PublicSettings(
        titles={"de": "Kanäle"}, intros={"fr": "Bonjour"}, data_date="2026-06-01"
    )
    file.write_text(
        build_public_page(set_outputs(make_result(), public=settings)), encoding="utf-8"
    )
    opened = open_visit(browser, file, "phone")
    page = opened.go()
    assert page.inner_text("h1") == "Sewers of Lower Fenwick"
    assert not page.locator(".intro").is_visible()
    page.select_option("#language", "de")
    assert page.inner_text("h1") == "Kanäle"
    assert page.title().startswith("Kanäle · ")
    page.select_option("#language", "fr")
    assert page.inner_text(".intro") == "Bonjour"
    assert "1er juin 2026" in page.inner_text("[data-date]")
    page.context.close()


def test_the_map_is_drawn(visit):
    page = visit.go()
    colours = page.evaluate(
        """() => {
          const canvas = document.querySelector(".plan-canvas");
          const { data } = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height);
          return new Set(new Uint32Array(data.buffer)).size;
        }"""
    )
    assert colours > 10


@pytest.mark.parametrize("code", LANGUAGES)
def test_the_reader_switches_the_language(visit, code):
    page = visit.go()
    page.select_option("#language", code)
    words = load_words(code)
    assert page.evaluate("document.documentElement.lang") == code
    assert page.inner_text("#find-title") == words["ui"]["find"]
    assert words["short"]["pits"].format(m=120) in read_texts(page, "#s0 .short .line")[0]
    assert read_texts(page, "#s0 .topic li")[0].startswith(
        words["works"]["burst_same"].format(m=120, time="").strip()
    )
    assert words["ui"]["heading"] in page.title()
    assert page.text_content("#s3 .plate") == words["ui"]["area"].format(id="A1")


@pytest.mark.parametrize("code", LANGUAGES)
def test_the_script_says_what_the_html_says(browser, public_file, tmp_path, code):
    file = tmp_path / f"{code}.html"
    settings = PublicSettings(
        language=code, contact="drains@council.example", data_date="2026-05-01"
    )
    file.write_text(
        build_public_page(set_outputs(make_result(), public=settings)), encoding="utf-8"
    )
    readable = "main h2, main h4, main li, main .plate, main p, main a"
    bare = open_visit(browser, file, "phone", java_script_enabled=False)
    bare.page.goto(bare.address)
    in_html = bare.page.locator(readable).all_text_contents()
    hrefs = bare.page.locator("a.write").all_text_contents()
    live = open_visit(browser, public_file, "phone")
    live.go()
    live.page.select_option("#language", code)
    in_script = live.page.locator(readable).all_text_contents()
    only_one = {
        "",
        load_words(code)["ui"]["find_count"]["other"].format(n=4),
        load_words("en")["ui"]["no_script"],
        load_words(code)["ui"]["no_script"],
    }
    tidy = [text.strip() for text in in_html if text.strip() not in only_one]
    changed = [text.strip() for text in in_script if text.strip() not in only_one]
    assert len(tidy) > 50
    assert changed == tidy
    assert hrefs == live.page.locator("a.write").all_text_contents()
    bare.page.context.close()
    live.page.context.close()


def test_without_scripts_the_list_is_complete(browser, public_file):
    opened = open_visit(browser, public_file, "phone", java_script_enabled=False)
    opened.page.goto(opened.address)
    assert not opened.page.locator("#plan").is_visible()
    assert opened.page.locator("noscript").is_visible()
    opened.page.locator("#s0 > summary").click()
    assert opened.page.locator("#s0 .short > li").first.is_visible()
    assert not opened.page.get_by_text("2 pits are dug here.").is_visible()
    opened.page.locator("#s0 .topic summary", has_text="Pits and small holes").click()
    assert opened.page.get_by_text("2 pits are dug here.").is_visible()
    assert opened.page.locator("#s0 a.write").is_visible()
    opened.page.context.close()


def test_a_tapped_tree_and_sewer_say_their_sentences(visit):
    page = visit.go("#tree=T5")
    assert page.inner_text("#card-title") == "Tree T5"
    ring = _find_colour(page, [209, 25, 95])
    assert ring["n"] > 50
    page.locator("#card-close").click()
    assert not page.locator("#card").is_visible()
    page.mouse.click(ring["x"], ring["y"])
    page.wait_for_selector("#card:not([hidden])")
    assert page.inner_text("#card-title") == "Tree T5"
    said = read_texts(page, "#card-body p")
    assert said[:2] == ["oak Quercus robur", "This tree is protected by law or order."]
    assert "#tree=T5" in page.url
    page.locator("#card .to-street").click()
    page.wait_for_selector("#s1[open]")
    assert page.evaluate("decodeURIComponent(location.hash)") == "#street=Mill Bank"


def test_a_tap_on_a_sewer_opens_its_card(visit):
    page = visit.go()
    page.locator("#map").evaluate("map => map.scrollIntoView({ block: 'center' })")
    blue = _find_colour(page, [30, 4, 179])
    page.mouse.click(blue["x"] + blue["width"] / 4, blue["y"])
    page.wait_for_selector("#card:not([hidden])")
    assert page.inner_text("#card-title") in ("Sewer R1", "Sewer R2")
    assert "renewed without a trench" in page.inner_text("#card-body")


def test_deep_links_and_the_back_button(visit):
    page = visit.go("#pit=P1")
    assert page.inner_text("#card-title") == "Pit P1"
    assert "8 by 2 m" in page.inner_text("#card-body")
    page.evaluate("location.hash = '#run=R3'")
    page.wait_for_function("() => document.querySelector('#card-title').textContent === 'Sewer R3'")
    page.go_back()
    page.wait_for_function("() => document.querySelector('#card-title').textContent === 'Pit P1'")
    page.evaluate("location.hash = '#street=Alder%20Row'")
    page.wait_for_selector("#s0[open]")
    assert not page.locator("#card").is_visible()
    page.evaluate("location.hash = '#tree=T99'")
    page.wait_for_selector("#heard:not(:empty)")
    assert page.inner_text("#heard") == "“T99” is not on this page."


def test_the_card_gives_the_number_to_the_council(visit):
    page = visit.go("#tree=T2")
    assert page.locator("#card input.number").input_value() == "T2"
    link = page.locator("#card a.write")
    assert link.inner_text() == "Ask about this tree"
    assert link.get_attribute("href").startswith(
        "mailto:drains@council.example?subject=Question%20about%20Tree%20T2"
    )
    page.locator("#card button", has_text="Copy the number").click()
    page.wait_for_selector("#card [role=status]:not(:empty)")
    assert page.evaluate("document.querySelector('#card input.number').selectionEnd") == 2


def test_find_my_street(visit):
    page = visit.go()
    page.fill("#find", "mill")
    assert page.locator(".street:visible").count() == 1
    assert page.inner_text("#find-count") == "1 street"
    assert read_texts(page, "#hits button") == ["Mill Bank"]
    page.locator("#hits button").click()
    page.wait_for_selector("#s1[open]")
    assert page.locator("#hits button").count() == 0
    page.locator("#s1 > summary").click()
    page.fill("#find", "mill")
    page.locator(".street:visible > summary").click()
    assert page.locator("#s1 .chips button").count() == 2
    page.locator("#s1 .show").click()
    assert page.evaluate("document.activeElement.id") == "map"


def test_the_search_comes_before_the_map_and_the_legend(visit):
    page = visit.go()
    top = {
        name: page.locator(name).bounding_box()["y"] for name in (".lead", "#find", "#map", ".key")
    }
    assert top[".lead"] < top["#find"] < top[".key"]
    if page.viewport_size["width"] < 600:
        assert top["#find"] < top["#map"] < top[".key"]
        assert top["#find"] < page.viewport_size["height"] / 2


def test_street_names_stand_on_the_first_map(visit):
    page = visit.go()
    assert _find_colour(page, [20, 73, 58])["n"] > 500


def test_the_focus_ring_covers_no_other_text(visit):
    page = visit.go("#street=Alder%20Row")
    page.keyboard.press("Tab")
    page.keyboard.press("Shift+Tab")
    ring = page.evaluate(
        """() => {
          const box = document.activeElement.getBoundingClientRect();
          const style = getComputedStyle(document.activeElement);
          const reach = parseFloat(style.outlineWidth) + parseFloat(style.outlineOffset);
          return { tag: document.activeElement.tagName, bottom: box.bottom + reach };
        }"""
    )
    below = page.locator("#s0 .short").bounding_box()
    assert ring["tag"] == "SUMMARY"
    assert ring["bottom"] <= below["y"]


def test_long_lists_of_trees_are_folded(browser, tmp_path):
    result = make_result()
    for count, is_open in ((4, True), (20, False)):
        at = [0, 1, 2, 3, *[0] * (count - 4)]
        trees = result.trees.iloc[at].assign(tree_id=[f"N{i}" for i in range(count)])
        trees["is_protected"] = True
        file = tmp_path / f"trees{count}.html"
        page_text = build_public_page(make_result(trees=trees.reset_index(drop=True)))
        file.write_text(page_text, encoding="utf-8")
        assert ('<details class="marked" open>' in page_text) is is_open
        opened = open_visit(browser, file, "phone")
        page = opened.go("#street=Alder%20Row")
        _unfold(page, "trees")
        assert page.locator("#s0 .trees-here summary").inner_text().endswith(f"({count})")
        assert page.locator("#s0 .chips button").first.is_visible() is is_open
        page.locator("#s0 .trees-here summary").click()
        assert page.locator("#s0 .chips button").first.is_visible() is not is_open
        page.context.close()


def test_numbers_of_the_script_have_the_same_thousands_mark(browser, tmp_path):
    result = make_result()
    runs = result.runs.copy()
    runs["geometry"] = runs.geometry.scale(100, 100, origin=(X0, Y0))
    file = tmp_path / "long.html"
    page_text = build_public_page(
        set_outputs(make_result(runs=runs), public=PublicSettings(language="fr"))
    )
    file.write_text(page_text, encoding="utf-8")
    opened = open_visit(browser, file, "desk", locale="fr-FR")
    page = opened.go()
    before = read_texts(page, ".line")
    assert any("12\u202f000" in line for line in before)
    page.select_option("#language", "en")
    assert any("12,000" in line for line in read_texts(page, ".line"))
    page.select_option("#language", "fr")
    assert read_texts(page, ".line") == before
    page.context.close()


def test_a_walk_by_keyboard_alone(visit):
    page = visit.go()
    seen = []
    for _ in range(12):
        page.keyboard.press("Tab")
        seen.append(
            page.evaluate("document.activeElement.id || document.activeElement.parentElement.id")
        )
        if seen[-1] == "s0":
            break
    assert seen == ["language", "find", "map", "closer", "farther", "whole", "s0"]
    page.keyboard.press("Enter")
    assert page.locator("#s0").get_attribute("open") is not None
    page.wait_for_selector("#s0 .chips button", state="attached")
    # Ask, show on the map, print, link; the works, pits, your house, trees.
    for _ in range(8):
        page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    assert page.locator("#s0 .chips button").first.is_visible()
    for _ in range(2):
        page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    page.wait_for_selector("#card:not([hidden])")
    assert page.evaluate("document.activeElement.id") == "card-title"
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    assert not page.locator("#card").is_visible()
    assert page.evaluate("document.activeElement.id") == "map"


def test_targets_are_large_enough_for_a_finger(visit):
    page = visit.go("#tree=T1")
    page.locator("#s0 > summary").evaluate("one => one.click()")
    _unfold(page, "trees")
    page.wait_for_selector("#s0 .chips button")
    small = page.locator("button:visible, select:visible, summary:visible, a.write:visible")
    sizes = [box for box in (one.bounding_box() for one in small.all()) if box]
    assert len(sizes) > 8
    assert min(box["height"] for box in sizes) >= 44
    assert min(box["width"] for box in sizes) >= 44


def test_nothing_sticks_out_sideways(visit):
    page = visit.go("#street=Alder%20Row")
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")


def test_print_opens_every_street_and_hides_the_controls(visit):
    page = visit.go()
    before = page.locator("details.street[open]").count()
    page.emulate_media(media="print")
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    assert page.locator("details.street[open]").count() == 4
    assert page.locator(".trees-here:not([open])").count() == 0
    assert page.locator("#map").is_visible()
    for name in ("#closer", "#whole", "#finder", "#tongue"):
        assert not page.locator(name).is_visible()
    width = page.locator("#map").bounding_box()["width"]
    assert width == pytest.approx(17 / 2.54 * 96, abs=2)
    assert page.pdf(format="A4").startswith(b"%PDF")
    page.evaluate("window.dispatchEvent(new Event('afterprint'))")
    assert page.locator("details.street[open]").count() == before


def test_street_tools_of_the_page(browser, public_file):
    opened = open_visit(browser, public_file, "phone", locale="de-AT", color_scheme="dark")
    page = opened.page
    page.add_init_script(
        "window.named = []; const draw = CanvasRenderingContext2D.prototype.fillText;"
        "CanvasRenderingContext2D.prototype.fillText = function (text, ...at) {"
        " window.named.push(text); return draw.call(this, text, ...at); };"
    )
    opened.go()
    # The browser's language, every street on the map, Enter after a slip of the finger.
    assert page.evaluate("document.documentElement.lang") == "de"
    names = {"Alder Row", "Mill Bank", "Quince Court", "Arbeitsbereich A1"}
    assert set(page.evaluate("named")) == names
    page.fill("#find", "Quinse")
    assert page.inner_text("#find-count") == load_words("de")["ui"]["find_similar"]
    page.keyboard.press("Enter")
    page.wait_for_selector("#s2[open]")
    assert page.locator("#s2 .link").get_attribute("href") == "#street=Quince%20Court"
    # One street alone goes on one sheet.
    page.evaluate("window.print = () => { dispatchEvent(new Event('beforeprint')); }; 0")
    page.evaluate("document.querySelector('#s2 .print').click()")
    page.emulate_media(media="print")
    assert page.locator(".street:visible").count() == 1
    assert len(re.findall(rb"/Type\s*/Page\b", page.pdf(format="A4"))) == 1
    assert opened.complaints == []
    page.context.close()


@pytest.mark.parametrize("size", SIZES)
def test_hostile_text_stays_text(browser, tmp_path, size):
    result = make_result()
    runs, trees = result.runs, result.trees.iloc[:7].copy()
    runs["street"] = HOSTILE
    trees["tree_id"] = [*HOSTILE, "T7"]
    trees["species"] = [*HOSTILE, HOSTILE[0]]
    trees["is_protected"] = True
    pits = result.pits.assign(pit_id=HOSTILE[:2])
    page_text = build_public_page(
        set_outputs(
            make_result(runs=runs, trees=trees, pits=pits, name=HOSTILE[0]),
            public=PublicSettings(intro=HOSTILE[1], title=HOSTILE[1]),
        )
    )
    file = tmp_path / "hostile.html"
    file.write_text(page_text, encoding="utf-8")
    opened = open_visit(browser, file, size)
    page = opened.go()
    for street in range(page.locator(".street").count()):
        page.locator(f"#s{street} > summary").evaluate("one => one.click()")
    page.wait_for_selector(".chips button", state="attached")
    page.evaluate("document.querySelectorAll('.topic').forEach((one) => { one.open = true; })")
    page.select_option("#language", "fr")
    page.locator(".chips button").first.click()
    page.wait_for_selector("#card:not([hidden])")
    plates = read_texts(page, ".plate")
    assert {" ".join(name.split()) for name in HOSTILE} == set(plates)
    assert page.locator("img").count() == 0
    assert page.evaluate("window.hurt") is None
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    assert opened.complaints == []
    assert {url.split("#")[0] for url in opened.requests} <= {opened.address, "about:blank"}
    page.context.close()


AXE = os.environ.get("ROUTEKIT_AXE", "")


@pytest.mark.skipif(not AXE, reason="ROUTEKIT_AXE names no axe-core script")
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("place", ["", "#tree=T5", "#street=Alder%20Row"])
def test_no_fault_for_assistive_technology(browser, public_file, size, place, scheme):
    opened = open_visit(browser, public_file, size, bypass_csp=True, color_scheme=scheme)
    page = opened.go(place)
    page.add_script_tag(path=AXE)
    faults = page.evaluate("axe.run().then((all) => all.violations)")
    told = [(fault["id"], [node["html"][:120] for node in fault["nodes"]]) for fault in faults]
    assert told == []
    page.context.close()
