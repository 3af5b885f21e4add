"""Lists of the map: each thing of the study in its list, narrowed, sorted, led to by alerts."""

import csv
import io
import json
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from chromium import DESKTOP, PHONE

sys.path.append(str(Path(__file__).parent.parent / "outputs" / "map"))
import district

from routekit.advice.ways import SUMS, WAYS
from routekit.outputs.map.builder import build_map

STREETS = np.repeat(["Ash Lane", "Birch Row"], 6)


def make_told():
    """The district with streets, a pit that meets something, runs that nobody has inspected."""
    result = district.make_district()
    standing = np.where(np.arange(12) < 5, "provisional: inspect first", "recommended")
    ways = pd.DataFrame(
        {
            "way": list(WAYS),
            "text": list(WAYS.values()),
            "text_words": [json.dumps([text]) for text in WAYS.values()],
            "n_runs": 9,
            "n_left_out": 2,
            "n_failing": [0, 0, 4, 0],
            **{name: [4e5, 2e5, 1e5, 3e5] for name in SUMS},
        }
    )
    told = replace(
        result,
        ways=ways,
        runs=result.runs.assign(street=STREETS),
        advice=result.advice.assign(standing=standing, is_feasible=True),
        pits=result.pits.assign(is_free=pd.array([True, False], "boolean"), run_id=["R1", "R9"]),
    )
    return district.raise_alerts(told)


@pytest.fixture(scope="module")
def told():
    """The result that the pages show."""
    return make_told()


@pytest.fixture(scope="module")
def lists_file(told, tmp_path_factory):
    path = tmp_path_factory.mktemp("lists") / "map.html"
    path.write_text(build_map(told), encoding="utf-8")
    return path


def rows_of(page, name):
    """The first cells of a list."""
    return page.locator(f"#page-{name} .list-table tbody th").all_inner_texts()


@pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])
@pytest.mark.parametrize(
    ("name", "ids"),
    [("strings", "string_id"), ("pits", "pit_id"), ("digs", "dig_id"), ("trees", "tree_id")],
)
def test_each_thing_stands_in_its_list_and_opens_its_card(
    open_page, lists_file, told, name, ids, size
):
    page = open_page(lists_file, size, address=f"#page={name}")
    wanted = sorted(getattr(told, name)[ids])
    assert sorted(rows_of(page, name)) == wanted
    first = page.locator(f"#page-{name} .list-table tbody a").first
    shown = first.inner_text()
    first.click()
    assert page.locator("#page-card").is_visible()
    assert shown in page.locator("#page-card h2").inner_text()


def test_findings_and_checks_are_listed_with_their_numbers(open_page, lists_file, told):
    page = open_page(lists_file, address="#page=findings")
    assert page.locator("#page-findings .list-table tbody tr").count() == len(told.findings)
    chosen = told.advice.set_index("run_id")["technique"]
    checks = told.checks.astype({"run_id": str, "technique": str, "check": str, "verdict": str})
    mine = checks[checks["technique"] == checks["run_id"].map(chosen)]
    counts = mine[mine["verdict"] != "pass"].groupby(["check", "verdict"])["run_id"].nunique()
    page.evaluate("location.hash = 'page=checks'")
    assert page.locator("#page-checks").is_visible()
    cells = page.locator("#page-checks .list-table tbody tr").evaluate_all(
        "rows => rows.map(row => [...row.children].map(cell => cell.textContent))"
    )
    assert len(cells) == len(counts) > 0
    assert sorted(int(number) for *_, number in cells) == sorted(counts)
    link = page.locator("#page-checks .list-table tbody tr").first.locator("a")
    number = int(link.inner_text())
    link.click()
    assert page.locator("#page-runs").is_visible()
    assert page.locator("#list-rows tr").count() == number


def test_a_list_is_sorted_narrowed_to_one_value_and_taken_away(open_page, lists_file, told):
    page = open_page(lists_file, address="#page=trees")
    page.locator("#page-trees [data-sort=tree_id]").click()
    assert rows_of(page, "trees")[0] == "T30"
    page.locator("#page-trees .facets summary").click()
    harmed = told.tree_loss["severity"].astype(str)
    code, word = (
        ("structural", "Structural") if (harmed == "structural").any() else ("major", "Major")
    )
    line = page.locator("#page-trees .narrow-severity .facet-line", has_text=word)
    line.get_by_role("button").click()
    shown = rows_of(page, "trees")
    assert sorted(shown) == sorted(told.tree_loss.loc[harmed == code, "tree_id"])
    with page.expect_download() as waiting:
        page.locator("#page-trees .take-list").click()
    text = Path(waiting.value.path()).read_text(encoding="utf-8-sig")
    assert waiting.value.suggested_filename.endswith("-trees.csv")
    assert [row["tree_id"] for row in csv.DictReader(io.StringIO(text))] == shown
    page.locator("#page-trees").get_by_text("Clear all filters").click()
    assert len(rows_of(page, "trees")) == 30


def test_an_alert_leads_to_the_list_of_its_things(open_page, lists_file, told):
    page = open_page(lists_file)
    said = page.locator("#alerts").inner_text()
    assert "A rule or limit is not kept" in said
    page.locator("#alerts a[href='#alert=pit_not_clear']").click()
    assert page.locator("#page-pits").is_visible()
    assert rows_of(page, "pits") == ["P2"]
    page.evaluate("location.hash = 'page=runs'")
    worked = told.advice["technique"] != "monitor"
    first = worked & (told.advice["standing"] != "recommended")
    link = page.locator("#alerts a[href='#alert=inspect_first']")
    assert link.inner_text() == f"{first.sum()} runs"
    link.click()
    assert page.locator("#list-rows tr").count() == first.sum()
    assert page.locator("details.overview").get_attribute("open") is None
    names = page.locator("#list-rows .opener").all_inner_texts()
    assert names == told.advice.loc[first, "run_id"].tolist()


def test_the_filter_of_runs_says_what_each_alert_is_raised_for(open_page, lists_file):
    """Pits and digs may be told the same thing; runs that have one are counted, not these."""
    page = open_page(lists_file, address="#page=filter")
    lines = [one.strip() for one in page.locator(".narrow-alert .facet-line").all_inner_texts()]
    assert any("1 pit \u2013 Without a clear position (" in line for line in lines), lines
    assert any(line.startswith("Not inspected: the technique is") for line in lines)
    page.evaluate("location.hash = 'page=pits'")
    assert page.locator("#page-pits").is_visible()
    assert "1 pit \u2013" not in page.locator("#page-pits").text_content()


def test_a_list_of_digs_says_what_it_cannot_hold(open_page, told, tmp_path):
    """Where no connections are known, an empty list is no answer."""
    lost = "Runs worked on with connections not known (digs, reopening, impact and cost left out)"
    totals = pd.DataFrame({"quantity": [lost], "unit": "runs", "recommended_mid": [12.0]})
    totals = totals.reindex(columns=told.totals.columns)
    bare = replace(told, digs=told.digs.iloc[:0], totals=totals)
    path = tmp_path / "map.html"
    path.write_text(build_map(bare), encoding="utf-8")
    page = open_page(path, address="#page=digs")
    assert "not known: no connections are known" in page.locator("#page-digs").inner_text()
    path.write_text(build_map(told), encoding="utf-8")
    page = open_page(path, address="#page=digs")
    assert "not known" not in page.locator("#page-digs p").first.inner_text()


def test_an_alert_of_another_study_leads_to_the_runs(open_page, lists_file):
    page = open_page(lists_file, address="#alert=no_such")
    assert page.locator("#list-rows tr").count() == 12


def test_lists_and_totals_follow_the_filter_of_runs(open_page, lists_file, told):
    page = open_page(lists_file, address="#page=filter")
    page.locator(".narrow-street .facet-line", has_text="Birch Row").get_by_role("button").click()
    assert page.locator("#filter-note").inner_text().startswith("Runs shown: 6 of 12;")
    page.evaluate("location.hash = 'page=pits'")
    assert page.locator("#page-pits").is_visible()
    assert rows_of(page, "pits") == ["P2"]
    assert "only what lies at the runs shown" in page.locator("#page-pits").inner_text()
    page.evaluate("location.hash = 'page=totals'")
    assert page.locator("#page-totals").is_visible()
    said = page.locator("#shown-totals").inner_text()
    metres = told.runs["length_m"].to_numpy()[6:].sum()
    assert "6 of 12" in said
    assert f"{metres:.0f}\u00a0m" in said
    cost = told.advice["cost_mid"].iloc[6:]
    assert ("not known" in said) == bool(cost.isna().any())


def test_a_street_is_found_by_its_name(open_page, lists_file):
    page = open_page(lists_file)
    page.fill("#finder-text", "birch")
    page.keyboard.press("Enter")
    assert page.locator("#list-rows tr").count() == 6
    assert page.locator("#finder-note").inner_text() == "Showing Birch Row."
    page.fill("#finder-text", "no such place")
    page.keyboard.press("Enter")
    assert page.locator("#finder-note").inner_text() == "Nothing found for no such place."


def test_the_list_can_be_wide_and_the_plan_alone(open_page, lists_file):
    page = open_page(lists_file)
    width = page.locator("#reading").bounding_box()["width"]
    assert not page.locator("#list-heads [data-sort=street]").is_visible()
    page.locator("#widen").click()
    assert page.locator("#reading").bounding_box()["width"] > 1.4 * width
    assert page.locator("#list-heads [data-sort=street]").is_visible()
    page.locator("#alone").click()
    assert not page.locator("#reading").is_visible()
    assert page.locator("#widen").get_attribute("aria-pressed") == "false"
    page.locator("#alone").click()
    assert page.locator("#reading").bounding_box()["width"] == width


def test_the_ways_of_renewing_the_district_are_told_beside_the_totals(open_page, lists_file):
    page = open_page(lists_file, address="#page=totals")
    assert page.locator("#ways-chart circle").count() == 4
    rows = page.locator("#ways-table tbody tr").all_inner_texts()
    assert [row.split("\t")[0] for row in rows] == [text.capitalize() for text in WAYS.values()]
    assert "400,000" in rows[0]
    assert "4 runs" in rows[2]
    assert "2 runs are left out" in page.locator("#ways").inner_text()


@pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])
def test_lists_bar_nobody(open_page, lists_file, find_barriers, size):
    page = open_page(lists_file, size)
    for place in ("page=trees", "page=checks", "page=filter", "alert=pit_not_clear"):
        page.evaluate("place => { location.hash = place; }", place)
        assert find_barriers(page) == []
