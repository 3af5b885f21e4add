"""The tree sheets on screens from a small phone to a desktop."""

import dataclasses
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent.parent / "outputs" / "map"))
sys.path.insert(0, str(Path(__file__).parent))

import district
from chromium import DESKTOP, PHONE
from whole_result import fill_table

from routekit.outputs.arborist.writer import write_tree_report
from routekit.outputs.works.writer import write_works_plans

NARROW = {"width": 320, "height": 640}


def with_balance(result):
    """The district with a row of the balance for every tree that open cut would reach."""
    loss = result.tree_loss
    names = ("footprint_m2", "footprint_share", "severed_share", "severity")
    taken = {f"open_cut_{name}": loss[name] for name in names}
    balance = fill_table("tree_balance", loss[["tree_id"]].assign(**taken), district.CRS)
    return dataclasses.replace(result, tree_balance=balance)


@pytest.fixture(scope="module", params=[False, True], ids=["plain", "hostile"])
def sheets(request, tmp_path_factory):
    path = tmp_path_factory.mktemp("sheets") / "trees.html"
    result = with_balance(district.make_district())
    if request.param:
        long_ids = result.trees.assign(species="x" * 300)
        result = dataclasses.replace(result, trees=long_ids)
    write_tree_report(result, path, with_pdf=False)
    return path


@pytest.mark.parametrize("size", [NARROW, PHONE, {"width": 701, "height": 900}, DESKTOP])
def test_the_page_is_never_wider_than_the_screen(browser, sheets, size):
    page = browser.new_page(viewport=size)
    page.goto(sheets.as_uri())
    assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
    page.close()


def test_rows_stack_on_a_phone_and_words_stay_whole(browser, sheets):
    page = browser.new_page(viewport=PHONE)
    page.goto(sheets.as_uri())
    shown = page.evaluate("""
        [...document.querySelectorAll('.grid .severity')].map((word) => ({
          lines: word.getClientRects().length,
          inside: word.getBoundingClientRect().right <= innerWidth,
        }))""")
    assert len(shown) > 10
    assert all(word["lines"] == 1 and word["inside"] for word in shown)
    label = "getComputedStyle(document.querySelector('.grid td[data-head]'), '::before').content"
    assert page.evaluate(label) == '"Species"'
    page.close()


@pytest.mark.parametrize("size", [NARROW, PHONE, DESKTOP], ids=["narrow", "phone", "desktop"])
def test_works_plans_fit_the_screen_and_bar_nobody(
    browser, sample_result, tmp_path, find_barriers, size
):
    write_works_plans(sample_result, tmp_path / "works.html", with_pdf=False)
    page = browser.new_page(viewport=size)
    page.goto((tmp_path / "works.html").as_uri())
    assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
    assert page.locator("article figure > svg").count() > 8
    assert find_barriers(page) == []
    page.close()
