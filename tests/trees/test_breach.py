"""Breaches of protection zones by open-cut corridors."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from routekit.trees.breach import (
    Tiers,
    build_breaches,
    grade_pairs,
    grade_severity,
    sum_breaches,
    sum_tree_loss,
)
from routekit.vocabulary import SEVERITIES

SEVERED = Tiers(share="severed", major_from_share=0.10)
FOOTPRINT = Tiers(share="footprint", major_from_share=0.10)
CRS = "EPSG:25832"


def make_runs(lines, width=1.0):
    lines = [shapely.LineString(line) for line in lines]
    ids = [f"R{i}" for i in range(len(lines))]
    runs = gpd.GeoDataFrame({"run_id": ids}, geometry=lines, crs=CRS)
    corridor = shapely.buffer(np.array(lines), width / 2, cap_style="flat", join_style="mitre")
    trenches = gpd.GeoDataFrame(
        {"run_id": ids, "corridor_width_m": width, "corridor": corridor}, geometry=corridor, crs=CRS
    )
    return runs, trenches


def make_zones(stems, radii, structural=1.5, sides=None, least=0.0):
    points = shapely.points(np.asarray(stems, dtype=float))
    radii = np.broadcast_to(np.asarray(radii, dtype=float), (len(points),))
    table = {
        "tree_id": [f"T{i}" for i in range(len(points))],
        "radius_m": radii,
        "area_m2": np.pi * radii**2,
        "structural_radius_m": structural,
        "min_distance_m": least,
        "zone": np.full(len(points), None, dtype=object),
    }
    if sides:
        angle = np.linspace(0, 2 * np.pi, sides, endpoint=False)
        ring = np.c_[np.cos(angle), np.sin(angle)]
        zone = shapely.polygons(
            shapely.get_coordinates(points)[:, None] + radii[:, None, None] * ring
        )
        table |= {"zone": zone, "radius_m": np.nan}
    return gpd.GeoDataFrame(table, geometry=points, crs=CRS)


def test_worked_case_is_minor_by_footprint_and_major_by_severed_share():
    runs, trenches = make_runs([[(-30, 4), (30, 4)]])
    zones = make_zones([(0, 0)], 6.0)
    row = build_breaches(runs, trenches, zones, tiers=SEVERED).iloc[0]
    assert row["severed_m2"] == pytest.approx(17.070, abs=5e-4)
    assert row["footprint_m2"] == pytest.approx(8.910, abs=5e-4)
    assert row["stem_edge_m"] == pytest.approx(3.5)
    assert row["from_m"] == pytest.approx(30 - 4.8734, abs=1e-4)
    assert row["severity"] == "major"
    assert build_breaches(runs, trenches, zones, tiers=FOOTPRINT)["severity"][0] == "minor"


@pytest.mark.parametrize(("off_m", "is_met"), [(1.0, True), (1.99, True), (2.01, False)])
def test_an_outline_that_leaves_out_the_structural_zone_does_not_stand_for_it(off_m, is_met):
    """A trench 1 m wide south of a stem whose outline lies north of it; structural radius 1.5 m.

    AS 4970-2009, 3.3.5: the structural root zone follows from the stem. Pits were held to it.
    """
    runs, trenches = make_runs([[(-30, -off_m), (30, -off_m)]])
    zones = make_zones([(0, 0)], 6.0)
    outline = np.array([shapely.box(-6, -0.2, 6, 9)], dtype=object)
    zones = zones.assign(zone=outline, radius_m=np.nan, area_m2=shapely.area(outline))
    found = build_breaches(runs, trenches, zones, tiers=SEVERED)
    assert found["severity"].tolist() == ["structural"] * is_met
    if not is_met:
        return
    assert found["is_structural"].all()
    assert found["footprint_m2"].tolist() == pytest.approx([0.0 if off_m > 0.7 else 1.0])
    half = np.sqrt(1.5**2 - (off_m - 0.5) ** 2)
    assert found[["from_m", "to_m"]].to_numpy()[0] == pytest.approx([30 - half, 30 + half])
    assert sum_breaches(found, 1)["n_structural"].tolist() == [1]
    codes = grade_pairs(np.asarray(trenches["corridor"]), zones, *np.zeros((2, 1), int), SEVERED)
    assert codes.tolist() == [SEVERITIES.index("structural")]


def test_a_structural_zone_wider_than_the_protection_zone_is_met_in_full():
    runs, trenches = make_runs([[(-30, 1.8), (30, 1.8)]])
    zones = make_zones([(0, 0)], 1.0, structural=1.5)
    found = build_breaches(runs, trenches, zones, tiers=SEVERED)
    assert found["severity"].tolist() == ["structural"]
    assert np.isfinite(found[["from_m", "to_m"]].to_numpy()).all()


def test_polygon_zone_agrees_with_circle():
    runs, trenches = make_runs([[(-30, 4), (0, 3), (20, 9)], [(1, 3), (-20, -30)]])
    stems = [(0, 0), (4, 8), (-7, 5)]
    exact = build_breaches(runs, trenches, make_zones(stems, 6.0), tiers=SEVERED)
    drawn = build_breaches(runs, trenches, make_zones(stems, 6.0, sides=2048), tiers=SEVERED)
    assert len(exact) > 2
    columns = ["footprint_m2", "severed_m2", "stem_edge_m", "from_m", "to_m"]
    pd.testing.assert_frame_equal(exact[columns], drawn[columns], atol=5e-3, rtol=1e-3)
    loss = sum_tree_loss(exact, trenches, make_zones(stems, 6.0), tiers=SEVERED)
    other = sum_tree_loss(drawn, trenches, make_zones(stems, 6.0, sides=2048), tiers=SEVERED)
    pd.testing.assert_frame_equal(loss[columns[:2]], other[columns[:2]], atol=5e-3, rtol=1e-3)


def test_cut_inside_the_structural_zone_is_structural():
    runs, trenches = make_runs([[(-30, 1.9), (30, 1.9)]])
    table = build_breaches(runs, trenches, make_zones([(0, 0)], 6.0), tiers=SEVERED)
    assert table["is_structural"][0]
    assert table["severity"][0] == "structural"


def test_trench_through_the_stem_severs_the_whole_zone():
    runs, trenches = make_runs([[(-30, 0.3), (30, 0.3)]])
    row = build_breaches(runs, trenches, make_zones([(0, 0)], 6.0), tiers=SEVERED).iloc[0]
    assert row["is_through_stem"]
    assert row["severed_share"] == 1
    assert row["stem_edge_m"] == 0


def test_trench_that_only_touches_is_no_breach():
    runs, trenches = make_runs([[(-30, 6.5), (30, 6.5)]])
    assert build_breaches(runs, trenches, make_zones([(0, 0)], 6.0), tiers=SEVERED).empty


def test_two_runs_that_meet_count_shared_ground_once():
    runs, trenches = make_runs([[(-30, 4), (1, 4)], [(0, 4), (30, 4)]])
    zones = make_zones([(0, 0)], 6.0)
    breaches = build_breaches(runs, trenches, zones, tiers=SEVERED)
    loss = sum_tree_loss(breaches, trenches, zones, tiers=SEVERED)
    assert breaches["footprint_m2"].sum() == pytest.approx(8.910 + 1.0, abs=1e-3)
    assert loss["footprint_m2"][0] == pytest.approx(8.910, abs=5e-4)
    assert loss["severed_m2"][0] == pytest.approx(17.070, abs=5e-4)


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_union_over_runs_equals_the_dissolved_corridors(seed):
    rng = np.random.default_rng(seed)
    runs, trenches = make_runs(rng.uniform(-15, 15, (4, 3, 2)))
    zones = make_zones([(0, 0)], 9.0, sides=512)
    rounds = make_zones([(0, 0)], 9.0)
    breaches = build_breaches(runs, trenches, rounds, tiers=SEVERED)
    loss = sum_tree_loss(breaches, trenches, rounds, tiers=SEVERED)
    expected = shapely.union_all(np.asarray(trenches["corridor"]))
    expected = expected.intersection(zones["zone"][0]).area
    got = loss["footprint_m2"].sum()
    assert got == pytest.approx(expected, rel=1e-3, abs=2e-3)
    assert (loss["severed_m2"] >= loss["footprint_m2"] - 1e-9).all()
    assert (loss["severed_share"] <= 1 + 1e-9).all()


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    angle=st.floats(0, 6.28),
    east=st.floats(-1e4, 1e4),
    north=st.floats(-1e4, 1e4),
)
def test_moving_turning_and_reversing_change_nothing(seed, angle, east, north):
    rng = np.random.default_rng(seed)
    points = rng.uniform(-12, 12, (2, 3, 2))
    stems = rng.uniform(-10, 10, (5, 2))
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    shift = np.array([east, north])
    columns = ["footprint_m2", "severed_m2", "stem_edge_m"]
    first = build_breaches(*make_runs(points), make_zones(stems, 7.0), tiers=SEVERED)
    moved = build_breaches(
        *make_runs((points @ turn.T + shift)[:, ::-1]),
        make_zones(stems @ turn.T + shift, 7.0),
        tiers=SEVERED,
    )
    key = ["run_id", "tree_id"]
    both = first.merge(moved, on=key, how="outer", suffixes=("", "_moved")).fillna(0.0)
    for column in columns[:2]:
        assert both[column].to_numpy() == pytest.approx(
            both[f"{column}_moved"].to_numpy(), abs=1e-3
        )


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10**6), growth=st.floats(1, 2))
def test_a_larger_zone_never_loses_less(seed, growth):
    rng = np.random.default_rng(seed)
    runs, trenches = make_runs(rng.uniform(-12, 12, (3, 3, 2)))
    stems = rng.uniform(-10, 10, (4, 2))
    small = build_breaches(runs, trenches, make_zones(stems, 4.0), tiers=SEVERED)
    large = build_breaches(runs, trenches, make_zones(stems, 4.0 * growth), tiers=SEVERED)
    both = small.merge(large, on=["run_id", "tree_id"], how="left", suffixes=("", "_large"))
    assert (both["footprint_m2_large"] >= both["footprint_m2"] - 1e-6).all()
    assert (both["severed_m2_large"] >= both["severed_m2"] - 1e-6).all()


def test_a_trench_that_only_grazes_a_zone_is_no_breach():
    """The edge passes 2 mm inside a circle of 6 m: chord 0.31 m, segment about 0.0004 m2."""
    runs, trenches = make_runs([[(-30, 6.498), (30, 6.498)]])
    zones = make_zones([(0, 0)], 6.0)
    assert len(build_breaches(runs, trenches, zones, tiers=SEVERED)) == 1
    graze = Tiers(share="severed", major_from_share=0.10, least_m2=0.01)
    assert build_breaches(runs, trenches, zones, tiers=graze).empty


def test_a_graze_of_the_structural_zone_still_counts():
    runs, trenches = make_runs([[(-30, 6.498), (30, 6.498)]])
    zones = make_zones([(0, 0)], 6.0, structural=6.0)
    graze = Tiers(share="severed", major_from_share=0.10, least_m2=0.01)
    found = build_breaches(runs, trenches, zones, tiers=graze)
    assert found["severity"].tolist() == ["structural"]


def test_a_share_equal_to_the_limit_is_major():
    """The cautious reading of a limit that a share just meets; choice of this project."""
    shares = [0.0999, 0.1, 0.1001, 0.1]
    table = pd.DataFrame(
        {
            "severed_share": shares,
            "footprint_share": shares,
            "footprint_m2": [9.0, 9.0, 9.0, 0.0],
            "is_structural": False,
        }
    )
    for tiers in (SEVERED, FOOTPRINT):
        assert list(grade_severity(table, tiers)) == ["minor", "major", "major", "none"]


def test_ground_that_only_grazes_is_none_up_to_the_limit_and_grades_have_an_order():
    table = pd.DataFrame(
        {
            "severed_share": 0.5,
            "footprint_share": 0.5,
            "footprint_m2": [0.01, 0.0101, 0.01],
            "is_structural": [False, False, True],
        }
    )
    graze = Tiers(share="severed", major_from_share=0.10, least_m2=0.01)
    graded = grade_severity(table, graze)
    assert list(graded) == ["none", "major", "structural"]
    assert graded.max() == "structural"
    assert graded.categories.tolist() == list(SEVERITIES)


EDGES = [0.5, 1.0, 1.49, 1.5, 1.51, 3.0, 3.5, 4.5, 5.5, 5.999, 6.0, 7.0]
"""Near edges of a trench 1 m wide, m from the stem; the structural circle ends at 1.5 m."""


@pytest.mark.parametrize("tiers", [SEVERED, FOOTPRINT])
@pytest.mark.parametrize("structural", [1.5, np.nan])
def test_a_trench_is_graded_by_its_edge_whether_it_was_found_to_meet_or_not(tiers, structural):
    """Shares by hand: f(x) beyond the edge, f(x) - f(x + 1 m) dug, f of the segment."""
    x = np.clip(np.array(EDGES) / 6, 0, 1)
    far = np.clip((np.array(EDGES) + 1) / 6, 0, 1)
    segment, beyond = ((np.arccos(v) - v * np.sqrt(1 - v**2)) / np.pi for v in (x, far))
    share = segment if tiers is SEVERED else segment - beyond
    inner = np.nan_to_num(structural)
    expected = np.select([x >= 1, np.array(EDGES) < inner, share >= 0.1], [0, 3, 2], 1)
    runs, trenches = make_runs([[(-99, edge + 0.5), (99, edge + 0.5)] for edge in EDGES])
    zones = make_zones([(0, 0)], 6.0, structural=structural)
    every = np.arange(len(EDGES))
    codes = grade_pairs(np.asarray(trenches["corridor"]), zones, every, 0 * every, tiers)
    assert codes.tolist() == expected.tolist()
    found = build_breaches(runs, trenches, zones, tiers=tiers)
    met = expected > 0
    assert found["run"].tolist() == every[met].tolist()
    assert found["severity"].cat.codes.tolist() == expected[met].tolist()
    assert found["footprint_share"].to_numpy() == pytest.approx((segment - beyond)[met])
    assert found["severed_share"].to_numpy() == pytest.approx(segment[met])
    assert "index" not in found
    loss = sum_tree_loss(found.iloc[:1], trenches, zones, tiers=tiers)
    assert loss[["footprint_share", "severed_share", "is_structural"]].to_numpy().tolist() == (
        found.loc[:0, ["footprint_share", "severed_share", "is_structural"]].to_numpy().tolist()
    )
    last = sum_tree_loss(found.iloc[-1:], trenches, zones, tiers=tiers)
    assert last[["is_structural", "is_through_stem"]].to_numpy().tolist() == [[False, False]]


def test_a_trench_through_the_stem_is_nearer_than_any_least_distance_and_takes_all():
    """Beside it a second trench, which alone would sever less."""
    runs, trenches = make_runs([[(-30, 0.3), (30, 0.3)], [(-30, 4), (30, 4)]])
    zones = make_zones([(0, 0)], 6.0, structural=np.nan, least=0.5)
    breaches = build_breaches(runs, trenches, zones, tiers=SEVERED)
    assert breaches["is_within_least"].tolist() == [True, False]
    assert breaches["is_structural"].tolist() == [True, False]
    codes = grade_pairs(
        np.asarray(trenches["corridor"]), zones, np.array([0]), np.array([0]), SEVERED
    )
    assert codes.tolist() == [3]
    loss = sum_tree_loss(breaches, trenches, zones, tiers=SEVERED).iloc[0]
    assert loss["n_runs"] == 2
    assert loss["is_through_stem"]
    assert loss["is_structural"]
    assert loss["is_within_least"]
    assert loss["severed_m2"] == pytest.approx(np.pi * 36)
    assert loss["stem_edge_m"] == 0


@pytest.mark.parametrize("quarter", range(4))
def test_a_drawn_zone_loses_all_that_lies_behind_a_trench_to_its_farthest_end(quarter):
    """A strip 7 m long and 2 m wide, its stem 1 m from one end, a trench 1 m off: 5 m behind it.

    By hand: 1 x 2 m2 dug, 5 x 2 m2 severed with it, seen in four directions.
    """

    def turn(points):
        points = np.asarray(points, dtype=float)
        for _ in range(quarter):
            points = np.column_stack([-points[:, 1], points[:, 0]])
        return points

    runs, trenches = make_runs([turn([(1.5, -40), (1.5, 40)])])
    zones = make_zones(turn([(3, 0)]), 6.0, structural=0.5)
    zone = shapely.Polygon(turn([(-3, -1), (4, -1), (4, 1), (-3, 1)]))
    zones = zones.assign(zone=np.array([zone]), radius_m=np.nan, area_m2=14.0)
    row = build_breaches(runs, trenches, zones, tiers=SEVERED).iloc[0]
    assert row["footprint_m2"] == pytest.approx(2.0)
    assert row["severed_m2"] == pytest.approx(10.0, abs=1e-6)
    assert row["stem_edge_m"] == pytest.approx(1.0)
    assert (row["from_m"], row["to_m"]) == pytest.approx((39.0, 41.0))


@pytest.mark.parametrize("sides", [None, 2048])
@pytest.mark.parametrize("count", [2, 3])
def test_trenches_that_cross_dig_shared_ground_once(count, sides):
    """Strips 1 m wide through a zone far off the origin; every crossing shares 1 m2.

    Long sides at x = 2 and 3 m, y = 2 and 3 m, and the third at y = -3 and -2 m.
    """
    lines = [[(52.5, 0), (52.5, 60)], [(20, 32.5), (80, 32.5)], [(20, 27.5), (80, 27.5)]][:count]
    runs, trenches = make_runs(lines)
    zones = make_zones([(50, 30), (0, 200)], 6.0, structural=0.5, sides=sides)
    breaches = build_breaches(runs, trenches, zones, tiers=SEVERED)
    loss = sum_tree_loss(breaches, trenches, zones, tiers=SEVERED)
    one = (np.arccos(2 / 6) - 2 / 6 * np.sqrt(1 - 4 / 36)) * 36
    two = (np.arccos(3 / 6) - 3 / 6 * np.sqrt(1 - 9 / 36)) * 36
    assert loss["tree"].tolist() == [0]
    assert loss["n_runs"].tolist() == [count]
    assert loss["footprint_m2"][0] == pytest.approx(count * (one - two) - (count - 1), abs=2e-3)
    # Behind a near wall lies a segment; two that cross share what lies beyond both, a sector
    # whose corner is at (2, 2) m: by the quarter disc less two half segments and a square.
    corner = np.pi * 9 - 36 * np.arcsin(2 / 6) - 2 * np.sqrt(32) + 4
    assert loss["severed_m2"][0] == pytest.approx(count * one - (count - 1) * corner, abs=4e-2)


def test_the_breaches_of_each_run_are_counted_and_summed():
    """Run 1 has a structural breach and two major ones of which T2 loses more; run 0 none."""
    breaches = pd.DataFrame(
        {
            "run": [1, 1, 1, 2, 2, 2],
            "tree_id": ["T0", "T1", "T2", "T1", "T2", "T3"],
            "footprint_m2": [1.0, 2.0, 3.0, 4.0, 5.0, 6.0],
            "severed_m2": [2.0, 3.0, 4.0, 5.0, 6.0, 7.0],
            "severed_share": [0.05, 0.2, 0.3, 0.2, 0.3, 0.9],
            "stem_edge_m": [1.0, 3.0, 2.0, 4.0, 3.0, 5.0],
            "severity": pd.Categorical.from_codes(
                [3, 2, 2, 2, 2, 1], pd.Index(SEVERITIES), ordered=True
            ),
            "is_estimated": [True, False, True, False, False, False],
            "is_unsure": pd.array([True, None, False, None, True, True], dtype="boolean"),
            "is_within_least": pd.array([False, None, False, True, None, False], dtype="boolean"),
        }
    )
    found = sum_breaches(breaches, 4)
    assert found["n_trees"].tolist() == [0, 3, 3, 0]
    assert found["n_major"].tolist() == [0, 3, 2, 0]
    assert found["n_structural"].tolist() == [0, 1, 0, 0]
    assert found["footprint_m2"].tolist() == [0, 6, 15, 0]
    assert found["severed_m2"].tolist() == [0, 9, 18, 0]
    assert found["severity"].tolist() == ["none", "structural", "major", "none"]
    assert found["severity"].max() == "structural"
    assert found["worst_tree"].tolist() == ["", "T0", "T2", ""]
    assert found["nearest_stem_m"].tolist() == [np.inf, 1.0, 3.0, np.inf]
    assert found["n_estimated"].tolist() == [0, 2, 0, 0]
    assert found["n_unsure"].tolist() == [0, 1, 2, 0]
    assert found["is_within_least"].tolist() == [False, pd.NA, True, False]
    unmarked = sum_breaches(breaches.drop(columns=["is_estimated", "is_unsure"]), 4)
    assert unmarked["n_estimated"].tolist() == unmarked["n_unsure"].tolist() == [0, 0, 0, 0]


def test_each_of_many_trees_loses_the_dissolved_ground_of_its_own_trenches():
    """Trees met by one to five trenches, against polygons."""
    rng = np.random.default_rng(2)
    runs, trenches = make_runs(rng.uniform(-25, 25, (5, 2, 2)))
    stems = rng.uniform(-20, 20, (25, 2))
    zones, drawn = make_zones(stems, 6.0), make_zones(stems, 6.0, sides=1024)["zone"]
    breaches = build_breaches(runs, trenches, zones, tiers=SEVERED)
    loss = sum_tree_loss(breaches, trenches, zones, tiers=SEVERED)
    assert set(loss["n_runs"]) >= {1, 2, 3, 4}
    union = shapely.union_all(np.asarray(trenches["corridor"]))
    expected = shapely.area(shapely.intersection(np.asarray(drawn)[loss["tree"]], union))
    assert loss["footprint_m2"].to_numpy() == pytest.approx(expected, abs=2e-3)
