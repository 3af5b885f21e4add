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
    draw_dug,
    measure_dug,
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
    return float(clear_heights(lines, trench, sewers, [np.array([0])])[0])


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


def test_a_re_laid_connection_is_a_pipe_of_its_own_size_without_connections():
    """As deep as the new line at its deepest, at both ends; a bore of zero is one of no size."""
    laid = relay((20, 0), (20, -5), bore=[150.0, 0.0])
    assert laid["diameter_mm"].tolist() == laid["girth_mm"].tolist() == [150.0, 200.0]
    assert laid["n_connections"].tolist() == [0.0, 0.0]
    assert laid["run"].tolist() == [0, 0]
    for name in ("depth_up_m", "depth_down_m"):
        assert laid[name].tolist() == [2.5, 2.5]
    assert relay((20, 0), bore=1.0)["diameter_mm"].tolist() == [1.0]
    small, large = (relay((20, 0), bore=bore).loc["C0", "width_m"] for bore in (1.0, 900.0))
    assert small < large


def test_each_connection_is_laid_to_the_line_of_its_own_run():
    """The second run lies 20 m north of the first, and its new line 2 m north of it."""
    lines = gpd.GeoDataFrame(
        {"depth_max_m": [2.5, 3.5], "position_sd_m": [0.0, 0.0]},
        geometry=[NEW, LineString([(0, 22), (40, 22)])],
    )
    joined = gpd.GeoDataFrame(
        {"connection_id": ["A", "B"], "run": [1, 0], "diameter_mm": 150.0},
        geometry=[Point(20, 20), Point(20, 0)],
    )
    old = [OLD, LineString([(0, 20), (40, 20)])]
    laid = relay_connections(
        joined, old, lines, TrenchSettings(), tear_back_m=0.0, unsized_mm=200.0
    ).set_index("run_id")
    assert laid["length_m"].to_dict() == pytest.approx({"A": 2.0, "B": 6.0})
    assert laid["depth_up_m"].to_dict() == {"A": 3.5, "B": 2.5}
    falls_of = connection_falls(
        laid.reset_index(),
        gpd.GeoDataFrame(
            {"invert_up_m": [10.0, 8.0], "invert_down_m": [9.0, 8.0], "height_mm": [300.0, 400.0]},
            geometry=old,
        ),
        gpd.GeoDataFrame(
            {"invert_up_m": [10.0, 7.9], "invert_down_m": [9.0, 7.9]}, geometry=lines.geometry
        ),
    )
    # Run 1: 0.1 m over 2 m from the invert, 0.5 m from the crown.
    assert np.array(falls_of).T.tolist() == [
        pytest.approx([0.0, 0.05]), pytest.approx([0.05, 0.25])
    ]  # fmt: skip


def test_the_dig_of_a_manhole_lies_outside_its_circle_by_no_more_than_its_chords():
    (shape,), line = dig_manholes(np.array([LineString([(0, 0), (5, 1), (9, 0)])]), 2.0)
    assert line.tolist() == [0]
    corners = shapely.get_coordinates(shape)
    assert np.hypot(*(corners - [5, 1]).T) == pytest.approx(1 / np.cos(np.pi / 64))
    assert len(corners) == 65
    shapes, line = dig_manholes(np.array([OLD, OLD], dtype=object), 2.0)
    assert (len(shapes), len(line)) == (0, 0)


def test_a_new_manhole_at_the_end_of_a_line_is_dug_for_at_its_lower_end_alone():
    lines = np.array([LineString([(x, 0), (x + 5, 1), (x + 9, 0)]) for x in (0, 20, 40)])
    shapes, line = dig_manholes(lines, 2.0, has_new_end=[False, True, True])
    assert line.tolist() == [0, 1, 1, 2, 2]
    middles = [(round(one.centroid.x, 6), round(one.centroid.y, 6)) for one in shapes]
    assert middles == [(5, 1), (25, 1), (29, 0), (45, 1), (49, 0)]


RUNS = gpd.GeoDataFrame(
    {"run_id": ["A", "B", "C"], "length_m": [40.0, 50.0, 60.0]}, geometry=[OLD, OLD, OLD]
)


def test_runs_are_drawn_and_measured_on_a_new_line_where_that_is_recommended():
    lines = gpd.GeoDataFrame(
        {"run_id": ["C", "A"], "length_m": [66.0, 44.0], "is_recommended": [True, False]},
        geometry=[NEW, NEW],
    )
    assert [line.equals(NEW) for line in draw_dug(RUNS, lines)] == [False, False, True]
    assert measure_dug(RUNS, lines).tolist() == [40.0, 50.0, 66.0]
    # Of the first line, too, and where none is recommended, none.
    first = lines.assign(is_recommended=[False, True])
    assert [line.equals(NEW) for line in draw_dug(RUNS, first)] == [True, False, False]
    none = lines.assign(is_recommended=False)
    assert [line.equals(OLD) for line in draw_dug(RUNS, none)] == [True, True, True]
    assert measure_dug(RUNS, none).tolist() == [40.0, 50.0, 60.0]


@pytest.mark.parametrize(("from_end_m", "is_met"), [(1.4, False), (1.53, True)])
def test_a_sewer_near_a_manhole_of_the_line_begins_there_and_one_beyond_is_met(from_end_m, is_met):
    """A stub of 0.1 m in the trench at the end of the line, within or beyond 1.5 m of it."""
    leg = np.array([-10, 6]) / np.hypot(10, 6)
    at = np.array([40, 0]) + leg * from_end_m
    stub = LineString([at, at + 0.05 * leg])
    assert np.isfinite(clear(at=stub)) == is_met
    at = np.array([0, 0]) + np.array([10, 6]) / np.hypot(10, 6) * from_end_m
    stub = LineString([at, at + 0.05 * np.array([10, 6]) / np.hypot(10, 6)])
    assert np.isfinite(clear(at=stub)) == is_met


def clear_of_all(*others, trench=True):
    """Least clear height of the new line at 9.50 m in its middle: (invert, outside) of others."""
    at = [LineString([(18 + place, -10), (18 + place, 20)]) for place in range(len(others))]
    sewers = gpd.GeoDataFrame(
        {
            "invert_up_m": [9.5, *(one[0] for one in others)],
            "invert_down_m": [9.5, *(one[0] for one in others)],
            "outside_mm": [300.0, *(one[1] for one in others)],
        },
        geometry=[OLD, *at],
    )
    lines = gpd.GeoDataFrame(
        {"invert_up_m": [9.5], "invert_down_m": [9.5], "outside_mm": [400.0]}, geometry=[NEW]
    )
    dug = shapely.buffer(NEW, 0.5, cap_style="flat") if trench else None
    return clear_heights(lines, np.array([dug], dtype=object), sewers, [np.array([0])]).tolist()[0]


def test_the_nearest_sewer_counts_and_the_pipe_below_takes_its_height():
    """Below: 9.5 - 8.0 - 0.2 and 9.5 - 8.5 - 0.3; above: 10.3 - 9.5 - 0.4, of the new pipe."""
    assert clear_of_all((8.0, 200.0)) == pytest.approx(1.3)
    assert clear_of_all((8.0, 200.0), (8.5, 300.0)) == pytest.approx(0.7)
    assert clear_of_all((8.5, 300.0), (8.0, 200.0)) == pytest.approx(0.7)
    assert clear_of_all((8.5, 300.0), (10.3, 900.0)) == pytest.approx(0.4)
    # At the same invert the other pipe is in the way with its height.
    assert clear_of_all((9.5, 250.0)) == pytest.approx(-0.25)


def test_one_sewer_of_no_known_level_leaves_the_clear_height_unknown_whatever_others_say():
    assert np.isnan(clear_of_all((8.0, 200.0), (np.nan, 200.0), (8.5, 200.0)))
    assert np.isnan(clear_of_all((8.0, 200.0), trench=False))
    assert clear_of_all() == np.inf
