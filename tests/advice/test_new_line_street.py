"""A new line from the layers of a small street to its standing, and what is taken away from it.

Three runs of 50 m in a street 24 m wide; a tree stands on the middle one, whose open cut its
structural roots forbid.
"""

import sys
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from shapely import LineString, Point, box

from routekit import pipeline
from routekit.advice.new_line_settings import NewLineSettings
from routekit.advice.new_line_texts import BETTER, FAILS, NONE, UNPROVED, WORSE
from routekit.advice.new_lines import draw_new_lines, review_named_runs
from routekit.errors import StudyError
from routekit.layers.findings import Findings
from routekit.study import Study, parse_settings
from routekit.words.texts import say

sys.path.append(str(Path(__file__).parents[1] / "layers"))
from small_district import CRS, District, at, make_sewers, make_trees


def area(x0, y0, x1, y1):
    """Rectangle of the district."""
    return box(*at(x0, y0), *at(x1, y1))


def lay(geometry, **columns):
    """A layer of the district."""
    return gpd.GeoDataFrame(columns, index=range(len(geometry)), geometry=geometry, crs=CRS)


def write_street(folder):
    """Write the street and give its study."""
    district = District(folder)
    district.put(
        "sewers",
        make_sewers(
            invert_up_m=[2.0, 1.5, 1.0],
            invert_down_m=[1.5, 1.0, 0.5],
            design_flow_l_s=[20.0, 20.0, 20.0],
            position_sd_m=[0.05] * 3,
        ),
    )
    stems = [Point(at(x, y)) for x, y in ((10, 11), (75, 0.5), (140, 11))]
    district.put(
        "trees",
        make_trees(
            geometry=stems, stem_diameter_mm=[300.0, 500.0, 300.0], position_sd_m=[0.05] * 3
        ),
    )
    houses = [Point(at(*xy)) for xy in ((10, 0), (60, 0), (110, 0))]
    district.put(
        "connections",
        lay(
            houses,
            connection_id=["C1", "C2", "C3"],
            run_id=["R1", "R2", "R3"],
            kind="house",
            diameter_mm=150.0,
        ),
    )
    far = [area(-10, 30, 0, 40)]
    district.put("obstacles", lay(far, obstacle_id="H1", kind="building"))
    main = [LineString([at(-5, 11), at(155, 11)])]
    district.put(
        "services", lay(main, service_id="W1", kind="water", depth_m=1.0, diameter_mm=100.0)
    )
    district.put("surfaces", lay([area(-10, -12, 160, 12)], kind="carriageway"))
    seen = {"run_id": ["R1", "R2", "R3"], "chainage_m": 0.0, "code": "BCD"}
    district.put("inspections", pd.DataFrame(seen | {"characterisation": "XP"}))
    settings = district.sections | {
        "advice": {"new_lines": {"seek": "named", "runs": ["R2"]}, "sureness": {"draws": 20}}
    }
    return Study(path=folder / "study.toml", settings=parse_settings(settings))


@pytest.fixture(scope="module")
def given(tmp_path_factory):
    """What the stage is given, and what it gives."""
    kept = []

    def keep(*arguments):
        kept.extend(arguments)
        return draw_new_lines(*arguments)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pipeline, "draw_new_lines", keep)
        result = pipeline.run_study(write_street(tmp_path_factory.mktemp("street")))
    return kept, result


def draw(given, *, layers=None, decided=None, **settings):
    """The row of the run, with layers, decisions or settings changed."""
    own, zones, condition, renewal, people, inputs, choice = given[0]
    asked = choice.advice.new_lines.model_copy(update=settings)
    choice = replace(choice, advice=choice.advice.model_copy(update={"new_lines": asked}))
    drawn, _ = draw_new_lines(
        replace(own, **(layers or {})),
        zones,
        condition,
        renewal,
        replace(people, **(decided or {})),
        inputs,
        choice,
    )
    return drawn.lines.set_index("run_id")


def test_a_line_round_the_tree_is_found_and_set_beside_the_recommendation(given):
    """Beside an offer that digs nothing, a trench of 50 m loses by its cost."""
    row = given[1].new_lines.set_index("run_id").loc["R2"]
    (option,) = given[1].options.query("run_id == 'R2' and technique == 'open_cut'").itertuples()
    assert option.n_structural == 1
    assert row["n_structural"] == 0
    assert row["length_m"] > 50
    assert row["n_manholes"] >= 1
    assert row["standing"] == WORSE
    assert row["score"] > row["recommended_score"]


def test_the_trench_of_the_line_cuts_no_structural_roots_and_keeps_to_the_street(given):
    line = given[1].new_lines.geometry.iloc[0]
    tree = given[1].zones.iloc[1]
    width = float(given[1].trenches["width_m"].iloc[1])
    trench = shapely.buffer(line, width / 2, cap_style="flat")
    assert shapely.distance(trench, tree.geometry) >= tree["structural_radius_m"] - 1e-6
    assert shapely.area(shapely.difference(trench, given[1].surfaces.geometry.iloc[0])) < 0.01
    ends = shapely.get_coordinates(given[1].runs.geometry.iloc[1])[[0, -1]]
    assert shapely.get_coordinates(line)[[0, -1]] == pytest.approx(ends)


def test_the_connection_is_re_laid_to_the_line(given):
    row = given[1].new_lines.iloc[0]
    line, joint = row.geometry, Point(at(60, 0))
    assert row["connections_m"] == pytest.approx(shapely.distance(line, joint), abs=0.01)


@pytest.mark.parametrize(
    ("below_m", "standing"), [(0.3, WORSE), (np.nan, UNPROVED), (None, UNPROVED)]
)
def test_a_service_that_only_the_connection_crosses_is_held_against_it(given, below_m, standing):
    """Across the house drain alone: shallow, at no known depth, and at the depth of the pipe."""
    line, joint = given[1].new_lines.geometry.iloc[0], Point(at(60, 0))
    middle = shapely.line_interpolate_point(
        shapely.shortest_line(joint, line), 0.5, normalized=True
    )
    (x, y), own = shapely.get_coordinates(middle)[0], given[0][0].services
    gas = [LineString([(x - 0.3, y), (x + 0.3, y)])]
    depth = given[0][3].runs["depth_up_m"].iloc[1] if below_m is None else below_m
    both = [own, lay(gas, service_id="G1", kind="gas", depth_m=depth, diameter_mm=50.0)]
    row = draw(given, layers={"services": pd.concat(both, ignore_index=True)}).loc["R2"]
    before = given[1].new_lines.iloc[0]
    assert row["n_crossings"] == before["n_crossings"] + 1
    assert row["standing"] == standing
    if standing != WORSE:
        assert "connections re-laid" in row["reason"]


@pytest.mark.parametrize("layer", ["services", "obstacles", "surfaces"])
def test_without_a_layer_the_line_is_not_proved(given, layer):
    """What is not given is not taken to be free: the checks that rest on it are unknown."""
    own = given[0][0]
    row = draw(given, layers={layer: getattr(own, layer).iloc[:0]})
    assert row.loc["R2", "standing"] == UNPROVED
    assert row.loc["R2", "verdict"] == "unknown"
    assert row.loc["R2", "n_unknown"] >= 1


@pytest.mark.parametrize("column", ["invert_up_m", "invert_down_m", "diameter_mm"])
def test_without_levels_or_size_the_line_is_not_proved(given, column):
    own = given[0][0]
    blank = own.runs.assign(**{column: np.nan})
    row = draw(given, layers={"runs": blank}).loc["R2"]
    assert row["standing"] in (UNPROVED, FAILS)
    assert row["n_unknown"] >= 1


def test_what_a_run_must_carry_is_asked_of_its_new_line_too(given):
    """Without a design flow the old run's own capacity is asked, not that of a flatter line."""
    renewal = given[0][3]
    cases = renewal.place.cases.assign(required_l_s=1e4)
    held = replace(renewal, place=replace(renewal.place, cases=cases))
    kept = [held if each is renewal else each for each in given[0]]
    row = draw((kept, None)).loc["R2"]
    assert row["standing"] == UNPROVED
    assert "Capacity after the works" in row["reason"]


def test_a_decision_against_trenches_holds_for_the_line(given):
    excluded = np.ones_like(given[0][4].excluded)
    row = draw(given, decided={"excluded": excluded}).loc["R2"]
    assert row["standing"] == FAILS


def test_without_a_line_it_is_said_what_stands_in_the_way_and_what_to_give_up(given):
    house = lay([area(74, -30, 76, 30)], obstacle_id="H7", kind="building")
    row = draw(given, layers={"obstacles": house}).loc["R2"]
    assert row["standing"] == NONE
    assert row["verdict"] == ""
    assert np.isnan(row["score"])
    assert row.geometry is None
    assert "building H7" in row["reason"]
    assert "without building H7" in row["reason"]


def test_where_no_line_leads_to_its_own_manhole_one_to_the_next_is_offered(given):
    """A shed on the lower manhole of R2; the run below falls on from there to the next."""
    own = given[0][0]
    shed = lay([area(98, -2, 102, 2)], obstacle_id="H8", kind="building")
    row = draw(given, layers={"obstacles": shed}).loc["R2"]
    ends = own.runs.set_index("run_id")
    assert row["to_manhole"] == ends.loc["R3", "to_manhole"] != ends.loc["R2", "to_manhole"]
    assert row["standing"] in (WORSE, BETTER)
    assert not row["is_recommended"]
    assert row["n_structural"] == 0
    assert row["reason"].count(row["to_manhole"]) == 1
    reached = shapely.get_coordinates(row.geometry)[[0, -1]]
    assert reached == pytest.approx(np.array([at(50, 0), at(150, 0)]))
    # Where the run below rises, or its level is not known, it leads nowhere.
    for level in (1.2, np.nan):
        inverts = own.runs["invert_down_m"].to_numpy(copy=True)
        inverts[2] = level
        renewal = given[0][3]
        runs = renewal.runs.assign(invert_down_m=inverts)
        kept = [replace(renewal, runs=runs) if each is renewal else each for each in given[0]]
        none = draw((kept, None), layers={"obstacles": shed}).loc["R2"]
        assert none["standing"] == NONE
        assert "building H8" in none["reason"]


def test_a_better_line_needs_a_better_score_and_no_unknown(given):
    """Where nothing but the open cut of the run itself is weighed beside it, the line wins."""
    renewal = given[0][3]
    final = renewal.choice.final
    scores = replace(final.scores, parts=final.scores.parts + 1e6)
    choice = replace(renewal.choice, final=replace(final, scores=scores))
    kept = [replace(renewal, choice=choice) if each is renewal else each for each in given[0]]
    assert draw((kept, None)).loc["R2", "standing"] == BETTER
    own = given[0][0]
    bare = {"services": own.services.iloc[:0]}
    assert draw((kept, None), layers=bare).loc["R2", "standing"] == UNPROVED


def test_no_line_is_sought_unless_asked_for(given):
    assert not len(draw(given, seek="off"))
    assert not len(draw(given, seek="needed"))
    assert draw(given, seek="named", runs=("R1", "R3")).index.tolist() == ["R1", "R3"]


def test_a_run_that_the_study_does_not_have_is_refused_and_one_left_out_is_told():
    asked = NewLineSettings(seek="named", runs=("R1", "R2"))
    kept, gone = pd.Series(["R1"]), Findings()
    with pytest.raises(StudyError, match="names R2, which"):
        review_named_runs(asked, kept, gone.left_out())
    gone.leave_out("sewers", ["R2", "R3"], say("outside the study area"))
    (found,) = review_named_runs(asked, kept, gone.left_out()).to_dict("records")
    assert (found["severity"], found["row"]) == ("warning", "R2")
    assert found["seen"] == 'run_id "R2" was left out: outside the study area'
    assert not len(review_named_runs(asked, pd.Series(["R1", "R2"]), gone.left_out()))
