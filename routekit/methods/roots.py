"""Which trees stand near a root finding: an association, never a proof."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from routekit.methods.observations import match_codes

_COLUMNS = {
    "run_id": str,
    "chainage_m": float,
    "tree_id": str,
    "species": str,
    "distance_m": float,
    "is_in_zone": bool,
    "root_share": float,
}


def link_roots(
    runs: gpd.GeoDataFrame,
    inspections: pd.DataFrame,
    trees: gpd.GeoDataFrame,
    zones: gpd.GeoDataFrame,
    *,
    radius_m: float,
) -> pd.DataFrame:
    """List the trees near each root observation.

    Parameters
    ----------
    runs : GeoDataFrame
        Runs; chainages count from the first point of each line.
    inspections : DataFrame
        Observations; see `routekit.methods.observations.match_codes`.
    trees, zones : GeoDataFrame
        Trees and their zones, in one order.
    radius_m : float
        Association radius, m.

    Returns
    -------
    pandas.DataFrame
        One row per root observation and tree within the radius: run_id, chainage_m, tree_id,
        species, distance_m (to the stem), is_in_zone (the finding lies in the tree's protection
        zone), root_share; sorted by run, chainage, distance. Observations without a chainage are
        left out.

    Raises
    ------
    KeyError
        If a table lacks a column that is named above.
    """
    matched = match_codes(inspections)
    place = pd.Index(runs["run_id"]).get_indexer(pd.Index(matched["run_id"].astype(str)))
    chainage = pd.to_numeric(matched["chainage_m"], errors="coerce").to_numpy(dtype=float)
    keep = (matched["feature"] == "root_share").to_numpy() & (place >= 0) & ~np.isnan(chainage)
    if not keep.any() or trees.empty:
        return pd.DataFrame({name: pd.Series(dtype=kind) for name, kind in _COLUMNS.items()})
    points = shapely.line_interpolate_point(np.asarray(runs.geometry)[place[keep]], chainage[keep])
    stems = np.asarray(trees.geometry)
    found, tree = shapely.STRtree(stems).query(points, predicate="dwithin", distance=radius_m)
    distance = shapely.distance(points[found], stems[tree])
    radius = zones["radius_m"].to_numpy()[tree]
    polygon = np.asarray(zones["zone"])[tree]
    inside = np.where(
        np.isfinite(radius), distance <= radius, shapely.intersects(polygon, points[found])
    )
    table = pd.DataFrame(
        {
            "run_id": runs["run_id"].to_numpy()[place[keep]][found],
            "chainage_m": chainage[keep][found],
            "tree_id": trees["tree_id"].to_numpy()[tree],
            "species": trees["species"].to_numpy()[tree],
            "distance_m": distance,
            "is_in_zone": inside.astype(bool),
            "root_share": matched["amount"].to_numpy(dtype=float)[keep][found],
        }
    )
    order = ["run_id", "chainage_m", "distance_m", "tree_id"]
    return table.sort_values(order, kind="stable", ignore_index=True)
