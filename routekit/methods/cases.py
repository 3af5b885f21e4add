"""The case of each run: everything that the checks look at, side by side.

One row per run in the order of the runs. NaN means not known. The columns come from earlier stages;
nothing is decided here.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from routekit.arrays import Floats
from routekit.geometry import line_edges
from routekit.trees.breach import MAJOR, STRUCTURAL
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


def sum_breaches(breaches: pd.DataFrame, size: int) -> pd.DataFrame:
    """Sum the breaches of each run's own trench.

    Parameters
    ----------
    breaches : DataFrame
        From `routekit.trees.breach.build_breaches`.
    size : int
        Number of runs.

    Returns
    -------
    pandas.DataFrame
        Per run: n_trees, n_major (major and structural), n_structural, footprint_m2, severed_m2,
        severity (worst), worst_tree, nearest_stem_m, n_estimated (breaches that rest on an
        estimated stem), n_unsure (breaches whose class the position errors could change).
    """
    run = breaches["run"].to_numpy()
    code = breaches["severity"].cat.codes.to_numpy()
    worst = np.zeros(size, dtype=np.int8)
    np.maximum.at(worst, run, code)
    nearest = np.full(size, np.inf)
    np.minimum.at(nearest, run, breaches["stem_edge_m"].to_numpy())
    table = pd.DataFrame(
        {
            "n_trees": np.bincount(run, minlength=size),
            "n_major": np.bincount(run[code >= MAJOR], minlength=size),
            "n_structural": np.bincount(run[code >= STRUCTURAL], minlength=size),
            "footprint_m2": np.bincount(run, breaches["footprint_m2"], minlength=size),
            "severed_m2": np.bincount(run, breaches["severed_m2"], minlength=size),
            "severity": pd.Categorical.from_codes(
                worst, breaches["severity"].cat.categories, ordered=True
            ),
            "worst_tree": "",
            "nearest_stem_m": nearest,
            "n_estimated": _count_marked(breaches, "is_estimated", size),
            "n_unsure": _count_marked(breaches, "is_unsure", size),
        }
    )
    gravest = breaches.assign(code=code).sort_values(
        ["run", "code", "severed_share"], ascending=[True, False, False], kind="stable"
    )
    gravest = gravest.drop_duplicates("run")
    names = np.full(size, "", dtype=object)
    names[gravest["run"]] = gravest["tree_id"]
    return table.assign(worst_tree=names)


def _count_marked(breaches: pd.DataFrame, name: str, size: int) -> NDArray[np.int64]:
    """Count the breaches of each run that carry a mark; 0 where it was not looked for."""
    if name not in breaches:
        return np.zeros(size, dtype=np.int64)
    marked = breaches[name].fillna(value=False).to_numpy(dtype=bool)
    return np.bincount(breaches["run"].to_numpy()[marked], minlength=size)


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
        Columns of the inputs, plus outside_mm, cover_m, bend_deg, least_bend_deg, bend_sum_deg
        (of all bends, drawn or seen, whichever is more; NaN where one was seen without its angle),
        n_connections, chain_length_m, needs_work (float 0, 1, NaN), has_services.
    """
    plain = pd.DataFrame(runs.drop(columns="geometry")).reset_index(drop=True)
    seen = condition.drop(columns="run_id")
    cases = pd.concat([plain, seen, breach_sums, neighbours], axis=1)
    height = np.fmax(
        cases["height_mm"].to_numpy(dtype=float), cases["diameter_mm"].to_numpy(dtype=float)
    )
    wall = (outside_mm - cases["diameter_mm"].to_numpy(dtype=float)) / 2
    shallow = cases[["depth_up_m", "depth_down_m"]].astype(float).min(axis=1, skipna=False)
    drawn, total = bend_within(runs.geometry)
    noted = cases["least_bend_deg"].to_numpy(dtype=float)
    summed = cases["least_bend_sum_deg"].to_numpy(dtype=float)
    is_open = cases["bends_unsized"].to_numpy(dtype=float) > 0
    return cases.assign(
        outside_mm=outside_mm,
        cover_m=shallow.to_numpy() - (height + wall) / MM_PER_M,
        # A bend that was seen without its angle, or may be unseen, may be sharper than the drawn.
        bend_deg=np.maximum(drawn, cases["bend_deg"].to_numpy(dtype=float)),
        least_bend_deg=np.fmax(drawn, noted),
        # What is drawn and what a camera saw may be the same bends: the larger sum counts.
        bend_sum_deg=np.where(is_open, np.nan, np.fmax(total, summed)),
        n_connections=np.fmax(n_connections, cases["connections_seen"].to_numpy(dtype=float)),
        chain_length_m=chain_length_m,
        needs_work=cases["needs_work"].astype("Float64").to_numpy(dtype=float, na_value=np.nan),
        has_services=has_services,
    )
