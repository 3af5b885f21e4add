"""Runs in a row that are moved together: a shed on the manhole between two, trees on both.

Three runs of 50 m, 1 in 100; nothing but open cut will do, whose trench would cut structural roots
on the second and the third. By itself no line of the third begins under the shed, and that of the
second must pass its own lower manhole.
"""

import sys
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely
from shapely import LineString

from routekit import pipeline
from routekit.advice.joint_lines import (
    Tried,
    choose_rows,
    cut_line,
    find_rows,
    judge_rows,
    leave_out_dear,
)
from routekit.advice.line_drafts import ALONE, draft_alone, draft_together, join_drafts
from routekit.methods.checks import at_least
from routekit.study import parse_settings

sys.path.append(str(Path(__file__).parent))
sys.path.append(str(Path(__file__).parents[1] / "layers"))
from small_district import at
from test_new_line_street import area, lay, write_street

ONLY_OPEN_CUT = {
    "bursting": {"max_host_mm": 200.0},
    "lining": {"max_wall_mm": 1.0, "close_fit_bore_mm": [100.0, 110.0], "slip_length_m": 10.0},
}


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    folder = tmp_path_factory.mktemp("joint")
    study = write_street(folder)
    sewers = gpd.read_file(folder / "sewers.gpkg").assign(renew=True)
    sewers.to_file(folder / "sewers.gpkg", layer="sewers")
    shed = lay([area(98, -2, 102, 2)], obstacle_id="H8", kind="building")
    shed.to_file(folder / "obstacles.gpkg", layer="obstacles")
    trees = gpd.read_file(folder / "trees.gpkg")
    trees.loc[2, "geometry"] = shapely.Point(at(125, 0.5))
    trees.to_file(folder / "trees.gpkg", layer="trees")
    layers = {one: f"{one}.gpkg" for one in LAYERS} | {"inspections": "inspections.csv"}
    asked = {"new_lines": {"seek": "all"}, "sureness": {"draws": 20}}
    sections = {"layers": layers, "methods": ONLY_OPEN_CUT, "advice": asked}
    return pipeline.run_study(replace(study, settings=parse_settings(sections)))


LAYERS = ("sewers", "manholes", "trees", "connections", "obstacles", "services", "surfaces")


def test_two_runs_are_moved_together_where_neither_can_be_alone(result):
    lines = result.new_lines.set_index("run_id")
    assert lines["moved_with"].to_dict() == {"R1": "", "R2": "R3", "R3": "R2"}
    assert lines["is_recommended"].tolist() == [False, True, True]
    assert lines["has_new_end"].tolist() == [False, True, False]
    advice = result.advice.set_index("run_id")
    assert advice["is_new_line"].tolist() == [False, True, True]
    assert (lines.loc[["R2", "R3"], "n_structural"] == 0).all()
    assert "moved together with R3" in lines.loc["R2", "reason"]
    # The third run would be worse off by the move of all three, and says so.
    assert "R1 would be worse off" in lines.loc["R1", "reason"]


def test_their_parts_meet_at_a_new_manhole_clear_of_the_shed(result):
    two, three = result.new_lines.geometry.iloc[1:]
    ends = [shapely.get_coordinates(one) for one in (two, three)]
    assert ends[0][0] == pytest.approx(at(50, 0))
    assert ends[1][-1] == pytest.approx(at(150, 0))
    assert ends[0][-1] == pytest.approx(ends[1][0])
    assert shapely.distance(shapely.Point(ends[1][0]), area(98, -2, 102, 2)) >= 1.1
    # It is counted once, with the run above it.
    assert result.new_lines["n_manholes"].tolist()[1:] == [len(ends[0]) - 1, len(ends[1]) - 2]


def test_levels_fall_evenly_from_end_to_end(result):
    """1.50 m at the second manhole, 0.50 m at the last; the old cover stands in for the new."""
    lengths = result.new_lines["length_m"].to_numpy()[1:]
    level = 1.5 - lengths[0] / lengths.sum()
    checks = result.new_line_checks
    depth = checks[checks["check"] == "Trench depth"].set_index("run_id")
    assert depth.loc["R2", "value"] == pytest.approx(4.0 - level, abs=0.01)
    assert depth.loc["R3", "value"] == pytest.approx(4.0 - 0.5, abs=0.01)
    assert set(depth.loc[["R2", "R3"], "verdict"].astype(str)) == {"caution"}
    fall = checks[checks["check"] == "Fall of the new line"].set_index("run_id")["value"]
    assert fall[["R2", "R3"]].sum() == pytest.approx(1.0)


def test_their_work_is_counted_with_their_runs(result):
    """Each old bore is filled along its 50 m, and each new manhole is counted once."""
    table = result.quantities.set_index(["run_id", "item"])["quantity"]
    for run, bore in {"R2": 0.3, "R3": 0.4}.items():
        assert table[run, "grout_m3"] == pytest.approx(np.pi * bore**2 / 4 * 50, rel=0.01)
    manholes = result.new_lines.set_index("run_id")["n_manholes"]
    assert table["R2", "new_manhole_each"] == manholes["R2"]


RUNS = gpd.GeoDataFrame(
    {
        "run_id": ["A", "B", "C", "S"],
        "from_manhole": ["1", "2", "3", "9"],
        "to_manhole": ["2", "3", "4", "3"],
    },
    geometry=[LineString([(40 * x, 0), (40 * x + 40, 0)]) for x in range(3)]
    + [LineString([(80, 40), (80, 0)])],
)


def test_a_side_sewer_between_them_keeps_runs_apart():
    rows, barred = find_rows(np.array([0, 1, 2]), RUNS, 3)
    assert [row.tolist() for row in rows] == [[0, 1]]
    assert str(barred[1]) == "Not moved together with C: S joins at the manhole between them."
    alone, _ = find_rows(np.array([0, 1, 2]), RUNS, 1)
    assert not alone
    every, _ = find_rows(np.array([0, 1, 2]), RUNS.iloc[:3], 3)
    assert [row.tolist() for row in every] == [[0, 1], [0, 1, 2], [1, 2]]
    ring = RUNS.iloc[:3].assign(to_manhole=["2", "3", "1"])
    assert all(len(set(row.tolist())) == len(row) for row in find_rows(np.arange(3), ring, 6)[0])


@pytest.mark.parametrize(
    ("floor_m", "beside", "is_left"),
    [(100.0, 7999.0, False), (100.0, 8001.0, True), (np.nan, 1.0, True), (100.0, np.inf, True)],
)
def test_no_line_is_sought_where_its_trench_alone_costs_more(floor_m, beside, is_left):
    """Eighty metres at 100 are 8,000; nothing is left out by what is not known."""
    score = np.array([beside / 2] * 2 + [0, 0])
    rows = [np.array([0, 1])]
    left, dear = leave_out_dear(rows, RUNS, np.full(4, floor_m), score)
    assert (len(left) == 1) == is_left
    assert (set(dear) == {0, 1}) != is_left


def test_manholes_that_would_not_stand_in_order_cut_no_line():
    line = LineString([(0, 0), (80, 0)])
    assert cut_line(line, shapely.points([[60, 3], [20, 3]])) is None
    assert cut_line(line, shapely.points([[0.5, 3]])) is None
    assert cut_line(line, shapely.points([[20, 3], [60, 3]])).tolist() == [0.25, 0.75]


@pytest.mark.parametrize(
    ("score", "clear", "beside", "alone", "is_taken", "said"),
    [
        ([10.0, 10.0], [1, 1], [20, 20], [20, 20], True, "no better"),
        ([10.0, 10.0], [1, 1], [20, 20], [9, 9], False, "no better in all (20 against 18)"),
        ([10.0, 21.0], [1, 1], [99, 20], [99, 20], False, "B would be worse off"),
        ([10.0, 10.0], [1, -1], [20, 20], [20, 20], False, "fails: Clear"),
        ([10.0, 10.0], [1, np.nan], [20, 20], [20, 20], False, "not proved: Clear"),
        ([10.0, np.nan], [1, 1], [20, 20], [20, 20], False, "costs that are not known"),
        ([10.0, 30.0], [1, 1], [np.inf, 20], [np.inf, 20], False, "would serve, but B"),
    ],
)
def test_runs_are_moved_only_where_all_gain_and_nothing_is_unknown(
    score, clear, beside, alone, is_taken, said
):
    line = LineString([(0, 0), (80, 0)])
    drafts = draft_together(np.array([0, 1]), np.array([0.5]), line)
    check = at_least("Clear", np.array(clear, dtype=float), 0.0, unit="m", source="house")
    rows = [np.array([0, 1])]
    (one,) = judge_rows(
        drafts, rows, [check], np.array(score), np.array(beside), np.array(alone), RUNS["run_id"]
    )
    assert one.is_taken == is_taken
    assert said in str(one.said) or is_taken
    assert [each.runs.tolist() for each in choose_rows([one])] == ([[0, 1]] if is_taken else [])


def test_of_rows_with_a_run_in_common_the_one_that_saves_most_is_taken():
    made = [
        Tried(np.array(runs), True, more, draft_alone(*[np.empty(0, dtype=int)] * 3), "")
        for runs, more in (([0, 1], -5.0), ([1, 2], -9.0), ([3, 4], -1.0))
    ]
    assert [one.runs.tolist() for one in choose_rows(made)] == [[1, 2], [3, 4]]


def test_groups_keep_apart_when_drafts_are_joined():
    line = LineString([(0, 0), (80, 0)])
    two = draft_together(np.array([4, 1]), np.array([0.5]), line)
    more = draft_together(np.array([2, 3]), np.array([0.5]), line)
    one = draft_alone(np.array([0]), np.array([7]), np.array([line], dtype=object))
    joined = join_drafts(two, one, more)
    assert joined.own.tolist() == [0, 1, 2, 3, 4]
    assert joined.group.tolist() == [ALONE, 0, 1, 1, 0]
    assert joined.is_past.tolist() == [True, False, False, False, False]
    assert [each.tolist() for each in joined.list_given_up()] == [
        [0],
        [1, 4],
        [2, 3],
        [2, 3],
        [1, 4],
    ]
