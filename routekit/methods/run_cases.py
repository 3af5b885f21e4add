"""The case of each run: everything that the checks look at, side by side.

One row per run in the order of the runs. NaN means not known. The columns come from earlier stages;
nothing is decided here.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from routekit.arrays import Floats
from routekit.geometry.plane import line_edges
from routekit.vocabulary import MM_PER_M

_STRAIGHTEN_M = 0.2


def bend_within(lines: gpd.GeoSeries) -> tuple[Floats, Floats]:
    """Measure the sharpest bend inside each line, and the sum of all of them.

    Parameters
    ----------
    lines : GeoSeries of LineString, shape (n,)

    Returns
    -------
    sharpest, total : numpy.ndarray of float, shape (n,)
        Largest change of direction at a vertex, and the sum of all changes, degrees; 0 for straight
        lines. Wobbles of the drawing below 0.2 m are straightened first.
    """
    simple = shapely.simplify(np.asarray(lines), _STRAIGHTEN_M)
    edges = line_edges(simple)
    heading = np.arctan2(*(edges.end - edges.start).T[::-1])
    owner = np.repeat(np.arange(len(edges.first) - 1), np.diff(edges.first))
    turn = np.degrees(np.abs((np.diff(heading) + np.pi) % (2 * np.pi) - np.pi))
    same = owner[1:] == owner[:-1]
    bend = np.zeros(len(simple))
    np.maximum.at(bend, owner[1:][same], turn[same])
    total = np.zeros(len(simple))
    np.add.at(total, owner[1:][same], turn[same])
    return bend, total


def build_cases(
    runs: gpd.GeoDataFrame,
    condition: pd.DataFrame,
    breach_sums: pd.DataFrame,
    neighbours: pd.DataFrame,
    *,
    has_services: bool,
    outside_mm: Floats,
    n_connections: Floats,
    chain_length_m: Floats,
) -> pd.DataFrame:
    """Lay the facts of each run side by side.

    Parameters
    ----------
    runs : GeoDataFrame
        After the ground stage.
    condition, breach_sums, neighbours : DataFrame
        In the order of `runs`.
    has_services : bool
        Whether a layer of services was given; without one, clearances are unknown.
    outside_mm : numpy.ndarray of float, shape (n,)
        Outside diameter of the old pipe, mm.
    n_connections : numpy.ndarray of float, shape (n,)
        Connections on each run; NaN unknown.
    chain_length_m : numpy.ndarray of float, shape (n,)
        Length of the straight-through chain of runs to renew that each run belongs to, m.

    Returns
    -------
    pandas.DataFrame
        Columns of the inputs, plus outside_mm, cover_m, bend_deg, least_bend_deg, bend_sum_deg,
        known_bend_sum_deg
        (of all bends, drawn or seen, whichever is more; NaN where one was seen without its angle),
        n_connections, chain_length_m, needs_work (float 0, 1, NaN), has_services.
    """
    plain = pd.DataFrame(runs.drop(columns="geometry")).reset_index(drop=True)
    seen = condition.drop(columns="run_id")
    cases = pd.concat([plain, seen, breach_sums, neighbours], axis=1)
    tall, wide = (cases[name].to_numpy(dtype=float) for name in ("height_mm", "diameter_mm"))
    # Only a circle is as high as wide where nobody gives its height.
    is_round = (cases["shape"].astype(str) == "circular").to_numpy(dtype=bool)
    height = np.where(is_round, np.fmax(tall, wide), np.maximum(tall, wide))
    wall = (outside_mm - cases["diameter_mm"].to_numpy(dtype=float)) / 2
    drawn, total = bend_within(runs.geometry)
    noted = cases["least_bend_deg"].to_numpy(dtype=float)
    summed = cases["least_bend_sum_deg"].to_numpy(dtype=float)
    is_open = cases["bends_unsized"].to_numpy(dtype=float) > 0
    return cases.assign(
        outside_mm=outside_mm,
        cover_m=cases["depth_min_m"].to_numpy(dtype=float) - (height + wall) / MM_PER_M,
        # A bend that was seen without its angle, or may be unseen, may be sharper than the drawn.
        bend_deg=np.maximum(drawn, cases["bend_deg"].to_numpy(dtype=float)),
        least_bend_deg=np.fmax(drawn, noted),
        # What is drawn and what a camera saw may be the same bends: the larger sum counts.
        bend_sum_deg=np.where(is_open, np.nan, np.fmax(total, summed)),
        known_bend_sum_deg=np.fmax(total, summed),
        n_connections=np.fmax(n_connections, cases["connections_seen"].to_numpy(dtype=float)),
        chain_length_m=chain_length_m,
        needs_work=cases["needs_work"].astype("Float64").to_numpy(dtype=float, na_value=np.nan),
        has_services=has_services,
    )
