"""Rectangles along axes: pits, squares of digs and strips, as arrays of corners."""

from __future__ import annotations

import numpy as np
import shapely

from routekit.arrays import Floats, Ints, Objects
from routekit.geometry.plane import Edges


def sum_by(owner: Ints, value: Floats, size: int) -> Floats:
    """Add values up by owner.

    Parameters
    ----------
    owner : numpy.ndarray of int, shape (p,)
        Positions below `size`.
    value : numpy.ndarray of float, shape (p,)
    size : int

    Returns
    -------
    numpy.ndarray of float, shape (size,)
    """
    return np.asarray(np.bincount(owner, weights=value, minlength=size), dtype=np.float64)


def rectangle_corners(
    origin: Floats, axis: Floats, from_m: Floats, to_m: Floats, width_m: Floats
) -> Floats:
    """Place rectangles along axes.

    Parameters
    ----------
    origin : numpy.ndarray of float, shape (n, 2)
        Points on the axes, m.
    axis : numpy.ndarray of float, shape (n, 2)
        Unit vectors.
    from_m, to_m : numpy.ndarray of float, shape (n,)
        Where the rectangles start and end along the axes from the origins, m.
    width_m : numpy.ndarray of float, shape (n,)
        Widths across the axes, m.

    Returns
    -------
    numpy.ndarray of float, shape (n, 4, 2)
        Corners, anticlockwise.
    """
    across = np.stack([-axis[:, 1], axis[:, 0]], axis=1)
    along = np.stack([from_m, to_m, to_m, from_m], axis=1)
    beside = 0.5 * np.stack([-width_m, -width_m, width_m, width_m], axis=1)
    return np.asarray(
        origin[:, None] + along[..., None] * axis[:, None] + beside[..., None] * across[:, None]
    )


def rectangle_edges(corners: Floats) -> Edges:
    """List the edges of rectangles for the circle kernels.

    Parameters
    ----------
    corners : numpy.ndarray of float, shape (n, 4, 2)
        From `rectangle_corners`.

    Returns
    -------
    Edges
    """
    following = np.roll(corners, -1, axis=1)
    first = np.arange(0, 4 * len(corners) + 1, 4)
    return Edges(corners.reshape(-1, 2), following.reshape(-1, 2), first)


def rectangle_polygons(corners: Floats) -> Objects:
    """Draw rectangles.

    Parameters
    ----------
    corners : numpy.ndarray of float, shape (n, 4, 2)
        From `rectangle_corners`.

    Returns
    -------
    numpy.ndarray of shapely Polygon, shape (n,)
    """
    rings = np.concatenate([corners, corners[:, :1]], axis=1).reshape(-1, 2)
    every = np.arange(len(corners) + 1)
    return np.asarray(
        shapely.from_ragged_array(shapely.GeometryType.POLYGON, rings, (5 * every, every))
    )
