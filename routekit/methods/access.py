"""How plant and liners get to a run: the way to its manholes, and the size of their chambers."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from routekit.arrays import Flags, Floats, take_numbers
from routekit.layers.assumed import KIND, is_assumed

_ENDS = ("from_manhole", "to_manhole")


def measure_access(
    runs: gpd.GeoDataFrame, surfaces: gpd.GeoDataFrame, kinds: tuple[str, ...]
) -> pd.DataFrame:
    """Measure how far plant is from its place: at each run, the farther of its two manholes.

    Parameters
    ----------
    runs : GeoDataFrame, n rows
        LineStrings; their ends stand for the manholes, at which pits lie as well.
    surfaces : GeoDataFrame
        Polygons with kind, and assumed (blank where the kind was recorded).
    kinds : tuple of str
        Kinds of surface on which plant can stand.

    Returns
    -------
    DataFrame, n rows
        Distance in m to the nearest surface of these kinds (access_m), that is or may be of these
        kinds (least_access_m), and of any kind (mapped_m). NaN where none is mapped at all.

    Notes
    -----
    Plane distances from the end points. Source: geometry.
    """
    is_guess = is_assumed(surfaces["assumed"], (KIND,))
    fits = surfaces["kind"].isin(kinds).to_numpy(dtype=bool)
    access = _farther_end(runs, surfaces[fits & ~is_guess])
    least = _farther_end(runs, surfaces[fits | is_guess]) if is_guess.any() else access
    return pd.DataFrame(
        {
            "access_m": access,
            "least_access_m": least,
            "mapped_m": _farther_end(runs, surfaces),
        }
    )


def _farther_end(runs: gpd.GeoDataFrame, surfaces: gpd.GeoDataFrame) -> Floats:
    """Distance of the farther end of each run from the nearest surface, m; NaN where none is."""
    if not len(surfaces):
        return np.full(len(runs), np.nan)
    lines = np.asarray(runs.geometry)
    ends = np.concatenate([shapely.get_point(lines, 0), shapely.get_point(lines, -1)])
    # Most manholes are the end of several runs.
    xy = shapely.get_x(ends) + 1j * shapely.get_y(ends)
    _, place, first = np.unique(xy, return_index=True, return_inverse=True)
    tree = shapely.STRtree(np.asarray(surfaces.geometry))
    distance = np.full(len(place), np.nan)
    (row, _), near = tree.query_nearest(ends[place], return_distance=True, all_matches=False)
    distance[row] = near
    return np.asarray(np.maximum(*np.split(distance[first], 2)))


def measure_chambers(runs: pd.DataFrame, manholes: pd.DataFrame) -> tuple[Floats, Flags]:
    """Find the smaller of the two chambers of each run.

    Parameters
    ----------
    runs : DataFrame, n rows
        from_manhole, to_manhole.
    manholes : DataFrame
        manhole_id, chamber_length_mm, chamber_width_mm.

    Returns
    -------
    chamber_mm : numpy.ndarray of float, shape (n,)
        Least clear size of those that are known, mm; of a chamber with one size given, that one.
        NaN where neither is known.
    is_known : numpy.ndarray of bool, shape (n,)
        Whether both are known.
    """
    sizes = [take_numbers(manholes, f"chamber_{side}_mm") for side in ("length", "width")]
    of_manhole = np.append(np.fmin(*sizes), np.nan)
    index = pd.Index(manholes["manhole_id"])
    up, down = (of_manhole[index.get_indexer(pd.Index(runs[end]))] for end in _ENDS)
    return np.fmin(up, down), np.isfinite(up) & np.isfinite(down)
