"""Decisions made on the map come back through their file and hold in the next result."""

import json
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent.parent))

from avenue import SPACING_M, Avenue
from chromium import DESKTOP, PHONE

from routekit.errors import DecisionError
from routekit.outputs.map.builder import build_map
from routekit.pipeline import run_study
from routekit.study import Study

NAMED = '[layers]\ndecisions_map = "decisions_map.geojson"\n'
WAITING = "decided, not yet worked out"


def small_street(folder):
    """Three runs under trees; give its study file."""
    street = Avenue()
    street.drain("A", 0, 0, [SPACING_M] * 3)
    street.row_of_trees("TA", [8.0, 18.0, 35.0, 60.0], 3.5)
    for run in ("A1", "A2", "A3"):
        street.roots(run, [4.0, 11.0])
    return street.write(folder)


@pytest.fixture(scope="module")
def street(tmp_path_factory):
    folder = tmp_path_factory.mktemp("street")
    path = small_street(folder)
    result = run_study(Study.load(path))
    page = folder / "map.html"
    page.write_text(build_map(result), encoding="utf-8")
    return path, page, result


def take_over(path, text, folder):
    """The study of a street with a file saved on its map."""
    folder.mkdir(exist_ok=True)
    study = small_street(folder)
    study.write_text(
        path.read_text(encoding="utf-8").replace("[layers]\n", NAMED), encoding="utf-8"
    )
    (folder / "decisions_map.geojson").write_text(text, encoding="utf-8")
    return run_study(Study.load(study))


def decide(page, place, decision, **fields):
    page.goto(page.url.split("#")[0] + place)
    form = page.locator("#deciding")
    form.locator("[data-field=decision]").select_option(decision)
    told = {"by": "arborist", "reason": "seen on site"} | fields
    for name, value in told.items():
        field = form.locator(f"[data-field={name}]")
        if name == "technique":
            field.select_option(value)
        else:
            field.fill(value)
    form.locator(".put-down").click()


def save(page):
    page.goto(page.url.split("#")[0] + "#page=decide")
    with page.expect_download() as waiting:
        page.click("#save-decisions")
    assert waiting.value.suggested_filename == "decisions_map.geojson"
    return Path(waiting.value.path()).read_text(encoding="utf-8")


def test_decisions_made_on_the_page_hold_in_the_next_result(street, open_page, tmp_path):
    path, file, before = street
    trees = before.trees["tree_id"].tolist()
    page = open_page(file)
    decide(page, "#run=A1", "force", technique="open_cut")
    assert WAITING in page.locator("#page-card > .decided").inner_text()
    decide(page, f"#tree={trees[0]}", "no_pit")
    decide(page, f"#tree={trees[1]}", "own_zone", radius_m="9")
    decide(page, f"#tree={trees[2]}", "tree_gone")
    decide(page, f"#tree={trees[3]}", "stem", stem_diameter_mm="910")
    page.goto(page.url.split("#")[0] + "#page=runs")
    assert WAITING in page.locator("#list-rows [data-run] th .decided").inner_text()
    text = save(page)
    found = json.loads(text)
    assert [one["properties"]["decision"] for one in found["features"]] == [
        "force",
        "no_pit",
        "own_zone",
        "tree_gone",
        "stem",
    ]
    after = take_over(path, text, tmp_path)
    chosen = after.advice.set_index("run_id")
    assert chosen.loc["A1", "technique"] == "open_cut"
    assert bool(chosen.loc["A1", "is_forced"])
    assert not bool(before.advice.set_index("run_id").loc["A1", "is_forced"])
    assert set(before.trees["tree_id"]) - set(after.trees["tree_id"]) == {trees[2]}
    zones = after.zones.set_index("tree_id")
    # The circle is held whole: pi r^2 = 254.47 m2, the 64-gon about it 254.67 m2.
    assert zones.loc[trees[1], "area_m2"] == pytest.approx(254.67, rel=2e-3)
    assert after.trees.set_index("tree_id").loc[trees[3], "stem_diameter_mm"] == 910
    raised = set(after.alerts["alert"])
    assert {"forced", "no_pit", "own_zone", "tree_gone", "stem_corrected"} <= raised
    # The file is loaded into the next map, which says what it was worked out with.
    later = tmp_path / "later.html"
    later.write_text(build_map(after), encoding="utf-8")
    page = open_page(later, address="#page=decide")
    page.set_input_files("#load-decisions", str(tmp_path / "decisions_map.geojson"))
    page.wait_for_selector("#page-decide .draft")
    told = page.locator("#page-decide .draft .decided").all_inner_texts()
    assert told.count("decided and worked out") == 4
    assert told.count("decided; a zone drawn by hand is in force") == 1


def test_two_that_exclude_each_other_are_told(street, open_page, tmp_path):
    path, file, before = street
    tree = before.trees["tree_id"].iloc[0]
    page = open_page(file)
    decide(page, "#run=A1", "force", technique="open_cut")
    decide(page, "#run=A1", "exclude", technique="open_cut")
    decide(page, f"#tree={tree}", "tree_gone")
    decide(page, f"#tree={tree}", "no_pit")
    with pytest.raises(DecisionError) as refusal:
        take_over(path, save(page), tmp_path)
    told = str(refusal.value)
    assert "run A1: open_cut is both forced and excluded (feature 1, feature 2)" in told
    assert (
        f"tree {tree}: it is said to be gone, and no_pit is decided on (feature 3, feature 4)"
        in told
    )
    assert "undo the decision on the map" in told


@pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desk", "phone"])
def test_an_outline_is_drawn_and_undone_and_reasons_are_required(street, open_page, size):
    _, file, before = street
    tree = before.trees["tree_id"].iloc[0]
    page = open_page(file, size=size, address=f"#tree={tree}")
    form = page.locator("#deciding")
    form.locator("[data-field=by]").fill("arborist")
    form.locator(".put-down").click()
    assert form.locator(".deciding-note").inner_text() == "Write the reason."
    form.locator("[data-field=decision]").select_option("own_zone")
    form.locator("[data-draw]").click()
    box = page.locator(".plan-frame").bounding_box()
    for x, y in ((0.25, 0.6), (0.75, 0.6), (0.5, 0.85)):
        page.mouse.click(box["x"] + x * box["width"], box["y"] + y * box["height"])
    assert page.locator("#plan-note").inner_text() == "3 corners drawn."
    form.locator("[data-field=reason]").fill("roots seen in a pit")
    form.locator(".put-down").click()
    found = json.loads(save(page))["features"]
    ring = found[0]["geometry"]["coordinates"][0]
    assert len(ring) == 4
    assert ring[0] == ring[-1]
    page.locator("#page-decide .draft button").click()
    assert page.locator("#page-decide .draft").count() == 0
    assert page.locator("#save-decisions").is_disabled()


def test_different_techniques_within_one_string_are_told_at_once_and_when_read(
    street, open_page, tmp_path
):
    path, file, _ = street
    page = open_page(file)
    for run in ("A1", "A2", "A3"):
        decide(page, f"#run={run}", "force", technique="burst_same")
    pulled = take_over(path, save(page), tmp_path / "pulled")
    (string,) = pulled.strings["string_id"]
    later = tmp_path / "later.html"
    later.write_text(build_map(pulled), encoding="utf-8")
    # Along the string: it would be divided, and the study divides it.
    page = open_page(later)
    for run, technique in (("A1", "burst_same"), ("A2", "burst_same"), ("A3", "burst_upsized")):
        decide(page, f"#run={run}", "force", technique=technique)
    told = page.locator("#deciding .clash").inner_text()
    assert f"String {string}: different techniques" in told
    parted = take_over(path, save(page), tmp_path / "parted")
    assert page.locator("#page-decide .clash").all_inner_texts() == [told]
    chosen = parted.advice.set_index("run_id")["technique"]
    assert chosen.to_dict() == {"A1": "burst_same", "A2": "burst_same", "A3": "burst_upsized"}
    assert sorted(parted.strings["run_ids"]) == ["A1;A2", "A3"]
    ends = parted.strings.set_index("run_ids")
    said = " ".join(ends.loc["A1;A2", ["start_reason", "end_reason"]])
    assert "new pipe changes from" in said
    # The whole string and one of its runs: one run with two techniques, which the study refuses.
    page = open_page(later)
    decide(page, f"#string={string}", "force", technique="burst_same")
    assert page.locator("#deciding .clash").count() == 0
    decide(page, "#run=A2", "force", technique="open_cut")
    assert (
        "Run A2: only one technique can be chosen"
        in page.locator("#deciding .clash").first.inner_text()
    )
    with pytest.raises(
        DecisionError, match=r"run A2 is forced to two techniques.*feature 1, feature 2"
    ):
        take_over(path, save(page), tmp_path / "refused")
    page.locator("#page-decide .draft button").last.click()
    assert page.locator("#page-decide .clash").count() == 0
