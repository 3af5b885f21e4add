"""The chance that a point comes within a distance of what is dug, against draws and by hand."""

import numpy as np
import pytest
import shapely
from scipy.stats import norm

from routekit.geometry.reaches import chance_within, split_convex

DRAWS = 100_000


def draw_boxes(rng, count):
    """Turned boxes of the sizes of trenches, pits and digs, and points near their edges."""
    length, width = rng.uniform(0.5, 60, count), rng.uniform(0.3, 3, count)
    angle = rng.uniform(0, 2 * np.pi, count)
    distance, sd = rng.uniform(0.2, 12, count), 10 ** rng.uniform(-1.5, 0.7, count)
    along = np.where(rng.random(count) < 0.5, rng.uniform(-0.5, 0.5, count) * length, length / 2)
    away = width / 2 + distance + rng.normal(0, 1.2, count) * sd
    local = np.stack([along + rng.uniform(0, 1, count) * distance, away], axis=1)
    return length, width, angle, distance, sd, local


def turn_by(points, angle):
    """Turn points anticlockwise, the last axis holding x and y."""
    cos, sin = np.cos(angle), np.sin(angle)
    x, y = points[..., 0], points[..., 1]
    return np.stack([cos * x - sin * y, sin * x + cos * y], axis=-1)


def test_chances_of_boxes_agree_with_a_hundred_thousand_draws_each():
    rng = np.random.default_rng(11)
    length, width, angle, distance, sd, local = draw_boxes(rng, 200)
    half = np.stack([length, width], axis=1) / 2
    signs = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    corners = turn_by(half[:, None] * signs, angle[:, None])
    points = turn_by(local, angle)
    found = chance_within(corners, np.arange(200), points, distance, sd)
    drawn = np.empty(200)
    for n in range(200):
        moved = np.abs(local[n] + rng.normal(0, sd[n], (DRAWS, 2))) - half[n]
        gap = np.hypot(*np.maximum(moved, 0).T)
        drawn[n] = (gap < distance[n]).mean()
    assert ((drawn > 0.05) & (drawn < 0.95)).sum() > 60
    assert np.abs(found - drawn).max() < 0.01


def test_a_bent_trench_is_taken_as_a_whole():
    rng = np.random.default_rng(3)
    line = shapely.LineString([(0, 0), (10, 0), (14, 9), (2, 20)])
    trench = shapely.buffer(line, 0.7, cap_style="flat", join_style="mitre")
    points = np.array([[10.5, 2.5], [7.0, 6.0], [15.0, 8.0], [16.0, 10.5]])
    distance, sd = np.array([1.0, 3.0, 1.5, 2.0]), np.array([0.5, 2.0, 1.0, 0.4])
    corners, owner = split_convex(np.array([trench] * 4, dtype=object))
    assert len(corners) > 4
    found = chance_within(corners, owner, points, distance, sd)
    for n in range(4):
        moved = points[n] + rng.normal(0, sd[n], (DRAWS // 2, 2))
        drawn = (shapely.distance(trench, shapely.points(moved)) < distance[n]).mean()
        assert found[n] == pytest.approx(drawn, abs=0.01)


def test_beside_a_long_trench_only_the_error_across_counts():
    box = np.array([[[-500, 0], [500, 0], [500, 1], [-500, 1.0]]])
    # By hand: within 2 m of a trench from y = 0 to 1 is y from -2 to 3.
    found = chance_within(
        box, np.array([0]), np.array([[0, 4.0]]), np.array([2.0]), np.array([0.8])
    )
    assert found[0] == pytest.approx(norm.cdf(-1 / 0.8) - norm.cdf(-6 / 0.8), abs=1e-6)


def test_without_an_error_it_is_as_drawn_and_what_is_not_known_stays_so():
    box = np.array([[[0, 0], [4, 0], [4, 2], [0, 2.0]]] * 5)
    points = np.array([[6, 1], [6.1, 1], [1, 1], [6, 1], [6, 1.0]])
    found = chance_within(
        box,
        np.arange(5),
        points,
        np.array([2.05, 2.05, 0.5, np.nan, 2.05]),
        np.array([0, 0, 0, 0.3, np.nan]),
    )
    assert found[:3].tolist() == [1, 0, 1]
    assert np.isnan(found[3:]).all()


def normal_in_box(low, high, point, sd):
    """Probability that a point with a normal error to each side lies in a box: a product."""
    across = norm.cdf((np.asarray(high) - point) / sd) - norm.cdf((np.asarray(low) - point) / sd)
    return across.prod(axis=-1)


def slow_chance(length, width, local, distance, sd):
    """Slow oracle: lines across at every hundredth of a deviation, in the frame of the box."""
    x = np.linspace(-8, 8, 1601) * sd + local[0]
    beyond = np.maximum(np.abs(x) - length / 2, 0)
    half = width / 2 + np.sqrt(np.maximum(distance**2 - beyond**2, 0))
    mass = norm.cdf((half - local[1]) / sd) - norm.cdf((-half - local[1]) / sd)
    return np.sum(np.where(beyond < distance, mass, 0) * norm.pdf((x - local[0]) / sd)) * 0.01


@pytest.mark.parametrize("sides", [1, -1])
def test_chances_of_boxes_agree_with_lines_laid_closely(sides):
    """Boxes turned by any angle and begun at any corner; errors from 0.1 to 3 m."""
    rng = np.random.default_rng(5)
    length, width, angle, distance, _, local = draw_boxes(rng, 60)
    sd = 10 ** rng.uniform(-1, 0.5, 60)
    length = np.minimum(length, 12) if sides == 1 else width * 1.01
    local[:, 1] = width / 2 + distance + rng.normal(0, 1, 60) * sd
    local[:, 0] = rng.uniform(-1, 1, 60) * (length / 2 + distance)
    half = np.stack([length, width], axis=1) / 2
    signs = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    corners = turn_by(half[:, None] * signs, angle[:, None])
    corners = np.array([np.roll(box, n, axis=0) for n, box in enumerate(corners)])
    away = turn_by(local * [1, sides], angle)
    shift = rng.uniform(-500, 500, (60, 2))
    found = chance_within(corners + shift[:, None], np.arange(60), away + shift, distance, sd)
    values = zip(length, width, local, distance, sd, strict=True)
    expected = np.array([slow_chance(*one) for one in values])
    assert ((expected > 0.02) & (expected < 0.98)).sum() > 30
    np.testing.assert_allclose(found, expected, atol=5e-4)


def test_within_nothing_of_a_box_is_in_it():
    """Distance 0: a product of two normal probabilities, exact."""
    box = np.array([[[0, 0], [3, 0], [3, 1], [0, 1.0]]] * 4)
    points = np.array([[1.5, 0.5], [4, 2], [-0.5, 0.5], [0, 0.0]])
    sd = np.array([0.5, 1.0, 0.7, 2.0])
    found = chance_within(box, np.arange(4), points, np.zeros(4), sd)
    np.testing.assert_allclose(found, normal_in_box([0, 0], [3, 1], points, sd[:, None]), atol=1e-6)


def test_within_a_distance_of_a_speck_is_in_a_disc():
    """From its middle: P = 1 - exp(-d2 / 2 sd2), Rayleigh."""
    speck = np.array([[[0, 0], [2e-6, 0], [2e-6, 1e-6], [0, 1e-6]]] * 3)
    distance, sd = np.array([0.5, 1.0, 2.0]), np.array([0.5, 1.0, 1.0])
    found = chance_within(speck, np.arange(3), np.zeros((3, 2)), distance, sd)
    np.testing.assert_allclose(found, 1 - np.exp(-((distance / sd) ** 2) / 2), atol=2e-4)


RINGS = {
    "box": [(0, 0), (4, 0), (4, 2), (0, 2)],
    "triangle": [(0, 0), (4, 0), (0, 3), (0, 0)],
}


@pytest.mark.parametrize("name", RINGS)
@pytest.mark.parametrize("sd", [0.0, 1e-9, 1e-6])
def test_without_a_doubt_the_distance_decides(name, sd):
    """Points all round and within, their distance from the polygon by shapely."""
    ring = np.array(RINGS[name], dtype=float)
    grid = np.array([(x, y) for x in np.arange(-3.1, 7, 1.3) for y in np.arange(-3.3, 5, 1.1)])
    gap = shapely.distance(shapely.Polygon(ring), shapely.points(grid))
    corners = np.array([ring] * len(grid))
    every = np.arange(len(grid))
    shift = np.array([1000.0, -2000.0]) if sd == 0 else 0.0
    for by, expected in ((-1e-3, 0.0), (1e-3, 1.0)):
        reach = np.where(gap > 0, gap + by, 0.001)
        found = chance_within(corners + shift, every, grid + shift, reach, np.full(len(grid), sd))
        np.testing.assert_allclose(found, np.where(gap > 0, expected, 1.0), atol=1e-3)
    assert 5 < (gap == 0).sum() < len(grid) - 20


def test_parts_that_make_one_box_are_that_box():
    """A trench in three lengths, the parts in any order; and a part that is given twice."""
    cuts = [(0, 2), (5, 9), (2, 5), (2, 5)]
    parts = np.array([[[a, 0], [b, 0], [b, 1], [a, 1.0]] for a, b in cuts])
    whole = np.array([[[0, 0], [9, 0], [9, 1], [0, 1.0]]])
    points = np.array([[4.0, 3.0], [10.0, 2.0], [-1.0, 0.5], [4.5, 0.5]])
    distance, sd = np.array([2.0, 1.5, 1.0, 0.1]), np.array([0.8, 1.0, 0.5, 1.5])
    four = np.arange(4)
    found = chance_within(np.concatenate([parts] * 4), np.repeat(four, 4), points, distance, sd)
    alone = chance_within(np.concatenate([whole] * 4), four, points, distance, sd)
    np.testing.assert_allclose(found, alone, atol=1e-4)
    assert (alone > 0.02).all()


def test_what_two_parts_cover_together_counts_once_and_a_gap_between_them_does_not():
    """Distance 0, by inclusion and exclusion: boxes that overlap, lie apart, hold each other."""
    first = ([0.0, 0.0], [4.0, 1.0])
    others = [([2, -1], [3, 3]), ([6, -2], [7, 4]), ([0.5, 0.2], [3, 0.8]), ([0, 1.5], [4, 2])]
    points, sd = np.array([[2.5, 0.8]] * 4), np.array([1.2] * 4)
    corners, expected = [], []
    for low, high in others:
        for (x, y), (u, v) in (first, (low, high)):
            corners.append([[x, y], [u, y], [u, v], [x, v]])
        both = np.maximum(first[0], low), np.minimum(first[1], high)
        shared = normal_in_box(*both, points[0], 1.2) if (both[0] < both[1]).all() else 0.0
        one, two = (normal_in_box(*box, points[0], 1.2) for box in (first, (low, high)))
        expected.append(one + two - shared)
    found = chance_within(
        np.array(corners, dtype=float), np.repeat(np.arange(4), 2), points, np.zeros(4), sd
    )
    np.testing.assert_allclose(found, expected, atol=3e-3)


def test_pairs_of_one_part_and_of_several_stand_side_by_side_and_none_is_not_known():
    box = [[0, 0], [4, 0], [4, 1], [0, 1.0]]
    left, right = [[0, 0], [1, 0], [1, 1], [0, 1.0]], [[1, 0], [4, 0], [4, 1], [1, 1.0]]
    corners = np.array([box, left, right, box, right, left], dtype=float)
    found = chance_within(
        corners,
        np.array([0, 1, 1, 3, 4, 4]),
        np.array([[2, 2.0]] * 5),
        np.full(5, 1.2),
        np.full(5, 0.7),
    )
    expected = slow_chance(4, 1, np.array([0.0, 1.5]), 1.2, 0.7)
    assert np.isnan(found[2])
    np.testing.assert_allclose(found[[0, 1, 3, 4]], expected, atol=1e-3)
    none = chance_within(corners[:0], np.empty(0, int), np.empty((0, 2)), np.empty(0), np.empty(0))
    assert none.shape == (0,)


def test_what_lies_just_as_far_off_is_not_within_and_no_chance_is_above_one():
    box = np.array([[[0, 0], [4, 0], [4, 2], [0, 2.0]]] * 3)
    points = np.array([[6, 1], [7, 6], [2, -2.0]])
    found = chance_within(box, np.arange(3), points, np.array([2.0, 5.0, 2.0]), np.zeros(3))
    assert found.tolist() == [0, 0, 0]
    sd = np.geomspace(0.05, 5, 300)
    wide = np.array([[[-99, -99], [99, -99], [99, 99], [-99, 99.0]]] * 300)
    sure = chance_within(wide, np.arange(300), np.zeros((300, 2)), np.full(300, 3.0), sd)
    assert (sure <= 1).all()
    np.testing.assert_allclose(sure, 1.0, atol=1e-6)


SHAPES = {
    "box": (shapely.box(0, 0, 3, 1), 1),
    "turned": (shapely.Polygon([(0, 0), (3, 3), (2, 4), (-1, 1)]), 1),
    "clockwise": (shapely.box(0, 0, 3, 1, ccw=False), 1),
    "dart": (shapely.Polygon([(0, 0), (4, 0), (1, 1), (0, 4)]), 2),
    "triangle": (shapely.Polygon([(0, 0), (4, 0), (0, 4)]), 1),
    "bent": (shapely.Polygon([(0, 0), (4, 0), (4, 4), (3, 4), (3, 1), (0, 1)]), 4),
    "holed": (shapely.box(0, 0, 9, 9) - shapely.box(3, 3, 6, 6), 8),
    "small": (shapely.box(20, 20, 20.5, 20.5), 1),
    "flat": (shapely.Polygon([(0, 0), (1, 0), (2, 0), (0, 0)]), 0),
    "none": (None, 0),
    "empty": (shapely.Polygon(), 0),
}


@pytest.mark.parametrize("order", [1, -1])
def test_excavations_are_split_into_convex_parts_that_fill_them(order):
    names = list(SHAPES)[::order]
    shapes = np.array([SHAPES[name][0] for name in names], dtype=object)
    corners, owner = split_convex(shapes)
    assert corners.shape == (len(owner), 4, 2)
    assert np.bincount(owner, minlength=len(names)).tolist() == [SHAPES[n][1] for n in names]
    assert (np.diff(owner) >= 0).all()
    x, y = corners[..., 0], corners[..., 1]
    area = ((x * np.roll(y, -1, 1)) - (np.roll(x, -1, 1) * y)).sum(axis=1) / 2
    assert (area > 0).all(), "anticlockwise"
    total = np.bincount(owner, area, minlength=len(names))
    assert total == pytest.approx(np.nan_to_num(shapely.area(shapes)))
    assert shapely.area(shapely.convex_hull(shapely.polygons(corners))) == pytest.approx(area)
    union = [shapely.union_all(shapely.polygons(corners[owner == n])) for n in range(len(names))]
    for shape, whole in zip(shapes, union, strict=True):
        if shape is not None:
            assert whole.symmetric_difference(shape).area < 1e-9


def test_a_box_cut_in_two_triangles_is_the_box():
    """Points about its corners, where the edges that go over the lines end."""
    rng = np.random.default_rng(8)
    count = 120
    length, width = rng.uniform(2, 12, count), rng.uniform(0.5, 4, count)
    distance, sd = rng.uniform(0.2, 3, count), 10 ** rng.uniform(-1, 0, count)
    local = np.stack([length, width], axis=1) / 2 + rng.normal(0, 1, (count, 2)) * distance[:, None]
    half = np.stack([length, width], axis=1) / 2
    box = half[:, None] * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    cuts = np.where(rng.random(count)[:, None] < 0.5, [0, 1, 2, 0, 2, 3], [1, 2, 3, 1, 3, 0])
    halves = np.take_along_axis(box, cuts[:, :, None], axis=1).reshape(-1, 3, 2)
    triangles = np.concatenate([halves, halves[:, :1]], axis=1)
    found = chance_within(triangles, np.repeat(np.arange(count), 2), local, distance, sd)
    values = zip(length, width, local, distance, sd, strict=True)
    expected = np.array([slow_chance(*one) for one in values])
    assert ((expected > 0.02) & (expected < 0.98)).sum() > 50
    np.testing.assert_allclose(found, expected, atol=2e-3)


def test_what_is_certain_is_what_the_lines_would_add_up():
    """Beside a long trench, from 6.9 to 7.1 deviations inside its reach and outside it."""
    box = np.array([[[-500, 0], [500, 0], [500, 1], [-500, 1.0]]] * 4)
    away = 4.0 + np.array([-7.1, -6.9, 6.9, 7.1]) * 0.3
    points = np.stack([np.zeros(4), away], axis=1)
    found = chance_within(box, np.arange(4), points, np.full(4, 3.0), np.full(4, 0.3))
    np.testing.assert_allclose(found[:2], 1 - 2 * norm.sf(5.5), atol=1e-11)
    np.testing.assert_allclose(found[2:], 0, atol=1e-11)
    assert found[2] > found[3] == 0
