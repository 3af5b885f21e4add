"""Exact plane geometry on whole arrays: polygons and lines as edges, circles against polygons.

A polygon (or a line) is handed to the kernels as a flat table of its edges, so that one call
works on all pairs of a district at once. Coordinates are (easting, northing) in metres, chainages
run from the first point of a line, and every interval of chainage is closed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from routekit.arrays import Floats, Ints

AREA_DIMENSION: Final = 2
"""What `shapely.get_dimensions` gives for areas; 0 for points, 1 for lines."""

ON_EDGE_M: Final = 1e-9
"""A point this near to an edge lies on it, m: rounding of coordinates in a projected CRS, far below
any survey (house choice)."""


@dataclass(frozen=True)
class Edges:
    """Edges of many polygons or lines, one after the other.

    Attributes
    ----------
    start, end : numpy.ndarray of float, shape (m, 2)
        End points of each edge, m.
    first : numpy.ndarray of int, shape (n + 1,)
        Edges of shape `i` are `first[i]` up to, not including, `first[i + 1]`.
    """

    start: Floats
    end: Floats
    first: Ints

    def take(self, shape: Ints) -> tuple[Floats, Floats, Ints, Ints]:
        """Repeat the edges of the shapes asked for.

        Parameters
        ----------
        shape : numpy.ndarray of int, shape (p,)
            Positions of shapes; each may come more than once.

        Returns
        -------
        start, end : numpy.ndarray of float, shape (k, 2)
        owner : numpy.ndarray of int, shape (k,)
            Position in `shape` that each edge belongs to.
        edge : numpy.ndarray of int, shape (k,)
            Position of each edge in this table.
        """
        count = self.first[shape + 1] - self.first[shape]
        owner = np.repeat(np.arange(len(shape)), count)
        before = np.concatenate(([0], np.cumsum(count)))[:-1]
        edge = (
            np.arange(count.sum()) - np.repeat(before, count) + np.repeat(self.first[shape], count)
        )
        return self.start[edge], self.end[edge], owner, edge


def _edges_of(coords: Floats, owner: Ints, breaks: Ints, size: int) -> Edges:
    """Join consecutive points unless a new part starts between them."""
    joined = breaks[1:] == breaks[:-1]
    shape = owner[:-1][joined]
    first = np.searchsorted(shape, np.arange(size + 1))
    return Edges(coords[:-1][joined], coords[1:][joined], first)


def polygon_edges(polygons: ArrayLike) -> Edges:
    """List the edges of polygons, exterior rings anticlockwise and holes clockwise.

    Parameters
    ----------
    polygons : array_like of shapely geometry, shape (n,)
        Polygons or multipolygons; None and empty ones have no edges.

    Returns
    -------
    Edges
        In the order of the input.
    """
    shapes = shapely.orient_polygons(np.asarray(polygons, dtype=object), exterior_cw=False)
    parts, part_owner = shapely.get_parts(shapes, return_index=True)
    rings, ring_part = shapely.get_rings(parts, return_index=True)
    coords, ring = shapely.get_coordinates(rings, return_index=True)
    owner = part_owner[ring_part][ring] if len(rings) else np.empty(0, dtype=np.int64)
    return _edges_of(coords, owner, ring, len(shapes))


def line_edges(lines: ArrayLike) -> Edges:
    """List the segments of lines in drawing order.

    Parameters
    ----------
    lines : array_like of shapely LineString, shape (n,)

    Returns
    -------
    Edges
        In the order of the input.
    """
    shapes = np.asarray(lines, dtype=object)
    coords, owner = shapely.get_coordinates(shapes, return_index=True)
    return _edges_of(coords, owner, owner, len(shapes))


def cross(a: Floats, b: Floats) -> Floats:
    """Calculate cross products of plane vectors.

    Parameters
    ----------
    a, b : numpy.ndarray of float, shape (..., 2)

    Returns
    -------
    numpy.ndarray of float, shape (...)
    """
    return np.asarray(a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0], dtype=np.float64)


def dot(a: Floats, b: Floats) -> Floats:
    """Calculate dot products of plane vectors.

    Parameters
    ----------
    a, b : numpy.ndarray of float, shape (..., 2)

    Returns
    -------
    numpy.ndarray of float, shape (...)
    """
    return np.asarray(a[..., 0] * b[..., 0] + a[..., 1] * b[..., 1], dtype=np.float64)


def turn(a: Floats, b: Floats) -> Floats:
    """Measure the signed angle from one plane vector to another, radians.

    Parameters
    ----------
    a, b : numpy.ndarray of float, shape (..., 2)

    Returns
    -------
    numpy.ndarray of float, shape (...)
        Anticlockwise is positive.
    """
    return np.asarray(np.arctan2(cross(a, b), dot(a, b)), dtype=np.float64)


def clip_to_circle(a: Floats, b: Floats, radius: Floats) -> tuple[Floats, Floats]:
    """Find where edges enter and leave circles round the origin.

    Parameters
    ----------
    a, b : numpy.ndarray of float, shape (p, 2)
        Ends of the edges, m, as seen from the centre.
    radius : numpy.ndarray of float, shape (p,)

    Returns
    -------
    enter, leave : numpy.ndarray of float, shape (p,)
        Shares of the edge from a to b, both in 0..1; equal where it stays outside.
    """
    along = b - a
    square = dot(along, along)
    half = dot(a, along)
    root = half**2 - square * (dot(a, a) - radius**2)
    # Of an edge of no length nothing lies inside: its root is nothing.
    inside = root > 0
    reach = np.sqrt(np.where(inside, root, 0.0))
    safe = np.where(inside, square, 1.0)
    enter = np.where(inside, np.clip((-half - reach) / safe, 0, 1), 0.0)
    leave = np.where(inside, np.clip((-half + reach) / safe, 0, 1), 0.0)
    return enter, leave


def circle_polygon_area(
    centre: ArrayLike, radius: ArrayLike, edges: Edges, polygon: Ints
) -> Floats:
    """Calculate the area that circles and polygons share, exactly.

    Parameters
    ----------
    centre : array_like of float, shape (p, 2)
        Circle centres, m.
    radius : array_like of float, shape (p,)
        Circle radii, m.
    edges : Edges
        From `polygon_edges`.
    polygon : numpy.ndarray of int, shape (p,)
        Polygon that each circle is laid over.

    Returns
    -------
    numpy.ndarray of float, shape (p,)
        Shared areas, m2.

    Notes
    -----
    Each edge adds the signed area that the circle shares with the triangle of the edge and the
    circle's centre: sectors where the edge runs outside, a triangle where it runs inside.
    Source: plane geometry.

    Examples
    --------
    >>> square = polygon_edges([shapely.box(0, 0, 10, 10)])
    >>> circle_polygon_area([[0, 0]], [2], square, np.array([0])).round(6)
    array([3.141593])
    """
    middle = np.asarray(centre, dtype=float)
    reach = np.asarray(radius, dtype=float)
    start, end, owner, _ = edges.take(polygon)
    a, b = start - middle[owner], end - middle[owner]
    span = reach[owner]
    enter, leave = clip_to_circle(a, b, span)
    along = b - a
    first, last = a + enter[:, None] * along, a + leave[:, None] * along
    area = 0.5 * (span**2 * (turn(a, first) + turn(last, b)) + cross(first, last))
    return np.maximum(np.bincount(owner, area, minlength=len(polygon)), 0.0)


def polygon_distance(
    centre: ArrayLike, edges: Edges, polygon: Ints
) -> tuple[Floats, NDArray[np.bool_]]:
    """Measure how far points lie from polygons and whether they lie within.

    Parameters
    ----------
    centre : array_like of float, shape (p, 2)
        Points, m.
    edges : Edges
        From `polygon_edges`.
    polygon : numpy.ndarray of int, shape (p,)
        Polygon of each point.

    Returns
    -------
    distance : numpy.ndarray of float, shape (p,)
        To the nearest edge, m; also for points within.
    within : numpy.ndarray of bool, shape (p,)
        Whether the point lies inside the polygon or on its edge.
    """
    middle = np.asarray(centre, dtype=float)
    start, end, owner, _ = edges.take(polygon)
    a, b = start - middle[owner], end - middle[owner]
    along = b - a
    square = dot(along, along)
    share = np.clip(-dot(a, along) / np.where(square > 0, square, 1), 0, 1)
    near = np.hypot(*(a + share[:, None] * along).T)
    distance = np.full(len(polygon), np.inf)
    np.minimum.at(distance, owner, near)
    winding = np.bincount(owner, turn(a, b), minlength=len(polygon))
    return distance, (np.abs(winding) > np.pi) | (distance < ON_EDGE_M)
