"""Other services near connections that are re-laid to a new line, whose own levels no layer tells.

A re-laid connection leaves the old pipe between its invert and its crown, and joins the new one
between its invert and its crown: each service is held against the lowest and the highest pipe that
this leaves, and against any between them.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from routekit.arrays import Floats, Ints
from routekit.layers.assumed import SERVICES
from routekit.methods.neighbours import find_neighbours
from routekit.vocabulary import MM_PER_M


def clear_relaid(
    relaid: pd.DataFrame,
    old: pd.DataFrame,
    lines: pd.DataFrame,
    services: gpd.GeoDataFrame,
    *,
    largest_service_mm: float,
) -> pd.DataFrame:
    """Measure how clear the services are of connections that are re-laid.

    Parameters
    ----------
    relaid : DataFrame, c rows
        From `routekit.site.relaid.relay_connections`: run, line, length_m, diameter_mm,
        outside_diameter_mm.
    old : DataFrame, n rows
        The runs given up: depth_up_m, depth_down_m (to invert), height_mm, geometry.
    lines : DataFrame, n rows
        New lines: the same columns, height_mm being that of the new pipe.
    services : GeoDataFrame
        As `routekit.methods.neighbours.find_neighbours` has them.
    largest_service_mm : float

    Returns
    -------
    DataFrame, c rows
        service_clear_m: clear distance to the nearest service, wherever the connection joins;
        below zero where one is in the way wherever it joins, NaN where that hangs on it or a depth
        or size is not known, infinite where none is near. n_services: services that its trench
        crosses in plan, NaN where no service is recorded at all. services.depth_m and
        services.diameter_mm: whether one that matters is assumed.

    Notes
    -----
    Clearances are those of `find_neighbours` for the lowest and the highest pipe. Where a service
    lies between the two, some pipe between them is as near to it as the two are in plan.
    """
    size = len(relaid)
    if not len(services):
        return pd.DataFrame(
            {
                "service_clear_m": np.full(size, np.nan),
                "n_services": np.full(size, np.nan),
                **{name: np.zeros(size, dtype=bool) for name in SERVICES},
            }
        )
    run = relaid["run"].to_numpy(dtype=np.int64)
    outside = relaid["outside_diameter_mm"].to_numpy(dtype=float)
    shapes = relaid["line"].to_numpy(dtype=object)
    ends = shapely.get_coordinates(shapes).reshape(-1, 2, 2)
    tables = (old.iloc[run], lines.iloc[run])
    low = [_depths_at(table, ends[:, place]) for place, table in enumerate(tables)]
    rise = [table["height_mm"].to_numpy(dtype=float) / MM_PER_M for table in tables]
    counted, pairs = [], []
    for depths in (low, [each - up for each, up in zip(low, rise, strict=True)]):
        pipes = gpd.GeoDataFrame(
            {
                "run_id": relaid["run_id"].to_numpy(dtype=object),
                "length_m": relaid["length_m"].to_numpy(dtype=float),
                "diameter_mm": relaid["diameter_mm"].to_numpy(dtype=float),
                "height_mm": relaid["diameter_mm"].to_numpy(dtype=float),
                "depth_up_m": depths[0],
                "depth_down_m": depths[1],
            },
            geometry=shapes,
            crs=services.crs,
        )
        near = find_neighbours(
            pipes, services, outside_mm=outside, largest_service_mm=largest_service_mm
        )
        counted.append(near[0])
        pairs.append(near[1])
    clear = _clear_of_both(pairs[0], pairs[1], outside, services, largest_service_mm)
    of = pairs[0]["run"].to_numpy(dtype=np.int64)
    guessed = {name: pairs[0][name].to_numpy(dtype=bool) for name in SERVICES}
    return pd.DataFrame(
        {
            "service_clear_m": _least(clear, of, size),
            "n_services": counted[0]["n_crossings"].to_numpy(dtype=float),
            **{name: np.bincount(of[flag], minlength=size) > 0 for name, flag in guessed.items()},
        }
    )


def sum_clearances(found: pd.DataFrame, run: Ints, size: int) -> pd.DataFrame:
    """Give what the connections of each line come to.

    Parameters
    ----------
    found : DataFrame, c rows
        From `clear_relaid`.
    run : numpy.ndarray of int, shape (c,)
        Line of each connection.
    size : int
        Number of lines.

    Returns
    -------
    DataFrame, n rows
        relaid_service_m (as service_clear_m; infinite where nothing is re-laid), n_relaid_assumed
        (connections at which a depth or size is assumed), services.depth_m and
        services.diameter_mm (it is at one of them).

    Examples
    --------
    >>> found = pd.DataFrame(
    ...     {"service_clear_m": [0.4, np.nan, -0.1, np.nan], **dict.fromkeys(SERVICES, False)}
    ... )
    >>> sum_clearances(found, np.array([0, 0, 1, 1]), 3)["relaid_service_m"].tolist()
    [nan, -0.1, inf]
    """
    clear = found["service_clear_m"].to_numpy(dtype=float)
    guessed = {name: found[name].to_numpy(dtype=bool) for name in SERVICES}
    assumed = np.any(list(guessed.values()), axis=0)
    return pd.DataFrame(
        {
            "relaid_service_m": _least(clear, run, size),
            "n_relaid_assumed": np.bincount(run[assumed], minlength=size),
            **{name: np.bincount(run[flag], minlength=size) > 0 for name, flag in guessed.items()},
        }
    )


def _least(clear: Floats, group: Ints, size: int) -> Floats:
    """Find the least of each group; one that is not known settles it, but where one is below zero.

    Infinite for groups without any.
    """
    least = np.full(size, np.inf)
    np.fmin.at(least, group, clear)
    unknown = np.bincount(group[np.isnan(clear)], minlength=size) > 0
    least[unknown & ~(least < 0)] = np.nan
    return least


def _clear_of_both(
    low: pd.DataFrame,
    high: pd.DataFrame,
    outside_mm: Floats,
    services: gpd.GeoDataFrame,
    largest_service_mm: float,
) -> Floats:
    """Clear distance of each pair wherever the connection joins; NaN where that is not known."""
    clear = [pairs["clearance_m"].to_numpy(dtype=float) for pairs in (low, high)]
    service = low["service"].to_numpy(dtype=np.int64)
    size = services["diameter_mm"].to_numpy(dtype=float)[service]
    axis = low["service_depth_m"].to_numpy(dtype=float) + size / MM_PER_M / 2
    lower, upper = (pairs["pipe_depth_m"].to_numpy(dtype=float) for pairs in (low, high))
    own = outside_mm[low["run"].to_numpy(dtype=np.int64)] / MM_PER_M / 2
    widest = np.where(np.isnan(size), largest_service_mm, size) / MM_PER_M / 2
    beside = low["plan_m"].to_numpy(dtype=float) - own - widest
    both = np.minimum(*clear)
    # A depth that is not known lies anywhere between.
    is_between = ~((axis < upper) | (axis > lower))
    is_met = (clear[0] < 0) & (clear[1] < 0)
    apart = np.where(is_between, np.where(beside >= 0, np.fmin(both, beside), np.nan), both)
    return np.where(is_met, both, np.where(apart < 0, np.nan, apart))


def _depths_at(sewers: pd.DataFrame, xy: Floats) -> Floats:
    """Depths to invert of sewers at the feet of points, each on its own, m."""
    lines = sewers["geometry"].to_numpy(dtype=object)
    share = shapely.line_locate_point(lines, shapely.points(xy), normalized=True)
    up, down = (sewers[f"depth_{end}_m"].to_numpy(dtype=float) for end in ("up", "down"))
    return np.asarray(up + share * (down - up))
