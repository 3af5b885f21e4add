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
_CERTAIN: Final = 7.0
"""Standard deviations to an edge from which it is certain: less than 1e-10 lies beyond."""
_CELLS_PER_CHUNK: Final = 40_000
"""So many stay in the processor's own memory."""
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
    """Add up over lines across where it is in doubt; the points are the origin."""
    from scipy.special import ndtr  # noqa: PLC0415 - slow to import

    gap = _measure_gaps(corners)
    nearest = np.full(len(sd), np.inf)
    np.minimum.at(nearest, owner, gap)
    # What lies within reach is all that the lines across add up.
    most = np.where(sd > _LEAST_SD_M, 1.0 - 2.0 * ndtr(-_REACH), 1.0)
    is_open = (sd > _LEAST_SD_M) & (np.abs(nearest - distance) <= _CERTAIN * sd)
    found = np.where(nearest < distance, most, 0.0)
    mine, place = is_open[owner], np.cumsum(is_open) - 1
    found[is_open] = _add_up(
        _turn_along(corners[mine], place[owner[mine]], gap[mine]),
        place[owner[mine]],
        distance[is_open],
        sd[is_open],
        nodes,
    )
    return found


def _add_up(turned: Floats, owner: Ints, distance: Floats, sd: Floats, nodes: int) -> Floats:
    """Add up over lines across the long edge of the nearest part, which lies along x."""
    low, high = np.full(len(sd), np.inf), np.full(len(sd), -np.inf)
    west, east = turned[:, :, 0].min(axis=1), turned[:, :, 0].max(axis=1)
    np.minimum.at(low, owner, west)
    np.maximum.at(high, owner, east)
    far = _REACH * sd
    low, high = np.maximum(low - distance, -far), np.minimum(high + distance, far)
    # Parts beside all lines meet none of them.
    reach = distance[owner] + _ROUNDING_M
    is_met = (west - reach <= high[owner]) & (east + reach >= low[owner])
    turned, owner = turned[is_met], owner[is_met]
    half = np.maximum(high - low, 0.0) / 2
    node, weight = _list_nodes(nodes)
    x = ((low + high) / 2)[:, None] + half[:, None] * node
    spread = sd[:, None]
    bottom, top = _slice_parts(turned, x[owner], distance[owner])
    mass = _unite(bottom / spread[owner], top / spread[owner], owner, len(sd))
    density = np.exp(-((x / spread) ** 2) / 2) / (spread * np.sqrt(2 * np.pi))
    total = (half[:, None] * weight * density * mass).sum(axis=1)
    return np.asarray(np.clip(total, 0.0, 1.0))


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
    along = np.roll(corners, -1, axis=1) - corners
    length = np.maximum(np.hypot(along[:, :, 0], along[:, :, 1]), _LEAST_SD_M)[:, :, None]
    outward = np.stack([along[:, :, 1], -along[:, :, 0]], axis=2) / length
    edge = corners + outward * distance[:, None, None]
    ends = np.sort(np.stack([edge, edge + along], axis=2)[:, :, :, 0], axis=2)
    spans = (ends[:, :, 0] <= x[:, :1]) & (ends[:, :, 1] >= x[:, -1:])
    over, under = spans & (along[:, :, 0] < 0), spans & (along[:, :, 0] > 0)
    # Where one edge goes over all lines and one under them, no other reaches further.
    is_plain = over.any(axis=1) & under.any(axis=1)
    plain, bent = np.flatnonzero(is_plain), np.flatnonzero(~is_plain)
    bottom, top = np.empty(x.shape), np.empty(x.shape)
    for y, side in ((bottom, under), (top, over)):
        one = side[plain].argmax(axis=1)
        y[plain] = _follow(edge[plain, one], along[plain, one], x[plain])[0]
    bottom[bent], top[bent] = _slice_bent(
        corners[bent], edge[bent], along[bent], x[bent], distance[bent, None]
    )
    return bottom, top


def _follow(edge: Floats, along: Floats, x: Floats) -> tuple[Floats, Floats]:
    """Find the y of lines through edges, and which share of the edge lies before each x."""
    run = along[:, :1]
    share = (x - edge[:, :1]) / np.where(run == 0, np.nan, run)
    return edge[:, 1:] + share * along[:, 1:], share


def _slice_bent(
    corners: Floats, edge: Floats, along: Floats, x: Floats, reach: Floats
) -> tuple[Floats, Floats]:
    """Do the same by the circle round each corner and each edge moved out, as far as these go."""
    bottom, top = np.full(x.shape, np.inf), np.full(x.shape, -np.inf)
    # Corner by corner: the arrays stay within the processor's own memory.
    for corner in range(corners.shape[1]):
        if not along[:, corner].any():
            # The last of a triangle's corners is its first once more.
            continue
        start = corners[:, corner]
        with np.errstate(invalid="ignore"):
            rise = np.sqrt(reach**2 - (x - start[:, :1]) ** 2)
        np.fmax(top, start[:, 1:] + rise, out=top)
        np.fmin(bottom, start[:, 1:] - rise, out=bottom)
        y, share = _follow(edge[:, corner], along[:, corner], x)
        y[(share < 0) | (share > 1)] = np.nan
        np.fmax(top, y, out=top)
        np.fmin(bottom, y, out=bottom)
    return bottom, top


def _unite(bottom: Floats, top: Floats, owner: Ints, size: int) -> Floats:
    """Probability of the intervals of each pair together, on every line."""
    from scipy.special import ndtr  # noqa: PLC0415 - slow to import

    is_met = bottom <= top
    low, high = np.where(is_met, bottom, np.inf), np.where(is_met, top, np.inf)
    count = np.bincount(owner, minlength=size)
    total = np.zeros((size, bottom.shape[1]))
    for several in np.unique(count[count > 0]):
        mine = np.flatnonzero(count[owner] == several)
        shape = (-1, several, bottom.shape[1])
        # Each by size: between the same ends lies the same, whichever belong together.
        begin, end = (_sort_parts(one[mine].reshape(shape)) for one in (low, high))
        mass = ndtr(end[-1]) - ndtr(begin[0])
        for before, after in zip(end[:-1], begin[1:], strict=True):
            gap = np.nonzero(after > before)
            mass[gap] -= ndtr(after[gap]) - ndtr(before[gap])
        total[count == several] = mass
    return total


def _sort_parts(values: Floats) -> Floats:
    """Sort by the middle axis, and put it first: neighbours change places, few as they are."""
    rows = np.ascontiguousarray(values.swapaxes(0, 1))
    for turn in range(len(rows)):
        last = turn % 2 + 2 * ((len(rows) - turn % 2) // 2)
        one, other = rows[turn % 2 : last : 2], rows[turn % 2 + 1 : last : 2]
        one[:], other[:] = np.minimum(one, other), np.maximum(one, other)
    return rows


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
