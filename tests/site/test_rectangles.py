"""Rectangles along axes: corners, edges and polygons of one another."""

import numpy as np
import pytest
import shapely

from routekit.geometry.plane import polygon_edges
from routekit.site.rectangles import (
    rectangle_corners,
    rectangle_edges,
    rectangle_polygons,
    sum_by,
)


def two():
    """From 2 m behind (10, 20) to 3 m before it, 4 m wide; and northwards from (0, 0)."""
    return rectangle_corners(
        np.array([[10.0, 20.0], [0.0, 0.0]]),
        np.array([[1.0, 0.0], [0.0, 1.0]]),
        np.array([-2.0, 1.0]),
        np.array([3.0, 5.0]),
        np.array([4.0, 2.0]),
    )


def test_corners_run_anticlockwise_from_the_right_hand_start():
    assert two().tolist() == [
        [[8, 18], [13, 18], [13, 22], [8, 22]],
        [[1, 1], [1, 5], [-1, 5], [-1, 1]],
    ]


@pytest.mark.parametrize("count", [0, 1, 2])
def test_edges_and_polygons_are_those_of_the_corners(count):
    corners = two()[:count]
    drawn = rectangle_polygons(corners)
    assert len(drawn) == count
    assert shapely.area(drawn).tolist() == [20.0, 8.0][:count]
    edges, expected = rectangle_edges(corners), polygon_edges(drawn)
    assert edges.first.tolist() == expected.first.tolist() == [0, 4, 8][: count + 1]
    assert edges.start.tolist() == expected.start.tolist()
    assert edges.end.tolist() == expected.end.tolist()


def test_amounts_add_up_by_owner():
    assert sum_by(np.array([2, 0, 2]), np.array([1.0, 0.5, 2.0]), 4).tolist() == [0.5, 0, 3.0, 0]
