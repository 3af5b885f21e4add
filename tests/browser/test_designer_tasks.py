"""Twelve things that a designer asks of a district's map, in at most four clicks each."""

import re
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from chromium import DESKTOP, wait_until, wait_until_ready

from routekit.techniques import list_codes

MOST_CLICKS = 4
OPEN = ".page:not([hidden])"


class Designer:
    """A reader who counts the clicks; typing and looking are free."""

    def __init__(self, page):
        self.page, self.clicks = page, 0

    def click(self, selector, text=None):
        target = self.page.locator(selector)
        (target.get_by_text(text, exact=True) if text else target).first.click()
        self.clicks += 1
        assert self.clicks <= MOST_CLICKS

    def turn_to(self, part):
        self.click("#parts a", part)

    def only(self, facet, text):
        line = self.page.locator(f"{OPEN} .narrow-{facet} .facet-line", has_text=text)
        line.get_by_role("button").first.click()
        self.clicks += 1
        assert self.clicks <= MOST_CLICKS

    def find(self, text):
        self.page.locator("#finder-text").fill(text)
        self.page.locator("#finder-text").press("Enter")

    def has_come_to(self, heading):
        """Whether the open page has a heading that begins so."""
        return self.read(f"{OPEN} h2").startswith(heading)

    def read(self, selector=OPEN):
        return self.page.locator(selector).first.inner_text()

    def column(self, number):
        """Texts of a column of the list that is open."""
        return self.page.locator(f"{OPEN} tbody tr > :nth-child({number})").all_inner_texts()


@pytest.fixture(scope="module")
def context(browser):
    context = browser.new_context(viewport=DESKTOP, offline=True)
    yield context
    context.close()


@pytest.fixture
def designer(context, sample_written):
    page = context.new_page()
    page.goto((sample_written[0] / "map.html").as_uri())
    wait_until_ready(page)
    yield Designer(page)
    page.close()


@pytest.fixture(scope="module")
def advice(sample_result):
    return sample_result.advice.astype({"run_id": str, "technique": str}).set_index("run_id")


def test_the_worst_run_for_trees(designer, sample_result):
    designer.click("[data-sort=severity]")
    if "Structural" not in designer.read("#list-rows tr"):
        designer.click("[data-sort=severity]")
    designer.click("#list-rows .opener")
    assert designer.has_come_to("Run ")
    run = designer.read(f"{OPEN} h2").removeprefix("Run ")
    worst = sample_result.breaches.astype({"run_id": str}).query("severity == 'structural'")
    assert run in set(worst["run_id"])


def test_no_dig_candidates_of_one_street(designer, sample_result, advice):
    designer.turn_to("Filter")
    designer.only("street", "Tessel Avenue")
    for words in ("Leave and monitor", "Open cut ("):
        designer.click(f"{OPEN} .narrow-technique label:has-text('{words}')")
    streets = sample_result.runs.astype({"run_id": str}).set_index("run_id")["street"]
    here = advice.loc[streets.index[streets == "Tessel Avenue"], "technique"]
    count = (~here.isin(["monitor", "open_cut"])).sum()
    assert 0 < count < len(here)
    assert f"Runs shown: {count} of 172" in designer.read()


def test_why_a_run_is_burst_and_not_lined(designer, advice):
    burst = advice.index[
        advice["technique"].isin(
            list_codes(lambda technique: technique.new_pipe.startswith("burst"))
        )
    ][0]
    designer.find(burst)
    assert designer.has_come_to("Run ")
    card = designer.read()
    assert "Reason" in card
    assert "Why not the runner-up" in card
    compared = designer.page.locator(f"{OPEN} table", has_text="Techniques compared")
    lined = compared.locator("tr", has_text="Cured-in-place pipe").first.inner_text()
    assert re.search(r"fail|pass|unknown|caution", lined), lined


def test_which_checks_are_unknown_across_the_runs(designer, sample_result, advice):
    designer.click(".list-links a[href='#page=checks']")
    designer.click(f"{OPEN} .facets summary")
    designer.only("verdict", "unknown")
    checks = sample_result.checks.astype(
        {"run_id": str, "technique": str, "verdict": str, "check": str}
    )
    own = checks[checks["technique"] == checks["run_id"].map(advice["technique"])]
    assert len(designer.column(1)) == own.query("verdict == 'unknown'")["check"].nunique() > 0


def test_the_cost_of_the_ways(designer):
    designer.turn_to("Totals")
    ways = designer.page.locator(f"{OPEN} table", has_text="Ways of renewing the district")
    assert ways.locator("tbody tr").count() >= 4


def test_pits_that_are_not_clear_of_roots(designer, sample_result):
    designer.click("#alerts a[href='#alert=pit_not_clear']")
    assert designer.has_come_to("Pits")
    unclear = sample_result.pits[~sample_result.pits["is_clear"].fillna(False).astype(bool)]
    assert designer.column(1) == unclear["pit_id"].astype(str).tolist() != []


def test_a_run_by_its_number(designer):
    designer.find("TL-S10")
    assert designer.has_come_to("Run TL-S10")
    assert designer.clicks == 0


def test_print_one_sheet(designer):
    designer.page.evaluate("window.print = () => { window.printed = true; }")
    designer.turn_to("Print")
    designer.page.locator(f"{OPEN} select").select_option("500")
    designer.click(f"{OPEN} button", "Print")
    wait_until(designer.page, "window.printed === true")


def test_measure_a_length(designer):
    designer.click("#measure")
    box = designer.page.locator("#sheet_map").bounding_box()
    for east in (200, 400):
        designer.page.mouse.click(box["x"] + east, box["y"] + 300)
        designer.clicks += 1
    assert re.match(r"\d+.*m over 2 points", designer.read("#plan-note"))
    assert designer.clicks <= MOST_CLICKS


def test_only_structural_breaches(designer, sample_result):
    designer.turn_to("Filter")
    designer.only("severity", "Structural")
    breaches = sample_result.breaches.astype({"run_id": str, "severity": str})
    count = breaches.query("severity == 'structural'")["run_id"].nunique()
    assert f"Runs shown: {count} of 172" in designer.read()


def test_a_long_section(designer):
    designer.click("#list-rows .opener")
    assert designer.has_come_to("Run ")
    assert designer.page.locator(f"{OPEN} svg.section").count() == 1


def test_a_string_from_run_to_run(designer):
    designer.click(".list-links a[href='#page=strings']")
    designer.click(f"{OPEN} tbody a")
    assert designer.has_come_to("String ")
    designer.click(f"{OPEN} a[href^='#run=']")
    assert designer.has_come_to("Run ")
    run = designer.read(f"{OPEN} h2").removeprefix("Run ")
    designer.click(f"{OPEN} a[href^='#string=']")
    assert designer.has_come_to("String ")
    assert run in designer.read()
