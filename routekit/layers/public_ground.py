"""Which trees stand on public ground: residents are shown these, and no others."""

from __future__ import annotations

import geopandas as gpd
import numpy as np

from routekit.arrays import Flags, Ints
from routekit.settings.public_page import PublicSettings
from routekit.vocabulary import SURFACE_KINDS


def find_public_trees(
    trees: gpd.GeoDataFrame,
    runs: gpd.GeoDataFrame,
    surfaces: gpd.GeoDataFrame,
    settings: PublicSettings,
) -> Flags:
    """Tell which trees stand on public ground, as far as the data, surfaces and sewers tell.

    Parameters
    ----------
    trees : geopandas.GeoDataFrame, n rows
        is_private (a tree known to stand in a private garden is never shown), geometry.
    runs : geopandas.GeoDataFrame
        geometry.
    surfaces : geopandas.GeoDataFrame
        kind, geometry; surfaces of an unknown kind do not count.
    settings : PublicSettings
        tree_reach_m, public_edge_m, unmapped_reach_m.

    Returns
    -------
    numpy.ndarray of bool, shape (n,)
        Trees in or at a surface; where none lies near, those close to a run.

    Examples
    --------
    A tree in a street without drawn surfaces, and one known to stand in a garden:

    >>> from shapely import LineString
    >>> trees = gpd.GeoDataFrame(
    ...     {"is_private": [None, True]}, geometry=gpd.points_from_xy([0.0, 1.0], [4.0, 4.0])
    ... )
    >>> runs = gpd.GeoDataFrame(geometry=[LineString([(0, 0), (50, 0)])])
    >>> none = gpd.GeoDataFrame({"kind": []}, geometry=[])
    >>> find_public_trees(trees, runs, none, PublicSettings()).tolist()
    [True, False]
    """
    known = surfaces[surfaces["kind"].astype(object).isin(SURFACE_KINDS).to_numpy()]
    is_public = np.zeros(len(trees), dtype=bool)
    is_public[_find_within(trees, known, settings.public_edge_m)] = True
    # Each question is asked only of the trees that the one before leaves open.
    rest = np.flatnonzero(~is_public)
    rest = np.delete(rest, _find_within(trees.iloc[rest], known, settings.tree_reach_m))
    is_public[rest[_find_within(trees.iloc[rest], runs, settings.unmapped_reach_m)]] = True
    is_private = trees["is_private"].astype("boolean").to_numpy(dtype=bool, na_value=False)
    return np.asarray(is_public & ~is_private)


def _find_within(trees: gpd.GeoDataFrame, shapes: gpd.GeoDataFrame, reach_m: float) -> Ints:
    """List the rows of the trees that have a shape no farther away than the reach."""
    if trees.empty or shapes.empty:
        return np.empty(0, dtype=np.int64)
    found, _ = shapes.sindex.query(trees.geometry.to_numpy(), predicate="dwithin", distance=reach_m)
    return np.unique(found)
