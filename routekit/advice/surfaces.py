"""Share of each trench under each kind of surface."""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike

from routekit.geometry import Edges, Floats, Ints, line_edges, polygon_edges
from routekit.vocabulary import SURFACE_KINDS

KINDS: Final = (*SURFACE_KINDS, "unknown")
"""Surface kinds of the totals; `unknown` is where no surface is mapped."""

_EDGES_PER_CHUNK: Final = 2_000_000


def surface_shares(
    lines: ArrayLike,
    width_m: ArrayLike,
    surfaces: gpd.GeoDataFrame,
    *,
    index: pd.Index | None = None,
) -> pd.DataFrame:
    """Find the share of each trench under each kind of surface.

    Parameters
    ----------
    lines : array_like of shapely LineString, shape (n,)
        Runs in the CRS of `surfaces`; None where there is none.
    width_m : array_like of float, shape (n,)
        Width of each trench in m; NaN or zero where it is not known.
    surfaces : geopandas.GeoDataFrame
        Polygons with a column `kind`. A kind outside the vocabulary counts as unknown.
    index : pandas.Index, optional
        Index of the result; 0..n-1 if not given.

    Returns
    -------
    pandas.DataFrame
        One row for each run, one column of shares for each kind of `KINDS`, adding up to 1;
        NaN where line or width is not known.

    Notes
    -----
    Area of overlap over area of the trench, both summed over straight stretches; what stretches
    share or lack at a corner is left as it is. Where surface polygons overlap each other and add
    up to more than the trench, they are scaled down to 1.
    """
    shapes, width = np.asarray(lines, dtype=object), np.asarray(width_m, dtype=np.float64)
    segments = line_edges(shapes)
    run = np.repeat(np.arange(len(shapes)), np.diff(segments.first))
    stretch = np.flatnonzero(width[run] > 0)
    run, half = run[stretch], width[run[stretch]] / 2
    start, end = segments.start[stretch], segments.end[stretch]
    polygons = np.asarray(surfaces.geometry, dtype=object)
    reach = np.stack([half, half], axis=1)
    box = shapely.box(*(np.minimum(start, end) - reach).T, *(np.maximum(start, end) + reach).T)
    place, surface = shapely.STRtree(polygons).query(box)
    overlap = strip_overlap(start, end, half, polygon_edges(polygons), place, surface)
    column = pd.Index(KINDS).get_indexer(pd.Index(surfaces["kind"], dtype=object))
    column = np.where(column < 0, len(KINDS) - 1, column)
    size = (len(shapes), len(KINDS))
    cell = run[place] * len(KINDS) + column[surface]
    covered = np.bincount(cell, overlap, minlength=size[0] * size[1]).reshape(size)
    area = np.bincount(run, np.hypot(*(end - start).T) * 2 * half, minlength=len(shapes))
    shares = covered / np.where(area > 0, area, np.nan)[:, np.newaxis]
    total = shares.sum(axis=1)
    shares /= np.maximum(total, 1.0)[:, np.newaxis]
    shares[:, -1] += np.maximum(1.0 - total, 0.0)
    return pd.DataFrame(shares, columns=list(KINDS), index=index)


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
    flat = np.abs(high - low) < 1e-9
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
