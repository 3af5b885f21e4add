"""How deep small excavations go, what room a person in them needs, and what is dug."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike

from routekit.arrays import Floats, Ints, Objects, as_floats, take_numbers
from routekit.site.settings import DigSettings


def side_with_room(depth_m: ArrayLike, side_m: ArrayLike, settings: DigSettings) -> Floats:
    """Find the side of a square dig in which a person stands: larger where it is supported.

    Parameters
    ----------
    depth_m : array_like of float, shape (n,)
        Depth of the dig, m; NaN not known, and then as if it were deep.
    side_m : array_like of float, shape (n,)
        Side that the work itself asks for, m; 0 for the least side.
    settings : DigSettings

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Side of the ground that is opened, m.

    Notes
    -----
    Down to `support_from_m` the side itself; deeper, no less than `person_side_m` clear, and the
    support on both sides. Source: DIN 4124 (unsupported to 1.25 m), EN 1610 Table 2 (room).
    """
    depth, side = as_floats(depth_m, side_m)
    with_support = np.maximum(side, settings.person_side_m) + 2 * settings.shoring_m
    return np.where(depth <= settings.support_from_m, side, with_support)


def depth_at(points: Objects, runs: gpd.GeoDataFrame, row: Ints, below_invert_m: float) -> Floats:
    """Find how deep a dig at a point on or beside a run goes, m.

    Parameters
    ----------
    points : numpy.ndarray of shapely Point, shape (d,)
    runs : geopandas.GeoDataFrame
        depth_up_m and depth_down_m (to invert), geometry.
    row : numpy.ndarray of int, shape (d,)
        Run of each point; -1 for none.
    below_invert_m : float
        How far a dig goes below the invert of its run, m.

    Returns
    -------
    numpy.ndarray of float, shape (d,)
        NaN where the run or its depth is not known. The invert falls evenly between the ends.
    """
    place = np.maximum(row, 0)
    lines = runs["geometry"].to_numpy(dtype=object)[place]
    share = shapely.line_locate_point(lines, points) / shapely.length(lines)
    up, down = (
        np.where(row >= 0, take_numbers(runs, name)[place], np.nan)
        for name in ("depth_up_m", "depth_down_m")
    )
    return np.asarray(up + (down - up) * share + below_invert_m)


def judge_room(digs: pd.DataFrame, run: Ints, size: int, settings: DigSettings) -> pd.DataFrame:
    """Tell of each run how large its tightest dig is, and what a person in it needs.

    Parameters
    ----------
    digs : DataFrame, d rows
        footprint_m2 of squares, depth_m.
    run : numpy.ndarray of int, shape (d,)
        Run of each dig.
    size : int
        Number of runs n.
    settings : DigSettings

    Returns
    -------
    DataFrame, n rows
        side_m and room_m of the dig with the least to spare; infinite and 0 where nothing is dug.
    """
    opened = digs["footprint_m2"].to_numpy(dtype=float) > 0
    # To the micrometre: a square that is drawn loses more than that of its side.
    side = np.round(np.sqrt(digs["footprint_m2"].to_numpy(dtype=float)[opened]), 6)
    room = side_with_room(digs["depth_m"].to_numpy(dtype=float)[opened], 0.0, settings)
    room = np.round(room, 6)
    owner = run[opened]
    order = np.lexsort((side - room, owner))
    first = order[np.unique(owner[order], return_index=True)[1]]
    found = pd.DataFrame({"side_m": np.full(size, np.inf), "room_m": np.zeros(size)})
    found.loc[owner[first], "side_m"] = side[first]
    found.loc[owner[first], "room_m"] = room[first]
    return found


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
    found = depth_at(shapely.centroid(shapes), runs, np.asarray(row), below_invert_m)
    area = digs["footprint_m2"].to_numpy(dtype=float)
    depth = np.where(area > 0, found, 0.0)
    measured = digs.assign(depth_m=depth, volume_m3=area * depth)
    names = [name for name in measured.columns if name != "geometry"]
    return gpd.GeoDataFrame(measured[[*names, "geometry"]], geometry="geometry", crs=digs.crs)
