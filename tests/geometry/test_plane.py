"""Closed forms against shapely's polygons and against hand-worked values."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from routekit.geometry.chainage import edge_chainage, line_parts, strip_chainage
from routekit.geometry.plane import circle_polygon_area, line_edges, polygon_distance, polygon_edges
from routekit.geometry.shadows import shadow_area

ONE = np.array([0])


def corridor(points, width):
    return shapely.buffer(
        shapely.LineString(points), width / 2, cap_style="flat", join_style="mitre"
    )


def round_polygon(x, y, radius, sides=1024):
    angle = np.linspace(0, 2 * np.pi, sides, endpoint=False)
    return shapely.Polygon(np.c_[x + radius * np.cos(angle), y + radius * np.sin(angle)])


def ray_shadow(strip, x, y, radius, rays=20000):
    """Slow oracle: march along rays and keep the nearest hit."""
    angle = (np.arange(rays) + 0.5) * 2 * np.pi / rays
    far = np.c_[x + radius * np.cos(angle), y + radius * np.sin(angle)]
    lines = shapely.linestrings(np.stack([np.broadcast_to([x, y], far.shape), far], axis=1))
    shapely.prepare(strip)
    meets = shapely.intersects(strip, lines)
    near = np.full(rays, float(radius))
    hit = shapely.intersection(lines[meets], strip)
    near[meets] = shapely.distance(shapely.Point(x, y), hit)
    return np.sum(0.5 * (radius**2 - near**2)) * 2 * np.pi / rays


def test_worked_case_of_a_trench_beside_a_stem():
    """Stem 500 mm, zone 6.0 m, centreline at 4.0 m, width 1.0 m.

    Severed 15.093 % (17.070 m2), footprint 7.879 % (8.910 m2).
    Source: exact geometry of a straight infinite trench, derived.
    """
    edges = polygon_edges([corridor([(-50, 4), (50, 4)], 1.0)])
    footprint = circle_polygon_area([[0, 0]], [6.0], edges, ONE)[0]
    severed = shadow_area([[0, 0]], [6.0], edges, ONE, ONE)[0]
    area = np.pi * 36
    assert footprint == pytest.approx(8.910, abs=5e-4)
    assert severed == pytest.approx(17.070, abs=5e-4)
    assert 100 * footprint / area == pytest.approx(7.879, abs=5e-4)
    assert 100 * severed / area == pytest.approx(15.093, abs=5e-4)


def test_short_trench_inside_the_zone_counts_its_own_floor():
    """A 4.0 m trench centred at 4.0 m lies wholly in the zone: 4.000 m2 (derived)."""
    edges = polygon_edges([corridor([(-2, 4), (2, 4)], 1.0)])
    assert circle_polygon_area([[0, 0]], [6.0], edges, ONE)[0] == pytest.approx(4.0, abs=1e-12)


@pytest.mark.parametrize(
    ("x", "percent"),
    [(0.1, 43.644), (0.25, 34.252), (0.5, 19.550), (0.68705, 10.0), (0.75, 7.215), (0.9, 1.869)],
)
def test_share_beyond_a_straight_cut(x, percent):
    """Share beyond the near wall, f(x) = (acos x - x sqrt(1 - x2)) / pi; source: derived."""
    edges = polygon_edges([shapely.box(-99, x, 99, 99)])
    share = shadow_area([[0, 0]], [1.0], edges, ONE, ONE)[0] / np.pi
    assert 100 * share == pytest.approx(percent, abs=1e-3)


def random_cases(count, bends, seed):
    rng = np.random.default_rng(seed)
    steps = rng.uniform(2, 15, (count, bends + 1))
    turn = rng.uniform(-0.7, 0.7, (count, bends + 1)).cumsum(axis=1)
    turn += rng.uniform(0, 2 * np.pi, (count, 1))
    moves = np.stack([steps * np.cos(turn), steps * np.sin(turn)], axis=-1)
    points = np.concatenate([np.zeros((count, 1, 2)), moves.cumsum(axis=1)], axis=1)
    points += rng.uniform(-12, 4, (count, 1, 2))
    width = rng.uniform(0.6, 1.5, count)
    radius = rng.uniform(1, 15, count)
    strips = shapely.buffer(
        shapely.linestrings(points), width / 2, cap_style="flat", join_style="mitre"
    )
    return points, width, radius, strips


@pytest.mark.parametrize("bends", [0, 1, 3])
def test_overlap_agrees_with_1024_sided_polygons_on_random_strips(bends):
    """12,000 random strips over the three cases, within 0.1 % and 1e-3 m2.

    The circle stands in as a 1024-sided polygon of equal area, since an inscribed one
    is 6e-6 of the circle too small by itself.
    """
    count = 4000
    _, _, radius, strips = random_cases(count, bends, seed=bends)
    sides = 1024
    equal = radius * np.sqrt(2 * np.pi / (sides * np.sin(2 * np.pi / sides)))
    angle = np.linspace(0, 2 * np.pi, sides, endpoint=False)
    ring = np.c_[np.cos(angle), np.sin(angle)]
    circles = shapely.polygons(equal[:, None, None] * ring)
    expected = shapely.area(shapely.intersection(strips, circles))
    area = circle_polygon_area(
        np.zeros((count, 2)), radius, polygon_edges(strips), np.arange(count)
    )
    assert np.all(np.abs(area - expected) <= np.maximum(1e-3 * expected, 1e-3))
    assert np.all(np.abs(area - expected) <= 1e-3 + 1e-3 * expected)
    assert (expected > 0).sum() > count / 4


@settings(max_examples=50, deadline=None)
@given(seed=st.integers(0, 10**6), bends=st.integers(0, 4))
def test_shadow_agrees_with_marching_rays(seed, bends):
    _, _, radius, strips = random_cases(1, bends, seed)
    if strips[0].contains(shapely.Point(0, 0)):
        return
    area = shadow_area(np.zeros((1, 2)), radius, polygon_edges(strips), ONE, ONE)[0]
    expected = ray_shadow(strips[0], 0, 0, radius[0])
    assert area == pytest.approx(expected, rel=2e-3, abs=0.02)


def test_shadow_of_crossing_strips_counts_what_both_hide_once():
    strips = [corridor([(-9, 2), (9, 3)], 1.0), corridor([(-9, 5), (9, 1)], 1.0)]
    area = shadow_area([[0, 0]], [6.0], polygon_edges(strips), np.array([0, 0]), np.array([0, 1]))[
        0
    ]
    expected = ray_shadow(shapely.union_all(strips), 0, 0, 6.0)
    assert area == pytest.approx(expected, rel=1e-4)


def test_circle_may_lie_in_a_hole():
    ring = shapely.box(-5, -5, 5, 5).difference(shapely.box(-4, -4, 4, 4))
    edges = polygon_edges([ring])
    assert circle_polygon_area([[0, 0]], [3.0], edges, ONE)[0] == pytest.approx(0, abs=1e-12)
    assert circle_polygon_area([[0, 0]], [9.0], edges, ONE)[0] == pytest.approx(36)


def test_shape_without_edges_shares_nothing():
    edges = polygon_edges([None, shapely.Polygon(), shapely.box(0, 0, 1, 1)])
    area = circle_polygon_area(np.zeros((3, 2)), [5, 5, 5], edges, np.arange(3))
    assert area == pytest.approx([0, 0, 1])


def test_distance_and_inside():
    edges = polygon_edges([shapely.box(0, 0, 4, 4)])
    distance, within = polygon_distance([[2, 1], [7, 8], [4, 2]], edges, np.zeros(3, int))
    assert distance == pytest.approx([1, 5, 0])
    assert within.tolist() == [True, False, True]


def test_chainages_of_a_strip_in_a_circle():
    """Near wall 3.5 m off, zone 6 m: half chord sqrt(36 - 12.25) = 4.873 (derived)."""
    edges = line_edges([shapely.LineString([(-10, 4), (0, 4), (20, 4)])])
    low, high = strip_chainage([[0, 0], [0, 99]], [6, 6], edges, np.zeros(2, int), [0.5, 0.5])
    assert low[0] == pytest.approx(10 - 4.8734, abs=1e-4)
    assert high[0] == pytest.approx(10 + 4.8734, abs=1e-4)
    assert np.isnan([low[1], high[1]]).all()


def test_parts_of_lines_keep_their_bends():
    bent = shapely.LineString([(0, 0), (10, 0), (10, 10)])
    straight = shapely.LineString([(0, 0), (0, 8)])
    parts = line_parts([bent, straight], [4, 2], [16, 2])
    assert parts[0].equals(shapely.LineString([(4, 0), (10, 0), (10, 6)]))
    assert parts[1].length == 0


def test_circles_away_from_the_origin_and_on_edges():
    """By hand: half a circle on an edge, a quarter on a corner, a whole one within."""
    edges = polygon_edges([shapely.box(0, 0, 10, 10), shapely.box(20, 20, 30, 30)])
    area = circle_polygon_area(
        [[5, 0], [10, 10], [3, 4], [20, 25]], [2, 2, 1, 2], edges, np.array([0, 0, 0, 1])
    )
    assert area == pytest.approx(np.pi * np.array([2, 1, 1, 2]), abs=1e-12)


def test_chainages_of_two_lines_begin_at_the_first_point_of_each():
    lines = [shapely.LineString([(0, 0), (3, 4), (3, 10)]), shapely.LineString([(7, 0), (19, 5)])]
    edges = line_edges(lines)
    assert edge_chainage(edges) == pytest.approx([0.0, 5.0, 0.0])
    low, high = strip_chainage([[3, 8], [7, 0]], [1, 13], edges, np.array([0, 1]), [0.0, 0.0])
    assert low == pytest.approx([8.0, 0.0])
    assert high == pytest.approx([10.0, 13.0])


def test_a_strip_enters_and_leaves_a_circle_where_the_chord_does():
    """Centre on the line: the radius to each side; 0.8 of a radius of 1 beside it: 0.6."""
    edges = line_edges([shapely.LineString([(0, 0), (20, 0)])])
    low, high = strip_chainage(
        [[10, 0], [10, 0.8], [10, -1.8], [10, 1]],
        [5, 1, 1, 1],
        edges,
        np.zeros(4, int),
        [0.0, 0.0, 1.0, 0.0],
    )
    assert low[:3] == pytest.approx([5.0, 9.4, 9.4])
    assert high[:3] == pytest.approx([15.0, 10.6, 10.6])
    assert np.isnan([low[3], high[3]]).all(), "a circle that only touches is not met"


def test_an_edge_shorter_than_a_metre_is_met_like_any_other():
    """Edges of 0.5 m and 0.3 m: a circle of 0.1 m round the middle of the first and the second."""
    edges = line_edges([shapely.LineString([(0, 0), (0.5, 0), (0.5, 0.3)])])
    centre = [[0.25, 0], [0.5, 0.15]]
    low, high = strip_chainage(centre, [0.1, 0.1], edges, np.zeros(2, int), [0.0, 0.0])
    assert low == pytest.approx([0.15, 0.55])
    assert high == pytest.approx([0.35, 0.75])


def test_a_circle_that_meets_a_line_at_its_end_alone_is_met_at_that_chainage():
    """Intervals of chainage are closed; an edge of no length on the way changes nothing."""
    lines = [
        shapely.LineString([(0, 0), (20, 0)]),
        shapely.LineString([(0, 0), (9, 0), (9, 0), (20, 0)]),
    ]
    low, high = strip_chainage(
        [[25, 0], [-5, 0], [25, 0], [9, 1]],
        [5] * 4,
        line_edges(lines),
        np.array([0, 0, 1, 1]),
        [0.0] * 4,
    )
    reach = np.sqrt(24)
    assert low == pytest.approx([20.0, 0.0, 20.0, 9 - reach])
    assert high == pytest.approx([20.0, 0.0, 20.0, 9 + reach])


def test_a_part_that_ends_on_a_vertex_has_it_once():
    line = shapely.LineString([(0, 0), (4, 0), (4, 5), (9, 5)])
    (part,) = line_parts([line], [4.0], [9.0])
    assert shapely.get_coordinates(part).tolist() == [[4, 0], [4, 5]]


def test_distance_from_a_corner_and_to_an_edge_of_no_length():
    """Sides of 3 and 4 make 5; a point given twice makes an edge that is a point."""
    square = shapely.box(0, 0, 10, 10)
    twice = shapely.Polygon([(0, 0), (0, 0), (10, 0), (10, 10), (0, 10)])
    edges = polygon_edges([square, twice])
    distance, within = polygon_distance(
        [[13, 14], [-3, -4], [-3, -4], [5, 1]], edges, np.array([0, 0, 1, 1])
    )
    assert distance == pytest.approx([5, 5, 5, 1])
    assert within.tolist() == [False, False, False, True]


def test_a_corner_given_twice_takes_nothing_of_a_circle_and_hides_nothing():
    """A quarter disc of radius 2 round the corner that is given twice; the same from a stem."""
    twice = shapely.Polygon([(0, 0), (0, 0), (10, 0), (10, 10), (0, 10)])
    edges = polygon_edges([twice])
    assert circle_polygon_area([[0, 0]], [2.0], edges, ONE) == pytest.approx([np.pi])
    once = polygon_edges([shapely.box(0, 0, 10, 10)])
    found = [shadow_area([[-3, -1]], [6.0], each, ONE, ONE)[0] for each in (edges, once)]
    assert found[0] == pytest.approx(found[1])
    assert found[0] > 1
