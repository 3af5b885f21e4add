"""How likely a point whose place is in doubt lies within a distance of an excavation.

The point scatters evenly to all sides with a normal error. Along one axis the probability is added
up by quadrature, across it has a closed form, for an excavation grown by a distance meets each line
across in one interval for every convex part.
"""

from __future__ import annotations

from functools import cache
from typing import Final

import numpy as np
import shapely

from routekit.arrays import Floats, Ints, Objects

_NODES: Final = 24
"""Lines across on which the closed form is taken, for one convex part."""
_NODES_BENT: Final = 96
"""The same for several: what they take of the lines changes abruptly at a bend."""
_REACH: Final = 5.5
"""Standard deviations beyond which nothing is added: less than 1e-7."""
_CELLS_PER_CHUNK: Final = 200_000
_RING: Final = 5
"""Coordinates of a ring of four corners."""
_ROUNDING_M: Final = 1e-6
"""By which coordinates may be off, m (house choice)."""
_LEAST_SD_M: Final = 1e-9
"""A smaller deviation is none, m: rounding of coordinates (house choice)."""


def chance_within(
    corners: Floats, owner: Ints, points: Floats, distance_m: Floats, sd_m: Floats
) -> Floats:
    """Work out how likely points lie within a distance of what is dug.

    Parameters
    ----------
    corners : numpy.ndarray of float, shape (k, 4, 2)
        Convex parts of the excavations, anticlockwise, m.
    owner : numpy.ndarray of int, shape (k,)
        Pair that each part belongs to, ascending.
    points : numpy.ndarray of float, shape (p, 2)
        Where the point of each pair is drawn, m.
    distance_m : numpy.ndarray of float, shape (p,)
        Zero or more; NaN not known.
    sd_m : numpy.ndarray of float, shape (p,)
        Standard deviation of the error to each side, m; NaN not known.

    Returns
    -------
    numpy.ndarray of float, shape (p,)
        Probabilities; NaN where distance or deviation is not known, or a pair has no part.

    Notes
    -----
    ``P = int phi(x) [Phi(top(x)) - Phi(bottom(x))] dx`` over the part grown by the distance, x
    along the longest edge of the nearest part; parts of one excavation are united on each line.
    Source: arithmetic (normal distribution), Gauss-Legendre quadrature.

    Examples
    --------
    A long trench 1 m wide beside a point 3 m from its edge, a distance of 3 m: one half.

    >>> box = np.array([[[-99, 0], [99, 0], [99, 1], [-99, 1.0]]])
    >>> one = np.array([0]), np.array([[0, 4.0]]), np.array([3.0]), np.array([0.5])
    >>> chance_within(box, *one).round(6)
    array([0.5])
    """
    found = np.full(len(points), np.nan)
    known = ~np.isnan(distance_m + sd_m)
    first = np.searchsorted(owner, np.arange(len(points) + 1))
    parts = np.diff(first)
    for is_mine, nodes in ((known & (parts == 1), _NODES), (known & (parts > 1), _NODES_BENT)):
        rows = np.flatnonzero(is_mine)
        chunk = np.cumsum(parts[rows]) * nodes // _CELLS_PER_CHUNK
        for mine in np.split(rows, np.flatnonzero(np.diff(chunk)) + 1):
            count = parts[mine]
            place = np.repeat(np.arange(len(mine)), count)
            part = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count - first[mine], count)
            seen = corners[part] - points[mine][place][:, None, :]
            if len(mine):
                found[mine] = _integrate(seen, place, distance_m[mine], sd_m[mine], nodes)
    return found


def _integrate(corners: Floats, owner: Ints, distance: Floats, sd: Floats, nodes: int) -> Floats:
    """Add up over lines across; the points are the origin."""
    gap = _measure_gaps(corners)
    nearest = np.full(len(sd), np.inf)
    np.minimum.at(nearest, owner, gap)
    turned = _turn_along(corners, owner, gap)
    low, high = np.full(len(sd), np.inf), np.full(len(sd), -np.inf)
    west, east = turned[:, :, 0].min(axis=1), turned[:, :, 0].max(axis=1)
    np.minimum.at(low, owner, west)
    np.maximum.at(high, owner, east)
    far = _REACH * np.maximum(sd, _LEAST_SD_M)
    low, high = np.maximum(low - distance, -far), np.minimum(high + distance, far)
    # Parts beside all lines meet none of them.
    reach = distance[owner] + _ROUNDING_M
    is_met = (west - reach <= high[owner]) & (east + reach >= low[owner])
    turned, owner = turned[is_met], owner[is_met]
    half = np.maximum(high - low, 0.0) / 2
    node, weight = _list_nodes(nodes)
    x = ((low + high) / 2)[:, None] + half[:, None] * node
    spread = np.maximum(sd, _LEAST_SD_M)[:, None]
    bottom, top = _slice_parts(turned, x[owner], distance[owner])
    mass = _unite(bottom / spread[owner], top / spread[owner], owner, len(sd))
    density = np.exp(-((x / spread) ** 2) / 2) / (spread * np.sqrt(2 * np.pi))
    total = (half[:, None] * weight * density * mass).sum(axis=1)
    return np.where(sd > _LEAST_SD_M, np.clip(total, 0.0, 1.0), nearest < distance)


@cache
def _list_nodes(count: int) -> tuple[Floats, Floats]:
    """List places and weights of the quadrature."""
    node, weight = np.polynomial.legendre.leggauss(count)
    return node, weight


def _measure_gaps(corners: Floats) -> Floats:
    """Measure from the origin to each part, m; 0 inside."""
    start, along = corners, np.roll(corners, -1, axis=1) - corners
    square = np.maximum((along**2).sum(axis=2), _LEAST_SD_M**2)
    share = np.clip(-(start * along).sum(axis=2) / square, 0.0, 1.0)
    foot = start + share[:, :, None] * along
    left = along[:, :, 0] * -start[:, :, 1] + along[:, :, 1] * start[:, :, 0]
    away = np.hypot(foot[:, :, 0], foot[:, :, 1]).min(axis=1)
    return np.where((left >= 0).all(axis=1), 0.0, away)


def _turn_along(corners: Floats, owner: Ints, gap: Floats) -> Floats:
    """Turn the parts of each pair so that the longest edge of the nearest one lies along x."""
    order = np.lexsort((gap, owner))
    nearest = order[np.unique(owner[order], return_index=True)[1]]
    along = np.roll(corners, -1, axis=1)[nearest] - corners[nearest]
    length = np.hypot(along[:, :, 0], along[:, :, 1])
    row = np.arange(len(nearest))
    longest = length.argmax(axis=1)
    unit = along[row, longest] / length[row, longest][:, None]
    cos, sin = unit[owner, 0][:, None], unit[owner, 1][:, None]
    x, y = corners[:, :, 0], corners[:, :, 1]
    return np.stack([cos * x + sin * y, cos * y - sin * x], axis=2)


def _slice_parts(corners: Floats, x: Floats, distance: Floats) -> tuple[Floats, Floats]:
    """Find between which y each part, grown by a distance, meets lines across; empty: top below."""
    reach = distance[:, None]
    bottom, top = np.full(x.shape, np.inf), np.full(x.shape, -np.inf)
    following = np.roll(corners, -1, axis=1)
    # Corner by corner: the arrays stay within the processor's own memory.
    for corner in range(corners.shape[1]):
        start, along = corners[:, corner], following[:, corner] - corners[:, corner]
        if not along.any():
            # The last of a triangle's corners is its first once more.
            continue
        off = x - start[:, :1]
        inside = np.abs(off) <= reach
        rise = np.sqrt(np.maximum(reach**2 - off**2, 0.0))
        np.maximum(top, start[:, 1:] + rise, out=top, where=inside)
        np.minimum(bottom, start[:, 1:] - rise, out=bottom, where=inside)
        length = np.maximum(np.hypot(along[:, 0], along[:, 1]), _LEAST_SD_M)[:, None]
        edge = start + np.stack([along[:, 1], -along[:, 0]], axis=1) / length * reach
        run = along[:, :1]
        share = (x - edge[:, :1]) / np.where(run == 0, np.inf, run)
        met = (run != 0) & (share >= 0) & (share <= 1)
        y = edge[:, 1:] + share * along[:, 1:]
        np.maximum(top, y, out=top, where=met)
        np.minimum(bottom, y, out=bottom, where=met)
    return bottom, top


def _unite(bottom: Floats, top: Floats, owner: Ints, size: int) -> Floats:
    """Probability of the intervals of each pair together, on every line."""
    from scipy.special import ndtr  # noqa: PLC0415 - slow to import

    count = np.bincount(owner, minlength=size)
    total = np.zeros((size, bottom.shape[1]))
    for several in np.unique(count[count > 0]):
        mine = np.flatnonzero(count[owner] == several)
        shape = (-1, several, bottom.shape[1])
        low, high = (one[mine].reshape(shape).swapaxes(0, 1) for one in (bottom, top))
        order = np.argsort(low, axis=0, kind="stable")
        low, high = np.take_along_axis(low, order, 0), np.take_along_axis(high, order, 0)
        reached, added = np.full(low.shape[1:], -np.inf), np.zeros(low.shape[1:])
        for start, end in zip(low, high, strict=True):
            added += np.maximum(ndtr(end) - ndtr(np.maximum(start, reached)), 0.0)
            np.maximum(reached, end, out=reached)
        total[count == several] = added
    return total


def split_convex(polygons: Objects) -> tuple[Floats, Ints]:
    """Split excavations into convex parts of four corners.

    Parameters
    ----------
    polygons : numpy.ndarray of shapely Polygon, shape (n,)
        None and empty ones have no parts.

    Returns
    -------
    corners : numpy.ndarray of float, shape (k, 4, 2)
        Anticlockwise, m; a triangle's last corner is its first.
    owner : numpy.ndarray of int, shape (k,)
        Position in `polygons`, ascending.
    """
    shapes = shapely.orient_polygons(np.asarray(polygons, dtype=object), exterior_cw=False)
    filled = shapely.area(shapes) > 0
    boxes = filled & (shapely.get_num_coordinates(shapes) == _RING)
    boxes &= shapely.area(shapely.convex_hull(shapes)) <= shapely.area(shapes) * (1 + 1e-9)
    whole = np.flatnonzero(boxes)
    ring = shapely.get_coordinates(shapes[whole]).reshape(-1, _RING, 2)[:, :4]
    others = np.flatnonzero(filled & ~boxes)
    pieces, place = shapely.get_parts(
        shapely.constrained_delaunay_triangles(shapes[others]), return_index=True
    )
    pieces = shapely.orient_polygons(pieces, exterior_cw=False)
    triangle = shapely.get_coordinates(pieces).reshape(-1, 4, 2)
    owner = np.concatenate([whole, others[place]])
    order = np.argsort(owner, kind="stable")
    return np.concatenate([ring, triangle])[order], owner[order]
