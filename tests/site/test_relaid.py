"""What a new line digs besides its trench, and the sewers that it meets, worked by hand."""

import geopandas as gpd
import numpy as np
import pytest
import shapely
from shapely import LineString, Point, box

from routekit.pipes.settings import TrenchSettings
from routekit.site.relaid import (
    clear_heights,
    connection_falls,
    dig_manholes,
    relay_connections,
    unite_works,
)

OLD = LineString([(0, 0), (40, 0)])
NEW = LineString([(0, 0), (10, 6), (30, 6), (40, 0)])


def relay(*points, bore=150.0, depth=2.5):
    """Connections at points, re-laid from the old line to the new one."""
    joined = gpd.GeoDataFrame(
        {
            "connection_id": [f"C{place}" for place in range(len(points))],
            "run": 0,
            "diameter_mm": bore,
        },
        geometry=[Point(xy) for xy in points],
    )
    lines = gpd.GeoDataFrame({"depth_max_m": [depth], "position_sd_m": [0.0]}, geometry=[NEW])
    laid = relay_connections(
        joined, [OLD], lines, TrenchSettings(), tear_back_m=0.0, unsized_mm=200.0
    )
    return laid.set_index("run_id")


def test_every_connection_reaches_the_new_line_from_where_it_runs():
    """At the old pipe 6 m away; from a house beyond the new line, whose pipe it meets, not at all;
    from a house on the other side, whose pipe ends at the old line, 6 m."""
    laid = relay((20, 0), (20, 9), (20, -5))
    assert laid["length_m"].to_dict() == pytest.approx({"C0": 6.0, "C2": 6.0})
    assert shapely.distance(laid["line"].to_numpy(), NEW) == pytest.approx([0.0, 0.0])


def test_a_connection_trench_is_as_deep_as_the_new_line_and_wide_enough_for_its_pipe():
    laid = relay((20, 0))
    assert laid.loc["C0", "trench_depth_m"] > 2.5
    assert laid.loc["C0", "corridor"].area >= 6.0 * laid.loc["C0", "width_m"] - 1e-9


def test_a_connection_of_unknown_size_gets_the_trench_of_the_largest_it_may_have():
    widths = [relay((20, 0), bore=bore).loc["C0", "width_m"] for bore in (np.nan, 200.0, 100.0)]
    assert widths[0] == widths[1] >= widths[2]


def test_works_of_which_any_is_not_known_are_not_known():
    small = relay((20, 0), depth=np.nan)["corridor"].to_numpy(dtype=object)
    trench = np.array([box(0, -1, 40, 1), box(100, 0, 101, 1)], dtype=object)
    whole = unite_works(trench, small, np.array([0]))
    assert whole[0] is None
    assert whole[1].equals(trench[1])
    parts = np.array([box(5, -3, 6, 3)], dtype=object)
    assert unite_works(trench, parts, np.array([0]))[0].area == pytest.approx(80 + 4)
    assert unite_works(np.array([None]), parts, np.array([0]))[0] is None


def test_each_new_manhole_has_its_dig_and_the_given_ones_have_none():
    shapes, line = dig_manholes(np.array([OLD, NEW], dtype=object), 2.0)
    assert line.tolist() == [1, 1]
    assert [one.centroid.coords[0] for one in shapes] == [
        pytest.approx((10, 6)), pytest.approx((30, 6))
    ]  # fmt: skip
    circles = shapely.buffer(shapely.points([(10, 6), (30, 6)]), 1.0 - 1e-9, quad_segs=64)
    assert shapely.covers(shapes, circles).all()


def clear(*, invert=(10.0, 9.0), outside=300.0, other=(8.0, 8.0), at=None):
    """Clear height between the new line and one other sewer across it."""
    sewers = gpd.GeoDataFrame(
        {
            "invert_up_m": [9.5, other[0]],
            "invert_down_m": [9.0, other[1]],
            "outside_mm": [300.0, outside],
        },
        geometry=[OLD, at or LineString([(20, -10), (20, 20)])],
    )
    lines = gpd.GeoDataFrame(
        {"invert_up_m": [invert[0]], "invert_down_m": [invert[1]], "outside_mm": [300.0]},
        geometry=[NEW],
    )
    trench = np.array([shapely.buffer(NEW, 0.5, cap_style="flat")], dtype=object)
    return float(clear_heights(lines, trench, sewers, np.array([0]))[0])


def test_clear_height_to_a_sewer_below_is_from_its_crown_to_the_new_invert():
    """In the middle of the line the new invert lies at 9.50, the other crown at 8.00 + 0.30."""
    assert clear() == pytest.approx(1.2)


def test_clear_height_to_a_sewer_above_is_from_the_new_crown_to_its_invert():
    assert clear(other=(11.0, 11.0)) == pytest.approx(1.2)


def test_a_sewer_in_the_way_is_below_zero():
    assert clear(other=(9.4, 9.4)) < 0


@pytest.mark.parametrize(
    "unknown",
    [{"other": (np.nan, 8.0)}, {"invert": (np.nan, 9.0)}, {"outside": np.nan}],
)
def test_what_is_not_known_of_a_sewer_that_is_met_leaves_the_clear_height_unknown(unknown):
    assert np.isnan(clear(**unknown))


def test_sewers_that_are_not_met_or_begin_at_the_manholes_of_the_line_are_clear():
    assert clear(at=LineString([(20, 7), (20, 20)]), other=(np.nan, np.nan)) == np.inf
    assert clear(at=LineString([(40, 0), (60, 0)]), other=(np.nan, np.nan)) == np.inf


def test_a_sewer_that_lies_in_the_trench_without_crossing_the_line_is_met():
    assert clear(at=LineString([(12, 6.3), (28, 6.3)]), other=(9.4, 9.4)) < 0


def falls(*points, inverts=(10.0, 9.0), height=300.0, joined=None):
    """Least gradients of connections re-laid from the old line to the new one."""
    table = {"invert_up_m": [inverts[0]], "invert_down_m": [inverts[1]], "height_mm": [height]}
    old = gpd.GeoDataFrame(table, geometry=[OLD])
    lines = gpd.GeoDataFrame(table, geometry=[NEW])
    laid = relay(*points) if joined is None else joined
    return [float(one[0]) for one in connection_falls(laid, old, lines)]


def test_the_fall_of_a_re_laid_connection_is_what_is_left_over_its_length():
    """Half-way along both lines the inverts are equal: the crown leaves 0.3 m over 6 m."""
    assert falls((20, 0)) == pytest.approx([0.0, 0.05])


def test_the_worst_connection_counts():
    """At 10 m of the old line the invert is 9.75. The foot on the new line's first leg, 11.66 m of
    its 43.32 m, lies 36 / 11.66 m before the bend and 60 / 11.66 m away, at 9.802."""
    leg = np.hypot(10, 6)
    share = (leg - 36 / leg) / (2 * leg + 20)
    length, fall = 60 / leg, 9.75 - (10 - share)
    assert fall == pytest.approx(-0.052, abs=0.001)
    assert falls((20, 0), (10, 0)) == pytest.approx([fall / length, (fall + 0.3) / length])


def test_levels_that_are_not_known_leave_the_fall_unknown_and_no_connection_has_none():
    assert np.isnan(falls((20, 0), inverts=(np.nan, 9.0))).all()
    at_invert, at_crown = falls((20, 0), height=np.nan)
    assert at_invert == pytest.approx(0.0)
    assert np.isnan(at_crown)
    none = relay((20, 0)).iloc[:0]
    assert falls(joined=none) == [np.inf, np.inf]
