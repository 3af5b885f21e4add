"""The working map in other languages: what it says, how it writes numbers, what it keeps."""

import re
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent.parent / "outputs" / "map"))
sys.path.insert(0, str(Path(__file__).parent))

import district
import pseudo
from chromium import DESKTOP, PHONE
from test_map_works import make_works
from whole_result import set_outputs

from routekit.outputs.map.builder import build_map
from routekit.settings.outputs import MapSettings

VISIBLE = """() => {
  const found = [];
  const others = "script, style, noscript, pre, code, select#language, [lang=en]";
  const isForeign = (element) => element.closest(others);
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    if (!isForeign(walker.currentNode.parentElement)) found.push(walker.currentNode.textContent);
  }
  for (const name of ["aria-label", "title", "aria-roledescription"]) {
    for (const one of document.querySelectorAll(`[${name}]`)) {
      if (!isForeign(one)) found.push(one.getAttribute(name));
    }
  }
  return found;
}"""
"""Texts of a page, and names that a screen reader says, but for what is marked as English."""


@pytest.fixture(scope="module")
def disguised_file(tmp_path_factory):
    """A map whose German is the English with every letter an ö."""
    patch = pytest.MonkeyPatch()
    pseudo.install(tmp_path_factory.mktemp("words"), patch)
    path = tmp_path_factory.mktemp("disguised") / "map.html"
    path.write_text(build_map(make_works()), encoding="utf-8")
    patch.undo()
    pseudo.forget()
    return path


def choose(page, code):
    page.locator("#language").select_option(code)
    assert page.evaluate("document.documentElement.lang") == code


PLACES = [
    *("runs", "strings", "pits", "digs", "trees", "checks", "findings"),
    *("layers", "filter", "totals", "print", "sources", "cautions"),
]
CARDS = ["run=R1", "run=R3", "run=nowhere", "tree=T4", "pit=P1", "string=S1", "dig=D1"]


def go(page, place):
    page.evaluate(f"window.location.hash = '{place}'")


DATA = {
    *(
        "Lindengrund",
        "Tilia",
        "Platanus",
        "cordata",
        "EPSG",
        "JavaScript",
        "GeoJSON",
        "nowhere",
        "BBAC",
    ),
    *("date", "item", "sewers", "trees", "gpkg", "inverts", "source"),
}
"""Words of the data and of addresses: they are the same in every language."""


def left_over(page):
    """Give the words of four letters and more that are not data."""
    texts = page.evaluate(VISIBLE)
    return {word for text in texts for word in re.findall(r"[A-Za-z]{4,}", text)} - DATA


def test_no_english_is_left(open_page, disguised_file):
    """What is not marked as English, or as a name, came out of the catalogue."""
    page = open_page(disguised_file)
    choose(page, "de")
    found = {}
    for place in [f"page={name}" for name in PLACES] + CARDS:
        go(page, place)
        found[place] = left_over(page)
    assert {place: words for place, words in found.items() if words} == {}


def test_plurals_and_signs_of_numbers_follow_the_language(open_page, disguised_file):
    page = open_page(disguised_file, address="#string=S1")
    choose(page, "de")
    go(page, "string=S1")
    text = page.locator("#page-card").inner_text()
    assert "132,6\u00a0%" in text
    assert "1.000\u00a0kN" in text or "1000\u00a0kN" in text
    go(page, "page=runs")
    said = page.locator("#overview").inner_text()
    assert re.search(r"1 ö+ ö+¹", said), said
    assert re.search(r"12 ö+²|5 ö+²|2 ö+²", said), said
    choose(page, "en")
    assert "1 small dig" in page.locator("#overview").inner_text()


@pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])
def test_choice_is_kept_and_bars_nobody(open_page, disguised_file, find_barriers, size):
    page = open_page(disguised_file, size, address="#run=R1")
    page.locator("#language").focus()
    choose(page, "fr")
    assert page.evaluate("document.activeElement.id") == "language"
    assert page.evaluate("window.location.search") == "?language=fr"
    assert page.evaluate("window.location.hash") == "#run=R1"
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    assert find_barriers(page) == []


BROKEN = """buttons => buttons.filter((button) => {
  const text = document.createTreeWalker(button, NodeFilter.SHOW_TEXT).nextNode();
  const range = document.createRange();
  return [...text.data.matchAll(/\\S+/g)].some((word) => {
    range.setStart(text, word.index);
    range.setEnd(text, word.index + word[0].length);
    return new Set([...range.getClientRects()].map((box) => box.top)).size > 1;
  });
}).map((button) => button.textContent)"""
"""Buttons of which a word stands on two lines."""


@pytest.fixture(scope="module")
def plain_file(tmp_path_factory):
    """The map of the made district in its real languages."""
    path = tmp_path_factory.mktemp("plain") / "map.html"
    path.write_text(build_map(district.make_district()), encoding="utf-8")
    return path


@pytest.mark.parametrize("language", ["en", "de", "es", "fr", "nl"])
def test_no_word_on_the_plan_is_broken_on_a_phone(open_page, plain_file, language):
    page = open_page(plain_file, PHONE)
    choose(page, language)
    assert page.locator("#plan-words button").evaluate_all(BROKEN) == []
    sides = "all => all.map((one) => [one.offsetLeft, one.scrollWidth - one.clientWidth])"
    boxes = page.locator("#plan-words button").evaluate_all(sides)
    assert all(left >= 0 and over <= 0 for left, over in boxes)


def test_map_opens_in_the_language_of_the_study(open_page, tmp_path):
    path = tmp_path / "map.html"
    settings = MapSettings(language="nl")
    path.write_text(
        build_map(set_outputs(district.make_district(), map=settings)), encoding="utf-8"
    )
    page = open_page(path)
    assert page.evaluate("document.documentElement.lang") == "nl"
    assert page.locator("#language").input_value() == "nl"
    choose(page, "en")
    assert page.evaluate("window.location.search") == "?language=en"
    assert page.locator("#page-runs h2").inner_text() == "Runs"
