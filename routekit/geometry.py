"""Exact plane geometry on whole arrays: circles against polygons, chainages along lines.

A polygon (or a line) is handed to the kernels as a flat table of its edges, so that one call
works on all pairs of a district at once. Coordinates are (easting, northing) in metres, chainages
run from the first point of a line, and every interval of chainage is closed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from routekit.arrays import Floats, Ints

_CELLS_PER_CHUNK = 4_000_000


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
        edge = np.arange(count.sum()) - np.repeat(before, count) + np.repeat(
            self.first[shape], count
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


def _cross(a: Floats, b: Floats) -> Floats:
    """Cross product of plane vectors in the last axis."""
    return np.asarray(a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0], dtype=np.float64)


def _turn(a: Floats, b: Floats) -> Floats:
    """Signed angle from one plane vector to another, radians."""
    return np.asarray(np.arctan2(_cross(a, b), np.sum(a * b, axis=-1)), dtype=np.float64)


def _clip_to_circle(a: Floats, b: Floats, radius: Floats) -> tuple[Floats, Floats]:
    """Parameters at which edges enter and leave circles round the origin, both in 0..1."""
    along = b - a
    square = np.sum(along * along, axis=1)
    half = np.sum(a * along, axis=1)
    root = half**2 - square * (np.sum(a * a, axis=1) - radius**2)
    inside = (root > 0) & (square > 0)
    reach = np.sqrt(np.where(inside, root, 0.0))
    safe = np.where(square > 0, square, 1.0)
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
    enter, leave = _clip_to_circle(a, b, span)
    along = b - a
    first, last = a + enter[:, None] * along, a + leave[:, None] * along
    area = 0.5 * (span**2 * (_turn(a, first) + _turn(last, b)) + _cross(first, last))
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
    square = np.sum(along * along, axis=1)
    share = np.clip(-np.sum(a * along, axis=1) / np.where(square > 0, square, 1), 0, 1)
    near = np.hypot(*(a + share[:, None] * along).T)
    distance = np.full(len(polygon), np.inf)
    np.minimum.at(distance, owner, near)
    winding = np.bincount(owner, _turn(a, b), minlength=len(polygon))
    return distance, (np.abs(winding) > np.pi) | (distance < 1e-9)


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
    enter, leave = _clip_to_circle(a, b, reach[disc])
    along = b - a
    last, first = a + enter[:, None] * along, a + leave[:, None] * along
    facing = (leave > enter) & (_cross(first, last) > 1e-12)
    return _sum_shadows(first[facing], last[facing], disc[facing], reach)

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
    enter, leave = _clip_to_circle(a, b, span[disc])
    along = b - a
    first, last = a + leave[:, None] * along, a + enter[:, None] * along
    facing = (leave > enter) & (_cross(first, last) > 1e-9)
    first, last, disc = first[facing], last[facing], disc[facing]
    length = np.hypot(*(last - first).T)
    # The image of an edge scaled by f lies f times as far off, so this f clears the reach.
    scale = (1.01 * span[disc] * length / _cross(first, last))[:, None]
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
        reach[disc[lone]] ** 2 * _turn(first[lone], last[lone]) - _cross(first[lone], last[lone])
    )
    begin = np.concatenate(([0], np.cumsum(count)))[:-1]
    for size in np.unique(count[count > 1]):
        discs = np.flatnonzero(count == size)
        rows = begin[discs][:, None] + np.arange(size)
        cells = (2 * size + size * (size - 1) // 2) * size
        parts = 1 + len(discs) * cells // _CELLS_PER_CHUNK
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
    slope = _cross(u, v)
    safe = np.where(np.abs(slope) > 1e-12, slope, 1.0)
    share = _cross(q - p, v) / safe
    other = _cross(q - p, u) / safe
    meets = (np.abs(slope) > 1e-12) & (share > 0) & (share < 1) & (other > 0) & (other < 1)
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
    seen = (_cross(near, ray) >= 0) & (_cross(ray, far) >= 0)
    along = far - near
    slope = _cross(ray, along)
    crossed = seen & (slope != 0)
    hit = np.where(crossed, _cross(near, along) / np.where(slope != 0, slope, 1), np.inf)
    edge = np.argmin(hit, axis=2)
    met = np.isfinite(np.take_along_axis(hit, edge[..., None], axis=2)[..., 0])
    pick = np.arange(len(first))[:, None]
    base, way = first[pick, edge], (last - first)[pick, edge]
    triangle = _cross(_ray_point(base, way, angle), _ray_point(base, way, until))
    piece = 0.5 * (reach[:, None] ** 2 * (until - angle) - triangle)
    return np.asarray(np.sum(np.where(met, piece, 0.0), axis=1))


def _ray_point(base: Floats, way: Floats, angle: Floats) -> Floats:
    """Where rays from the origin meet the lines base + s * way."""
    ray = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    slope = _cross(ray, way)
    distance = _cross(base, way) / np.where(slope != 0, slope, 1.0)
    return np.asarray(ray * distance[..., None])


def edge_chainage(edges: Edges) -> Floats:
    """Chainage at the start of each edge from the first point of its line, m.

    Parameters
    ----------
    edges : Edges
        From `line_edges`.

    Returns
    -------
    numpy.ndarray of float, shape (m,)
    """
    length = np.hypot(*(edges.end - edges.start).T)
    before = np.concatenate(([0.0], np.cumsum(length)))
    owner = np.repeat(np.arange(len(edges.first) - 1), np.diff(edges.first))
    return np.asarray(before[:-1] - before[edges.first[:-1]][owner])


def strip_chainage(
    centre: ArrayLike, radius: ArrayLike, edges: Edges, line: Ints, half_width: ArrayLike
) -> tuple[Floats, Floats]:
    """Find the chainages between which a strip along a line lies in a circle.

    Parameters
    ----------
    centre : array_like of float, shape (p, 2)
        Circle centres, m.
    radius : array_like of float, shape (p,)
        Circle radii, m.
    edges : Edges
        From `line_edges`.
    line : numpy.ndarray of int, shape (p,)
        Line of each circle.
    half_width : array_like of float, shape (p,)
        Half the width of the strip, m.

    Returns
    -------
    from_m, to_m : numpy.ndarray of float, shape (p,)
        First and last chainage of the strip in the circle, m; NaN where they do not meet.

    Notes
    -----
    At the foot of the perpendicular, d from the centre, the strip comes as near as
    max(0, d - half width); half the chord there is sqrt(R2 - that2). Source: plane geometry.
    """
    middle = np.asarray(centre, dtype=float)
    reach = np.asarray(radius, dtype=float)
    half = np.asarray(half_width, dtype=float)
    start, end, owner, edge = edges.take(line)
    along = end - start
    length = np.hypot(*along.T)
    unit = along / np.where(length > 0, length, 1)[:, None]
    to_centre = middle[owner] - start
    foot = np.sum(to_centre * unit, axis=1)
    beside = np.maximum(np.abs(_cross(unit, to_centre)) - half[owner], 0)
    chord = np.sqrt(np.maximum(reach[owner] ** 2 - beside**2, 0))
    low, high = np.maximum(foot - chord, 0), np.minimum(foot + chord, length)
    meets = (beside < reach[owner]) & (low <= high)
    offset = edge_chainage(edges)[edge]
    from_m, to_m = np.full(len(line), np.inf), np.full(len(line), -np.inf)
    np.minimum.at(from_m, owner[meets], (offset + low)[meets])
    np.maximum.at(to_m, owner[meets], (offset + high)[meets])
    found = from_m <= to_m
    return np.where(found, from_m, np.nan), np.where(found, to_m, np.nan)


def line_parts(lines: ArrayLike, from_m: ArrayLike, to_m: ArrayLike) -> NDArray[np.object_]:
    """Cut the stretch between two chainages out of each line.

    Parameters
    ----------
    lines : array_like of shapely LineString, shape (n,)
    from_m, to_m : array_like of float, shape (n,)
        Chainages, m, from the first point of each line.

    Returns
    -------
    numpy.ndarray of shapely LineString, shape (n,)
        Lines of at least two points; a stretch of no length is a line of two equal points.
    """
    shapes = np.asarray(lines, dtype=object)
    low, high = np.asarray(from_m, dtype=float), np.asarray(to_m, dtype=float)
    coords, owner = shapely.get_coordinates(shapes, return_index=True)
    step = np.hypot(*np.diff(coords, axis=0, prepend=coords[:1]).T)
    total = np.cumsum(step)
    first = np.searchsorted(owner, np.arange(len(shapes)))
    chainage = total - total[first][owner]
    inner = (chainage > low[owner]) & (chainage < high[owner])
    points = [
        shapely.get_coordinates(shapely.line_interpolate_point(shapes, low)),
        coords[inner],
        shapely.get_coordinates(shapely.line_interpolate_point(shapes, high)),
    ]
    every = np.arange(len(shapes))
    index = np.concatenate([every, owner[inner], every])
    rank = np.concatenate([low, chainage[inner], high])
    order = np.lexsort((rank, index))
    # Stable ends: the low end comes first and the high end last even where chainages tie.
    return np.asarray(shapely.linestrings(np.concatenate(points)[order], indices=index[order]))
