"""Share of each trench under each kind of surface."""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike

from routekit.geometry.plane import line_edges, polygon_edges
from routekit.geometry.strips import strip_overlap
from routekit.vocabulary import SURFACE_KINDS

KINDS: Final = (*SURFACE_KINDS, "unknown")
"""Surface kinds of the totals; `unknown` is where no surface is mapped."""

_LEAST_SHARE: Final = 1e-9
"""Shares below this are rounding of the geometry: a square millimetre of a trench of 1,000 m2."""


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
    up to more than the trench, they are scaled down to 1. A share within rounding of nothing is
    nothing.
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
    # Summed up in the order of the layer, whatever else the study holds.
    order = np.lexsort((surface, place))
    place, surface = place[order], surface[order]
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
    shares[shares < _LEAST_SHARE] = 0.0
    return pd.DataFrame(shares, columns=list(KINDS), index=index)
