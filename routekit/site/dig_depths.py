"""How deep small excavations go, and what is dug."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely


def deepen_digs(
    digs: gpd.GeoDataFrame, runs: gpd.GeoDataFrame, *, below_invert_m: float
) -> gpd.GeoDataFrame:
    """Tell how deep each small excavation on a run goes.

    Parameters
    ----------
    digs : geopandas.GeoDataFrame
        With columns `routekit.site.dig_tables.DIG_COLUMNS`.
    runs : geopandas.GeoDataFrame
        run_id (unique), depth_up_m and depth_down_m (to invert), geometry.
    below_invert_m : float
        How far a dig goes below the invert of its run, m.

    Returns
    -------
    geopandas.GeoDataFrame
        The digs with depth_m and volume_m3 (in the ground) before the geometry. Both are 0 where
        nothing is dug (robots), NaN where the run or its depth is not known.

    Notes
    -----
    The invert falls evenly between the ends of a run; the dig is as deep as at its middle, with
    upright walls. Source: geometry.
    """
    shapes = digs["geometry"].to_numpy(dtype=object)
    row = pd.Index(runs["run_id"]).get_indexer(pd.Index(digs["run_id"].astype(str)))
    lines = runs["geometry"].to_numpy(dtype=object)[np.maximum(row, 0)]
    share = shapely.line_locate_point(lines, shapely.centroid(shapes)) / shapely.length(lines)
    up, down = (
        np.where(row >= 0, runs[name].to_numpy(dtype=float)[np.maximum(row, 0)], np.nan)
        for name in ("depth_up_m", "depth_down_m")
    )
    area = digs["footprint_m2"].to_numpy(dtype=float)
    depth = np.where(area > 0, up + (down - up) * share + below_invert_m, 0.0)
    measured = digs.assign(depth_m=depth, volume_m3=area * depth)
    names = [name for name in measured.columns if name != "geometry"]
    return gpd.GeoDataFrame(measured[[*names, "geometry"]], geometry="geometry", crs=digs.crs)
