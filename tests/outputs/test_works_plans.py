"""The works plans: to scale, turned as they say, complete, divided, tagged."""

import dataclasses
import io
import re

import numpy as np
import pypdf
import pytest
import shapely
from synthetic import MARKUP, make_empty_result, make_result
from whole_result import set_outputs

from routekit.outputs.arborist.printing import print_page, read_page
from routekit.outputs.output_files import WORKS_LAYOUT
from routekit.outputs.works.drawing import Atlas
from routekit.outputs.works.frames import Frame, find_direction, frame_street
from routekit.outputs.works.sheets import Plans, list_streets
from routekit.outputs.works.writer import render_parts, write_works_plans
from routekit.settings.outputs import WorksSettings

VOLUMES = WorksSettings(volume_streets=2)


@pytest.fixture(scope="module")
def page(sample_result):
    """The page of the sample."""
    ((part, text),) = render_parts(sample_result)
    assert part == ""
    return text


@pytest.fixture(scope="module")
def plans(sample_result):
    """The plans of the sample by street."""
    worked, _ = list_streets(sample_result)
    plans = Plans(sample_result)
    return {street: plans.build(street) for street in worked}


@pytest.fixture(scope="module")
def reader(page):
    """The print of the sample."""
    return pypdf.PdfReader(io.BytesIO(print_page(page, WORKS_LAYOUT)))


def square(x, y, side):
    """A square by its lower left corner."""
    return shapely.box(x, y, x + side, y + side)


@pytest.mark.parametrize("angle", [-80.0, -20.0, 0.0, 45.0, 90.0])
def test_a_drawing_is_to_scale_and_turned_along_the_street(angle):
    """100 m at 1:250 are 400 mm on paper (derived), and level."""
    turn = np.radians(angle)
    end = np.array([np.cos(turn), np.sin(turn)]) * 100
    begin = np.array([5.0, 7.0])
    line = shapely.LineString([begin, end + begin])
    assert find_direction(np.array([line])) == pytest.approx(angle)
    frame = Frame(
        centre=end / 2 + begin, turn_deg=angle, scale=250, width_mm=388.0, height_mm=100.0
    )
    (x0, y0), (x1, y1) = frame.to_sheet(shapely.get_coordinates(line))
    assert x1 - x0 == pytest.approx(400.0)
    assert y1 - y0 == pytest.approx(0.0, abs=1e-9)
    ((x, y), (east, north)) = frame.to_sheet(frame.centre + np.array([[0.0, 0.0], [0.0, 10.0]]))
    assert (x, y) == pytest.approx((194.0, 50.0))
    # North on the sheet is up, turned clockwise by the angle: as the arrow is drawn.
    assert (east - x, y - north) == pytest.approx((40 * np.sin(turn), 40 * np.cos(turn)))
    assert frame.bar_m * frame.per_m <= 388.0 / 6


def test_a_short_street_is_one_drawing_and_a_long_one_has_its_works_in_parts():
    short = np.array([shapely.LineString([(0, 0), (150, 0)])])
    overview, parts = frame_street(short, np.array([square(20, 0, 5)]))
    assert overview.scale <= 500
    assert parts == []
    long = np.array([shapely.LineString([(0, 0), (2000, 0)])])
    spots = [square(x, y, 4) for x in (10, 60, 95, 700, 1990) for y in (0, 300)]
    overview, parts = frame_street(long, np.array(spots))
    assert overview.scale > 500
    assert all(part.scale in (250, 500) for part in parts)
    shown = shapely.union_all([part.outline for part in parts])
    assert shown.covers(shapely.union_all(spots))
    assert overview.outline.covers(shapely.union_all(spots))
    assert shown.area < 0.2 * overview.outline.area


def test_every_work_and_all_protection_stands_in_lists_and_drawings(sample_result, plans):
    result = sample_result
    for name, ids in (
        ("pit", result.pits["pit_id"]),
        ("dig", result.digs.loc[result.digs["opens_ground"], "dig_id"]),
        ("run", result.advice.loc[~result.advice["technique"].isin(["monitor"]), "run_id"]),
    ):
        listed = " ".join(row["what"] for plan in plans.values() for row in plan["works"])
        assert len(ids) > 3
        assert all(one in listed for one in ids), name
    fences = result.tree_protection[(result.tree_protection["kind"] == "fence").to_numpy()]
    rows = [row["tree"] for plan in plans.values() for row in plan["fences"]]
    assert sorted(rows) == sorted(fences["tree_ids"])
    total = sum(plan["fence_m"] for plan in plans.values())
    assert total == pytest.approx(fences["length_m"].sum())
    for street, plan in plans.items():
        drawn = [plan["overview"], *plan["parts"]]
        assert all(one["own"] for one in drawn), street
        if plan["fences"]:
            assert any(one["fences"] and one["no_store"] for one in drawn), street


def test_a_run_that_is_laid_on_a_new_line_says_so(sample_result, plans):
    laid = sample_result.advice.loc[sample_result.advice["is_new_line"], "run_id"].tolist()
    said = [work["what"] for plan in plans.values() for work in plan["works"]]
    assert laid
    assert sorted(what.split(":")[0] for what in said if "on a new line" in what) == sorted(laid)


def test_names_on_a_drawing_do_not_lie_on_each_other(plans):
    for plan in plans.values():
        for drawing in (plan["overview"], *plan["parts"]):
            boxes = [
                shapely.box(one["x"], one["y"] - 2.6, one["x"] + 1.45 * len(one["text"]), one["y"])
                for one in drawing["names"]
            ]
            first, second = shapely.STRtree(boxes).query(boxes, predicate="overlaps")
            assert len(first) == 0, (first, second)


def test_streets_without_a_name_have_a_plan_named_as_such(sample_result):
    runs = sample_result.runs.copy()
    runs["street"] = runs["street"].mask(runs["street"] == "Kader Quay")
    made = dataclasses.replace(sample_result, runs=runs)
    worked, still = list_streets(made)
    assert worked[-1] == ""
    assert "Kader Quay" not in [*worked, *still]
    plan = Plans(made).build("")
    assert plan["name"] == "Street not known"
    assert plan["n_runs"] == 13


def test_what_is_not_known_is_told(sample_result):
    runs, pits = sample_result.runs, sample_result.pits.copy()
    table = sample_result.tree_protection.copy()
    pits[["length_m", "width_m", "depth_m"]] = np.nan
    lost = table.index[(table["street"] == "Tessel Avenue").to_numpy()][0]
    table.loc[lost, ["kind", "tree_ids", "run_id", "work_id"]] = ["not known", "T9", "", ""]
    table.loc[lost, ["doubt", "doubt_words"]] = ["its zone is not known", ""]
    advice = sample_result.advice.copy()
    first = (runs["street"] == "Tessel Avenue").to_numpy().argmax()
    advice.loc[advice.index[first], "technique"] = np.nan
    made = dataclasses.replace(sample_result, pits=pits, tree_protection=table, advice=advice)
    plan = Plans(made).build("Tessel Avenue")
    assert "T9: its zone is not known." in plan["unknown"]
    assert plan["undecided"] == [runs["run_id"].iloc[first]]
    assert sum(row["size"] == "size not known" for row in plan["works"]) == len(pits)
    ((_, page),) = render_parts(set_outputs(made))
    assert "T9: its zone is not known." in re.sub("<[^>]+>", "", page)


def test_a_tree_without_a_zone_is_marked_on_the_drawing(sample_result):
    zones = sample_result.zones.copy()
    zones["radius_m"], zones["zone"] = np.nan, None
    made = dataclasses.replace(sample_result, zones=zones)
    frame = frame_street(np.array(made.runs.geometry)[:3], np.array([], dtype=object))[0]
    drawn = Atlas(made).draw(frame, "Tessel Avenue")
    assert drawn["stems"] == drawn["bare"] != []


def test_each_street_begins_a_tagged_page_with_its_footer(sample_result, reader, plans):
    pages = [" ".join(one.extract_text().split()) for one in reader.pages]
    assert reader.trailer["/Root"]["/MarkInfo"]["/Marked"]
    for street in plans:
        mine = [text for text in pages if street in text[-200:]]
        assert mine, street
        assert any("What is done where" in text for text in mine)
    for text in pages[1:]:
        assert sample_result.result_id in text[-200:] or sample_result.result_id in text[:200]
    width, height = reader.pages[0].mediabox.width, reader.pages[0].mediabox.height
    assert (float(width) / 72 * 25.4, float(height) / 72 * 25.4) == pytest.approx((420, 297), abs=1)


def test_a_study_of_many_streets_is_divided(sample_result, tmp_path):
    made = set_outputs(sample_result, works=VOLUMES)
    worked, _ = list_streets(made)
    write_works_plans(made, tmp_path / "works.html", with_pdf=False)
    names = sorted(path.name for path in tmp_path.iterdir())
    n_volumes = -(-len(worked) // 2)
    assert names == [*(f"works-{n:02d}.html" for n in range(1, n_volumes + 1)), "works.html"]
    index = (tmp_path / "works.html").read_text(encoding="utf-8")
    assert f'href="works-{n_volumes:02d}.html#street-{len(worked)}"' in index
    assert "<article" not in index
    last = (tmp_path / f"works-{n_volumes:02d}.html").read_text(encoding="utf-8")
    assert f'id="street-{len(worked)}"' in last
    write_works_plans(sample_result, tmp_path / "works.html", with_pdf=False)
    assert [path.name for path in tmp_path.iterdir()] == ["works.html"]


def test_texts_of_the_data_stay_texts_and_the_page_asks_nothing(page):
    ((_, text),) = render_parts(make_result())
    assert not any(markup in text for markup in MARKUP)
    read_page(text)
    assert "http" not in page.replace("http-equiv", "")
    assert "<script" not in page


def test_a_study_without_works_says_so():
    ((_, text),) = render_parts(make_empty_result())
    assert "No run of this study is worked on." in text
    assert print_page(text, WORKS_LAYOUT).startswith(b"%PDF")


def test_a_street_that_is_lined_tells_plant_to_keep_off_the_zones(sample_result):
    """Where nothing is dug no fence is drawn, and plant stands at manholes under the trees."""
    dug = ("pits", "digs", "tree_protection", "laydown", "strings")
    lined = {name: getattr(sample_result, name).iloc[:0] for name in dug}
    trenches = sample_result.trenches.assign(is_recommended=False)
    ((_, text),) = render_parts(dataclasses.replace(sample_result, trenches=trenches, **lined))
    worked, _ = list_streets(sample_result)
    told = "Plant at a manhole keeps off open soil in every root protection zone drawn"
    assert text.count(told) == len(worked)
    assert text.count("No pit, dig, trench or string set out here reaches") == len(worked)
