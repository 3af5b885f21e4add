"""Breaches of protection zones by open-cut corridors."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from routekit.trees.breach import Tiers, build_breaches, grade_severity, sum_tree_loss

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
