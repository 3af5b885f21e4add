"""Lines along which the names of streets are written: the runs of a street joined end to end."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

_BEND_M = 1.0
"""Bends smaller than this do not turn a name."""
_JOIN_DECIMALS = 2
"""Ends of runs meet where their coordinates agree to the centimetre."""


def join_streets(runs: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Join the runs of each street into lines as long as can be.

    Parameters
    ----------
    runs : geopandas.GeoDataFrame
        street (missing where not known), lines.

    Returns
    -------
    geopandas.GeoDataFrame
        street, lines; by street, the longest line first; runs of no known street are left out.
    """
    is_named = runs["street"].notna().to_numpy(bool) & ~runs.geometry.is_empty.to_numpy()
    is_named &= runs.geometry.notna().to_numpy()
    code, names = pd.factorize(runs["street"].to_numpy(object)[is_named], sort=True)
    order = np.argsort(code, kind="stable")
    lines = np.asarray(runs.geometry, dtype=object)[is_named][order]
    lines = shapely.transform(lines, lambda xy: np.round(xy, _JOIN_DECIMALS))
    if not len(lines):
        nothing = gpd.GeoSeries([], crs=runs.crs)
        return gpd.GeoDataFrame({"street": pd.Series([], dtype="str")}, geometry=nothing)
    parts, owner = shapely.get_parts(lines, return_index=True)
    joined = shapely.line_merge(shapely.multilinestrings(parts, indices=code[order][owner]))
    pieces, street = shapely.get_parts(joined, return_index=True)
    rank = np.lexsort((-shapely.length(pieces), street))
    thinned = shapely.simplify(pieces[rank], _BEND_M)
    return gpd.GeoDataFrame(
        {"street": np.asarray(names, dtype=object)[street[rank]]}, geometry=thinned, crs=runs.crs
    )
