"""Positions that are not exact: what pits and digs may reach. All figures by hand."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from scene import SITE, make_street, make_zones, plan, straight

from routekit.layers.columns import load_columns
from routekit.site.dig_tables import measure_digs
from routekit.site.digs import (
    connection_digs,
    list_replaced,
    manhole_digs,
    repair_digs,
)
from routekit.site.position_doubt import measure_doubt
from routekit.site.zone_layer import prepare_zones
from routekit.trees.certainty import WIDEST_SD_M, combine_deviations, judge_margin

STEM = [(0.0, 0.0, 6.0, 2.0)]
"""A zone of 6 m with a structural circle of 2 m."""


def dig_at(west_m, run_sd_m, tree_sd_m, trees=STEM):
    """A dig of 1 m whose west edge stands so far east of the first stem."""
    zones = prepare_zones(make_zones(trees), position_sd_m=tree_sd_m)
    box = shapely.box(west_m, -0.5, west_m + 1, 0.5)
    return measure_digs([box], zones, run_sd_m=run_sd_m).iloc[0]


def test_a_dig_beside_a_structural_circle_may_be_in_it():
    """0.23 m off, with sqrt(0.202 + 0.202) = 0.28 m; 0.23 m is no more than twice that."""
    row = dig_at(2.23, 0.2, 0.2)
    assert row["position_sd_m"] == pytest.approx(0.2828, abs=1e-4)
    assert row[["is_structural", "is_unsure", "may_be_structural"]].tolist() == [False, True, True]
    assert row["position_doubt"] == (
        "may reach the structural zone of tree T0 (0.23 m away, position accuracy ± 0.57 m)"
    )


def test_a_dig_far_enough_off_both_edges_is_sure():
    """1.5 m off the circle, and 2.5 m inside the zone: more than 0.57 m."""
    row = dig_at(3.5, 0.2, 0.2)
    assert row[["is_unsure", "may_be_structural"]].tolist() == [False, False]
    assert row["position_doubt"] == ""
    assert row["position_sd_m"] in (pytest.approx(0.2828, abs=1e-4), 0.2)


def test_a_dig_outside_a_zone_may_reach_it():
    row = dig_at(6.3, 0.2, 0.2)
    assert row["zone_overlap_m2"] == 0
    assert row[["is_unsure", "may_be_structural"]].tolist() == [True, False]
    assert row["position_doubt"].startswith("may reach the zone of tree T0 (0.30 m away")


def test_a_dig_just_inside_may_lie_outside():
    row = dig_at(1.9, 0.2, 0.2)
    assert row[["is_structural", "is_unsure", "may_be_structural"]].tolist() == [True, True, False]
    assert row["position_doubt"].startswith(
        "may lie outside the structural zone of tree T0 (0.10 m inside"
    )


def test_what_is_known_is_a_least_doubt():
    """0.23 m off with 0.2 m of the run alone: unsure, whatever the tree's is."""
    row = dig_at(2.23, 0.2, np.nan)
    assert row["position_sd_m"] == pytest.approx(0.2)
    assert row["may_be_structural"]
    assert (
        "position accuracy ± 0.40 m at best); position accuracy not known" in row["position_doubt"]
    )
    assert dig_at(2.9, 0.2, np.nan)["is_unsure"] is pd.NA


def test_neither_side_known_is_never_no_doubt():
    row = dig_at(2.23, np.nan, np.nan)
    assert np.isnan(row["position_sd_m"])
    assert row["is_unsure"] is pd.NA
    assert row["may_be_structural"] is pd.NA
    assert row["position_doubt"] == "position accuracy not known"


def test_a_tree_farther_than_any_doubt_leaves_nothing_open():
    """Twice sqrt(202 + 202) m = 56.6 m from the zone's edge at 6 m."""
    assert dig_at(62.4, np.nan, np.nan)["is_unsure"] is pd.NA
    assert not dig_at(62.7, np.nan, np.nan)["is_unsure"]


def test_the_widest_doubt_is_what_the_layers_accept():
    for layer in ("trees", "sewers"):
        assert load_columns(layer)["position_sd_m"].high == WIDEST_SD_M


def test_an_unknown_structural_circle_stays_open():
    row = dig_at(3.5, 0.2, 0.2, [(0.0, 0.0, 6.0, np.nan)])
    assert row["may_be_structural"] is pd.NA
    assert row["is_unsure"] is pd.NA
    assert "whether it may reach a structural zone is not known" in row["position_doubt"]
    assert not dig_at(6.6, 0.2, 0.2, [(0.0, 0.0, 6.0, np.nan)])["may_be_structural"]


def test_a_zone_that_it_may_leave_does_not_hide_that_the_circle_is_not_known():
    """0.1 m inside the zone: it may lie outside, and a circle may reach as far as the zone."""
    row = dig_at(5.9, 0.2, 0.2, [(0.0, 0.0, 6.0, np.nan)])
    assert row["is_unsure"]
    assert row["may_be_structural"] is pd.NA
    assert "(0.10 m" in row["position_doubt"]
    assert "whether it may reach a structural zone is not known" in row["position_doubt"]


def test_drawn_outlines_are_measured_from_their_edge():
    zones = make_zones([(0.0, 0.0, np.nan, 1.0)], area_m2=[16.0])
    zones["zone"] = np.array([shapely.box(-2, -2, 2, 2)], dtype=object)
    layer = prepare_zones(zones, position_sd_m=0.2)
    boxes = shapely.box([2.3, 2.7, -0.5 + 1.7], -0.5, [3.3, 3.7, 2.2], 0.5)
    found = measure_digs(boxes, layer, run_sd_m=0.2)
    assert found["is_unsure"].tolist() == [True, False, True]
    assert found["may_be_structural"].tolist() == [False, False, True]


def test_the_doubt_of_each_pair_decides_and_not_the_widest():
    """The far tree's 1.5 m opens nothing at the near tree, whose own is 0.1 m."""
    trees = [(0.0, 0.0, 6.0, 2.0), (40.0, 0.0, 6.0, 2.0)]
    assert not dig_at(2.9, 0.1, [0.1, 1.5], trees)["is_unsure"]
    assert dig_at(2.9, 0.1, [1.5, 0.1], trees)["is_unsure"]


@pytest.mark.parametrize(
    ("west_m", "inner_m", "said"),
    [
        (2.0, 2.0, "may reach the structural zone of tree T0 (0.00 m away"),
        (1.5, 2.0, "may lie outside the structural zone of tree T0 (0.50 m inside"),
        (1.49, 2.0, ""),
        (6.0, 2.0, "may reach the zone of tree T0 (0.00 m away"),
        (6.5, 2.0, "may reach the zone of tree T0 (0.50 m away"),
        (6.51, 2.0, ""),
        (5.8, 2.0, "may lie outside the zone of tree T0 (0.20 m inside"),
        (6.2, np.nan, "may reach the zone of tree T0 (0.20 m away"),
    ],
)
def test_what_is_said_up_to_just_as_far_as_the_doubt_reaches(west_m, inner_m, said):
    """0.25 m of the run alone reach 0.50 m either way; what only touches lies outside as drawn."""
    row = dig_at(west_m, 0.25, 0.0, [(0.0, 0.0, 6.0, inner_m)])
    assert row["position_doubt"].startswith(said)
    assert (row["position_doubt"] == "") == (said == "")
    assert row["is_unsure"] == (said != "")
    if np.isnan(inner_m):
        assert row["may_be_structural"] is pd.NA
    else:
        assert row["may_be_structural"] == ("may reach the structural" in said)


def test_the_doubt_of_a_dig_near_no_zone_is_that_of_its_run_alone():
    """Both 0.1 m: 0.28 m, and the zone ends 0.5 m off."""
    assert dig_at(6.5, 0.1, 0.1)["position_sd_m"] == 0.1
    assert np.isnan(dig_at(6.5, np.nan, 0.1)["position_sd_m"])


def test_the_doubt_told_is_that_of_the_zone_likeliest_to_be_reached():
    """T0 0.30 m off with 0.05 m: twice that falls 0.20 m short; T1 0.60 m off with 0.60 m."""
    trees = [(0.0, 0.0, 2.0, 2.0), (2.3 + 1 + 0.6 + 2, 0.0, 2.0, 2.0)]
    row = dig_at(2.3, 0.0, [0.05, 0.6], trees)
    assert row["position_sd_m"] == pytest.approx(0.6)
    assert "tree T1 (0.60 m away, position accuracy ± 1.20 m)" in row["position_doubt"]
    assert "T0" not in row["position_doubt"]


@pytest.mark.parametrize(("run_sd_m", "tree_sd_m"), [(np.nan, 0.0), (0.0, np.nan)])
def test_one_side_not_known_reaches_forty_metres(run_sd_m, tree_sd_m):
    """Twice the widest 20 m from the edge of the zone at 6 m."""
    assert dig_at(46.0, run_sd_m, tree_sd_m)["is_unsure"] is pd.NA
    assert not dig_at(46.01, run_sd_m, tree_sd_m)["is_unsure"]


def test_what_is_not_placed_stays_open_and_says_so():
    zones = prepare_zones(make_zones(STEM), position_sd_m=0.1)
    found = measure_doubt([None, shapely.Polygon(), shapely.box(99, 0, 100, 1)], zones, 0.1)
    assert found["is_unsure"].tolist() == [pd.NA, pd.NA, False]
    assert found["may_be_structural"].tolist() == [pd.NA, pd.NA, False]
    assert found["position_doubt"].tolist() == [*["position accuracy not known"] * 2, ""]


def test_a_dig_in_a_drawn_outline_is_sure_of_it_and_not_of_an_unknown_circle():
    """The outline ends 2 m from the stem, the dig begins 1.9 m off: how deep it is not measured."""
    zones = make_zones([(0.0, 0.0, np.nan, 0.3), (50.0, 0.0, np.nan, np.nan)], area_m2=16.0)
    zones["zone"] = shapely.box([-2.0, 48.0], -2.0, [2.0, 52.0], 2.0)
    layer = prepare_zones(zones, position_sd_m=0.2)
    found = measure_doubt(shapely.box([1.9, 51.9], -0.5, [2.9, 52.9], 0.5), layer, 0.2)
    assert found["is_unsure"].tolist() == [False, pd.NA]
    assert found["may_be_structural"].tolist() == [False, pd.NA]
    said = "whether it may reach a structural zone is not known"
    assert found["position_doubt"].tolist() == ["", said]


def test_random_digs_agree_with_a_search_of_all_pairs():
    rng = np.random.default_rng(4)
    trees = np.c_[rng.uniform(0, 60, (40, 2)), rng.uniform(2, 8, 40), rng.uniform(0.5, 2, 40)]
    tree_sd = rng.uniform(0, 0.6, 40)
    low = rng.uniform(0, 60, (60, 2))
    boxes = shapely.box(low[:, 0], low[:, 1], low[:, 0] + 1.5, low[:, 1] + 1)
    run_sd = rng.uniform(0, 0.6, 60)
    zones = prepare_zones(make_zones(trees), position_sd_m=tree_sd)
    found = measure_digs(boxes, zones, run_sd_m=run_sd)
    away = shapely.distance(boxes[:, None], shapely.points(trees[:, :2])[None])
    twice = 2 * np.sqrt(run_sd[:, None] ** 2 + tree_sd[None] ** 2)
    inner, outer = away - trees[:, 3], away - trees[:, 2]
    unsure = ((abs(inner) <= twice) | (abs(outer) <= twice)).any(axis=1)
    near = ((inner >= 0) & (inner <= twice)).any(axis=1)
    assert found["is_unsure"].tolist() == unsure.tolist()
    assert found["may_be_structural"].tolist() == near.tolist()
    assert 5 < near.sum() < unsure.sum() < 60


def gully(x=10.0):
    return gpd.GeoDataFrame(
        {"connection_id": ["C0"], "run_id": ["R0"], "kind": "gully"},
        geometry=[shapely.Point(x, 3.0)],
    )


@pytest.mark.parametrize("run_sd_m", [0.2, np.nan])
def test_robots_dig_nothing_and_are_never_in_doubt(run_sd_m):
    """The same connection dug up 0.13 m off the circle (its square of 1.20 m ends 0.6 m off)."""
    runs = make_street(straight(1), position_sd_m=run_sd_m)
    zones = prepare_zones(make_zones([(10.0, 2.73, 6.0, 2.0)]), position_sd_m=0.2)
    dug, robot = (
        connection_digs(
            gully(), runs, [code], zones, settings=SITE.digs, below_invert_m=0.2
        ).squeeze()
        for code in ("burst_same", "cipp")
    )
    assert dug["may_be_structural"]
    assert "0.13 m away" in dug["position_doubt"]
    assert robot["method"] == "robot"
    assert robot[["is_unsure", "may_be_structural"]].tolist() == [False, False]
    assert robot["position_doubt"] == ""


def test_repairs_and_manholes_take_the_doubt_of_their_run():
    runs = make_street(straight(2), position_sd_m=[0.05, 0.2])
    zones = prepare_zones(make_zones([(34.0, 2.83, 6.0, 2.0)]), position_sd_m=0.2)
    repairs = pd.DataFrame({"run_id": ["R1"], "from_m": [4.0], "to_m": [7.0]})
    row = repair_digs(repairs, runs, [1.0, 1.2], zones, settings=SITE.digs).iloc[0]
    assert row["position_sd_m"] == pytest.approx(np.hypot(0.2, 0.2))
    assert "0.23 m away" in row["position_doubt"]
    manholes = gpd.GeoDataFrame(
        {
            "manhole_id": ["M1"],
            "material": ["brick"],
            "chamber_length_mm": [1000.0],
            "chamber_width_mm": [1000.0],
        },
        geometry=[shapely.Point(28.0, 0.0)],
    )
    chosen = SITE.digs.model_copy(update={"replaced_manholes": "brick"})
    listed = list_replaced(manholes, runs, np.array([False, True]), settings=chosen)
    assert listed["run_sd_m"].tolist() == [0.2]
    assert "position_sd_m" not in listed
    row = manhole_digs(listed, prepare_zones(make_zones([])), settings=SITE.digs).iloc[0]
    assert row["position_sd_m"] == 0.2


def pits_beside(run_sd_m, tree_sd_m, gap_m=0.23):
    """One run, and a tree whose structural circle ends so far short of the launch pit."""
    runs = make_street(straight(1), position_sd_m=run_sd_m)
    free = plan(runs)[1].geometry.iloc[0]
    west = free.bounds[0]
    zones = make_zones([(west - 2.0 - gap_m, 0.0, 2.0, 2.0)])
    _, pits, *_ = plan(runs, zones=zones, tree_sd_m=tree_sd_m)
    return pits.iloc[0], free


def test_a_pit_beside_a_structural_zone_is_not_simply_clear():
    pit, free = pits_beside(0.2, 0.2)
    assert pit.geometry.equals(free)
    assert pit["is_clear"]
    assert pit["may_be_structural"]
    assert pit["why"].startswith("clear as drawn of root zones")
    assert "may reach the structural zone of tree T0 (0.23 m away" in pit["why"]


def test_a_pit_of_unknown_doubt_says_so():
    pit, _ = pits_beside(np.nan, np.nan)
    assert pit["is_unsure"] is pd.NA
    assert np.isnan(pit["position_sd_m"])
    assert "clear as drawn" in pit["why"]
    assert "position accuracy not known" in pit["why"]


def test_a_pit_that_no_doubt_reaches_is_clear():
    pit, _ = pits_beside(0.05, 0.05)
    assert not pit["is_unsure"]
    assert pit["why"].startswith("clear of root zones")


def test_the_rule_by_itself():
    assert combine_deviations([0.3, np.nan], [0.4, 0.4], unknown_m=0.0).tolist() == [0.5, 0.4]
    found = judge_margin([1.0, 1.01, 0.8, 0.81, np.nan], [0.3, 0.3, np.nan, np.nan, 0.3], 0.4)
    assert found[0]
    assert not found[1]
    assert found[2]
    assert found[3] is pd.NA
    assert found[4] is pd.NA
