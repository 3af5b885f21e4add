"""Exact areas that straight strips share with polygons, on whole arrays.

A strip is a rectangle given by the axis along its middle and half its width: a stretch of trench,
or a pit. Coordinates are (easting, northing) in metres.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from routekit.arrays import Floats, Ints
from routekit.geometry.plane import Edges

_EDGES_PER_CHUNK: Final = 200_000

_LEVEL_M: Final = 1e-9
"""An edge that rises no more than this across the strip is level, m: else its mean height would be
a quotient of roundings (house choice)."""


def strip_overlap(
    start: Floats, end: Floats, half_width_m: Floats, edges: Edges, strip: Ints, polygon: Ints
) -> Floats:
    """Calculate the area that straight strips and polygons share, exactly.

    Parameters
    ----------
    start, end : numpy.ndarray of float, shape (n, 2)
        Ends of the axis of each strip, m.
    half_width_m : numpy.ndarray of float, shape (n,)
        Half the width of each strip, m.
    edges : Edges
        From `polygon_edges`.
    strip, polygon : numpy.ndarray of int, shape (p,)
        Pairs of strip and polygon.

    Returns
    -------
    numpy.ndarray of float, shape (p,)
        Shared areas, m2.

    Notes
    -----
    With x along the strip and y across it, the area is the sum over the polygon's edges of the
    integral of y, held within the half width, over the edge's part of the strip's length:
    edges run against x on the far side and with x on the near side. Source: plane geometry.

    Examples
    --------
    >>> import shapely
    >>> from routekit.geometry.plane import polygon_edges
    >>> square = polygon_edges([shapely.box(0, 0, 10, 10)])
    >>> axis = np.array([[5.0, 0.0]]), np.array([[25.0, 0.0]])
    >>> strip_overlap(*axis, np.array([2.0]), square, np.array([0]), np.array([0]))
    array([10.])
    """
    count = np.cumsum(np.diff(edges.first)[polygon])
    cuts = np.flatnonzero(np.diff(count // _EDGES_PER_CHUNK)) + 1
    parts = [
        _strip_overlap(start[s], end[s], half_width_m[s], edges, p)
        for s, p in zip(np.split(strip, cuts), np.split(polygon, cuts), strict=True)
    ]
    return np.concatenate(parts)


def _strip_overlap(
    start: Floats, end: Floats, half_width_m: Floats, edges: Edges, polygon: Ints
) -> Floats:
    """Shared area of each strip with its polygon, shape (p,)."""
    first, last, owner, _ = edges.take(polygon)
    along = end - start
    length = np.hypot(*along.T)
    unit = (along / np.where(length > 0, length, 1.0)[:, np.newaxis])[owner]
    reach, half = length[owner], half_width_m[owner]
    x0, y0 = _turn_into(first - start[owner], unit)
    x1, y1 = _turn_into(last - start[owner], unit)
    rise = (y1 - y0) / np.where(x1 != x0, x1 - x0, 1.0)
    left, right = np.clip(x0, 0.0, reach), np.clip(x1, 0.0, reach)
    low, high = y0 + rise * (left - x0), y0 + rise * (right - x0)
    flat = np.abs(high - low) < _LEVEL_M
    mean = np.where(
        flat,
        np.clip((low + high) / 2, -half, half),
        (_held_integral(high, half) - _held_integral(low, half)) / np.where(flat, 1.0, high - low),
    )
    area = -np.bincount(owner, mean * (right - left), minlength=len(polygon))
    return np.maximum(area, 0.0)


def _turn_into(points: Floats, unit: Floats) -> tuple[Floats, Floats]:
    """Turn points into the frame of a strip: along and across its axis."""
    x = points[:, 0] * unit[:, 0] + points[:, 1] * unit[:, 1]
    return x, points[:, 1] * unit[:, 0] - points[:, 0] * unit[:, 1]


def _held_integral(y: Floats, half: Floats) -> Floats:
    """Integral of y from 0, y being held within -half..half."""
    inner = np.clip(y, -half, half)
    return np.asarray(inner**2 / 2 + half * (np.abs(y) - np.abs(inner)))
