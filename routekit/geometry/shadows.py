"""What lies in or behind trenches as seen from a stem: the roots that they would cut off.

Roots are taken to run radially, so a zone loses what a trench covers and all that stands behind
it. Exact for circular zones; polygons are drawn for the others. Coordinates are (easting,
northing) in metres.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from routekit.arrays import Floats, Ints
from routekit.geometry.plane import Edges, clip_to_circle, cross, turn

_CELLS_PER_CHUNK: Final = 4_000_000

_FACING_M2: Final = 1e-12
"""An edge whose triangle with the stem is no larger than half of this lies along the line of sight
and casts no shadow, m2: rounding of products (house choice)."""

_FACING_POLYGON_M2: Final = 1e-9
"""The same where the shadow is drawn, as a polygon; below that its sides would coincide, m2 (house
choice)."""

_PARALLEL_M2: Final = 1e-12
"""Edges whose cross product is no larger than this are parallel and do not cross, m2: rounding of
products (house choice)."""


def shadow_area(
    centre: ArrayLike, radius: ArrayLike, edges: Edges, circle: Ints, polygon: Ints
) -> Floats:
    """Calculate the part of each circle that lies in or behind polygons, seen from its centre.

    A point counts when the straight line to it from the centre meets a polygon: roots are taken
    to run radially, so what stands behind a trench is cut off by it. For one long straight trench
    this is the circular segment beyond its near wall. Several polygons may stand before one centre;
    what two of them hide is counted once.

    Parameters
    ----------
    centre : array_like of float, shape (n, 2)
        Circle centres, m; none may lie inside a polygon that is laid over it.
    radius : array_like of float, shape (n,)
        Circle radii, m.
    edges : Edges
        From `polygon_edges`.
    circle, polygon : numpy.ndarray of int, shape (p,)
        Pairs of circle and polygon.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Areas in or behind the polygons, m2; 0 where no polygon reaches into the circle.

    Notes
    -----
    In polar coordinates round the centre the area is the integral of (R2 - rho(theta)2) / 2 over
    the angles at which an edge is met, rho being the nearest edge. Between the angles of edge ends
    and crossings the nearest edge stays the same and the integral is a sector less a triangle.
    Source: plane geometry.
    """
    middle = np.asarray(centre, dtype=float)
    reach = np.asarray(radius, dtype=float)
    start, end, owner, _ = edges.take(polygon)
    disc = np.asarray(circle)[owner]
    a, b = start - middle[disc], end - middle[disc]
    enter, leave = clip_to_circle(a, b, reach[disc])
    along = b - a
    last, first = a + enter[:, None] * along, a + leave[:, None] * along
    facing = (leave > enter) & (cross(first, last) > _FACING_M2)
    return _sum_shadows(first[facing], last[facing], disc[facing], reach)


def edge_shadow(start: Floats, end: Floats, radius: Floats) -> Floats:
    """Calculate what single edges hide of circles round the origin, from whichever side.

    What lies in or behind a polygon is no less than what lies behind any one of its edges.

    Parameters
    ----------
    start, end : numpy.ndarray of float, shape (p, 2)
        Ends of the edges, m, as seen from the centre.
    radius : numpy.ndarray of float, shape (p,)

    Returns
    -------
    numpy.ndarray of float, shape (p,)
        Areas, m2; 0 where an edge stays outside the circle.

    Examples
    --------
    A long edge 1 m off hides a segment of a circle of 2 m:

    >>> edge_shadow(np.array([[-9, 1.0]]), np.array([[9, 1.0]]), np.array([2.0])).round(4)
    array([2.4567])
    """
    enter, leave = clip_to_circle(start, end, radius)
    along = end - start
    first, last = start + enter[:, None] * along, start + leave[:, None] * along
    hidden = 0.5 * np.abs(radius**2 * turn(first, last) - cross(first, last))
    return np.where(leave > enter, hidden, 0.0)


def shadow_polygons(
    centre: ArrayLike, reach: ArrayLike, edges: Edges, circle: Ints, polygon: Ints
) -> NDArray[np.object_]:
    """Draw what lies in or behind polygons as seen from a point, out to a reach.

    The polygon counterpart of `shadow_area`, for zones that are not circles.

    Parameters
    ----------
    centre : array_like of float, shape (n, 2)
        Points, m; none may lie inside a polygon that is laid over it.
    reach : array_like of float, shape (n,)
        Distance out to which the shadow is complete, m.
    edges : Edges
        From `polygon_edges`.
    circle, polygon : numpy.ndarray of int, shape (p,)
        Pairs of point and polygon.

    Returns
    -------
    numpy.ndarray of shapely geometry, shape (n,)
        Unions of the quadrilaterals between each facing edge and its image beyond the reach;
        empty where no polygon comes within reach.
    """
    middle, span = np.asarray(centre, dtype=float), np.asarray(reach, dtype=float)
    start, end, owner, _ = edges.take(polygon)
    disc = np.asarray(circle)[owner]
    a, b = start - middle[disc], end - middle[disc]
    enter, leave = clip_to_circle(a, b, span[disc])
    along = b - a
    first, last = a + leave[:, None] * along, a + enter[:, None] * along
    facing = (leave > enter) & (cross(first, last) > _FACING_POLYGON_M2)
    first, last, disc = first[facing], last[facing], disc[facing]
    length = np.hypot(*(last - first).T)
    # The image of an edge scaled by f lies f times as far off, so this f clears the reach.
    scale = (1.01 * span[disc] * length / cross(first, last))[:, None]
    quads = shapely.polygons(
        np.stack([first, last, last * scale, first * scale], axis=1) + middle[disc][:, None]
    )
    return _union_groups(quads, disc, len(middle))


def _union_groups(shapes: NDArray[np.object_], group: Ints, size: int) -> NDArray[np.object_]:
    """Unite shapes by group; groups without shapes are empty polygons."""
    order = np.argsort(group, kind="stable")
    shapes, group = shapes[order], group[order]
    count = np.bincount(group, minlength=size)
    begin = np.concatenate(([0], np.cumsum(count)))[:-1]
    union = np.full(size, shapely.Polygon(), dtype=object)
    some = np.flatnonzero(count)
    if len(some):
        wide = int(count.max())
        mine = np.arange(wide) < count[some][:, None]
        slot = np.where(mine, begin[some][:, None] + np.arange(wide), 0)
        stack = shapes[slot]
        stack[~mine] = None
        union[some] = shapely.union_all(stack, axis=1)
    return union


def _sum_shadows(first: Floats, last: Floats, disc: Ints, reach: Floats) -> Floats:
    """Add the shadows of facing edges; circles with one edge go the short way."""
    order = np.argsort(disc, kind="stable")
    first, last, disc = first[order], last[order], disc[order]
    count = np.bincount(disc, minlength=len(reach))
    area = np.zeros(len(reach))
    lone = count[disc] == 1
    area[disc[lone]] = 0.5 * (
        reach[disc[lone]] ** 2 * turn(first[lone], last[lone]) - cross(first[lone], last[lone])
    )
    begin = np.concatenate(([0], np.cumsum(count)))[:-1]
    for size in np.unique(count[count > 1]):
        discs = np.flatnonzero(count == size)
        rows = begin[discs][:, None] + np.arange(size)
        # Some size2 / 2 ends and crossings, at each of which every edge is looked at.
        parts = 1 + len(discs) * size**3 // _CELLS_PER_CHUNK
        for part in np.array_split(np.arange(len(discs)), parts):
            area[discs[part]] = _envelope_shadow(
                first[rows[part]], last[rows[part]], reach[discs[part]]
            )
    return np.maximum(area, 0.0)


def _crossing_angles(first: Floats, last: Floats) -> Floats:
    """Angles at which the edges of one circle cross each other; edge ends where they do not."""
    left, right = np.triu_indices(first.shape[1], k=1)
    p, q = first[:, left], first[:, right]
    u, v = last[:, left] - p, last[:, right] - q
    slope = cross(u, v)
    safe = np.where(np.abs(slope) > _PARALLEL_M2, slope, 1.0)
    share = cross(q - p, v) / safe
    other = cross(q - p, u) / safe
    meets = (np.abs(slope) > _PARALLEL_M2) & (share > 0) & (share < 1) & (other > 0) & (other < 1)
    point = np.where(meets[..., None], p + share[..., None] * u, p)
    return np.arctan2(point[..., 1], point[..., 0])


def _envelope_shadow(first: Floats, last: Floats, reach: Floats) -> Floats:
    """Shadow of several edges per circle, shapes (p, m, 2) and (p,)."""
    ends = np.concatenate([first, last], axis=1)
    angle = np.sort(
        np.concatenate(
            [np.arctan2(ends[..., 1], ends[..., 0]), _crossing_angles(first, last)], axis=1
        ),
        axis=1,
    )
    until = np.concatenate([angle[:, 1:], angle[:, :1] + 2 * np.pi], axis=1)
    centre = 0.5 * (angle + until)
    ray = np.stack([np.cos(centre), np.sin(centre)], axis=-1)[:, :, None, :]
    near, far = first[:, None], last[:, None]
    seen = (cross(near, ray) >= 0) & (cross(ray, far) >= 0)
    along = far - near
    slope = cross(ray, along)
    crossed = seen & (slope != 0)
    hit = np.where(crossed, cross(near, along) / np.where(slope != 0, slope, 1), np.inf)
    edge = np.argmin(hit, axis=2)
    met = np.isfinite(np.take_along_axis(hit, edge[..., None], axis=2)[..., 0])
    pick = np.arange(len(first))[:, None]
    base, way = first[pick, edge], (last - first)[pick, edge]
    triangle = cross(_ray_point(base, way, angle), _ray_point(base, way, until))
    piece = 0.5 * (reach[:, None] ** 2 * (until - angle) - triangle)
    return np.asarray(np.sum(np.where(met, piece, 0.0), axis=1))


def _ray_point(base: Floats, way: Floats, angle: Floats) -> Floats:
    """Where rays from the origin meet the lines base + s * way."""
    ray = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    slope = cross(ray, way)
    distance = cross(base, way) / np.where(slope != 0, slope, 1.0)
    return np.asarray(ray * distance[..., None])
