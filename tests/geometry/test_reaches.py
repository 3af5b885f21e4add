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
