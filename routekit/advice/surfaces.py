"""Share of each trench under each kind of surface."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike

from routekit.vocabulary import SURFACE_KINDS

KINDS = (*SURFACE_KINDS, "unknown")
"""Surface kinds of the totals; `unknown` is where no surface is mapped."""


def surface_shares(
    corridors: ArrayLike, surfaces: gpd.GeoDataFrame, *, index: pd.Index | None = None
) -> pd.DataFrame:
    """Find the share of each corridor under each kind of surface.

    Parameters
    ----------
    corridors : array_like of shapely polygon, shape (n,)
        Trench corridors in the CRS of `surfaces`; None where the width is not known.
    surfaces : geopandas.GeoDataFrame
        Polygons with a column `kind`. A kind outside the vocabulary counts as unknown.
    index : pandas.Index, optional
        Index of the result; 0..n-1 if not given.

    Returns
    -------
    pandas.DataFrame
        One row for each corridor, one column of shares for each kind of `KINDS`, adding up to
        1; NaN where there is no corridor or it has no area.

    Notes
    -----
    Share is the area of the overlap over the area of the corridor. Where surface polygons
    overlap each other and add up to more than the corridor, they are scaled down to 1.
    """
    shapes = np.asarray(corridors, dtype=object)
    area = shapely.area(shapes)
    kinds = surfaces["kind"].to_numpy(dtype=object)
    column = pd.Index(KINDS).get_indexer(pd.Index(kinds, dtype=object))
    column = np.where(column < 0, len(KINDS) - 1, column)
    polygons = np.asarray(surfaces.geometry, dtype=object)
    run, surface = shapely.STRtree(polygons).query(shapes, predicate="intersects")
    overlap = shapely.area(shapely.intersection(shapes[run], polygons[surface]))
    cell = run * len(KINDS) + column[surface]
    covered = np.bincount(cell, overlap, minlength=len(shapes) * len(KINDS))
    covered = covered.reshape(len(shapes), len(KINDS))
    known = area > 0
    shares = covered / np.where(known, area, np.nan)[:, np.newaxis]
    total = shares.sum(axis=1)
    shares /= np.maximum(total, 1.0)[:, np.newaxis]
    shares[:, -1] += np.maximum(1.0 - total, 0.0)
    return pd.DataFrame(shares, columns=list(KINDS), index=index)
