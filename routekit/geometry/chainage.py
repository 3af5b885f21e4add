"""Distances along lines, from the first point of each: where a strip meets circles, and parts.

Every interval of chainage is closed. Coordinates are (easting, northing) in metres.
"""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from routekit.arrays import Floats, Ints, accumulate_each
from routekit.geometry.plane import Edges, cross


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
    rank = np.arange(len(length)) - np.repeat(edges.first[:-1], np.diff(edges.first))
    before = np.concatenate([[0.0], accumulate_each(length, rank)[:-1]])[: len(length)]
    return np.asarray(np.where(rank > 0, before, 0.0))


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
    beside = np.maximum(np.abs(cross(unit, to_centre)) - half[owner], 0)
    chord = np.sqrt(np.maximum(reach[owner] ** 2 - beside**2, 0))
    low, high = np.maximum(foot - chord, 0), np.minimum(foot + chord, length)
    # The edges on both sides of a point that is given twice speak for it.
    meets = (length > 0) & (beside < reach[owner]) & (low <= high)
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
    rank = np.arange(len(owner)) - np.searchsorted(owner, owner)
    chainage = accumulate_each(np.where(rank > 0, step, 0.0), rank)
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
