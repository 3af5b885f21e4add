"""What can be said of trees beside a run whose size, and so whose trench, is not known.

Its breaches are not known. Known is what does not hang on the size: which zones the axis crosses,
how far the nearest stem is from it, what even the least trench would cut, and which trees the
trench of a large pipe could reach. The last two bound what is not known: the first is held
against open cut, and the trees between them have a loss that is not known.
"""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from routekit.arrays import Flags, Floats, Ints
from routekit.trees.breach import pair_corridors
from routekit.trees.least_distance import WITHIN

UNKNOWN: Final = "unknown"
"""Severity of a loss that is not known."""

SUMS: Final = ("n_trees", "n_major", "n_structural", "footprint_m2", "severed_m2")
"""What an open trench does to trees, run by run."""


def blank_sums(sums: pd.DataFrame, unsized: Flags) -> pd.DataFrame:
    """Leave open what a trench of unknown width does.

    Parameters
    ----------
    sums : DataFrame, n rows
        From `routekit.methods.run_cases.sum_breaches`.
    unsized : numpy.ndarray of bool, shape (n,)
        Runs whose trench is not known.

    Returns
    -------
    DataFrame
        Counts are nullable; counts, areas, severity and nearest_stem_m of such runs are missing.
    """
    counts = {name: sums[name].astype("Int64").mask(unsized) for name in SUMS[:3]}
    areas = {name: sums[name].mask(unsized) for name in (*SUMS[3:], "severity", "nearest_stem_m")}
    return sums.assign(**counts, **areas, **{WITHIN: sums[WITHIN].mask(unsized)})


def settle_within(within: pd.Series, rows: Ints, least: pd.Series, reach: pd.Series) -> pd.Series:
    """Tell of runs of unknown size what the least and the widest trench leave no doubt about.

    Parameters
    ----------
    within : Series of boolean, n rows
        Whether the trench is nearer to a stem than the least distance; missing for such runs.
    rows : numpy.ndarray of int, shape (u,)
        Such runs.
    least, reach : Series of boolean, u rows
        The same of their least and their widest trench.

    Returns
    -------
    Series of boolean, n rows
        True where the least trench is, False where the widest is not, else missing.
    """
    settled = within.astype("boolean").copy()
    sure = least.to_numpy(dtype=bool, na_value=False)
    clear = ~reach.to_numpy(dtype=bool, na_value=True)
    settled.iloc[rows[sure]], settled.iloc[rows[clear]] = True, False
    return settled


def measure_axes(lines: np.ndarray, zones: gpd.GeoDataFrame) -> pd.DataFrame:
    """Measure what the axis of each run meets, whatever its size.

    Parameters
    ----------
    lines : numpy.ndarray of LineString, shape (n,)
    zones : GeoDataFrame
        One zone per tree.

    Returns
    -------
    DataFrame
        n_axis_zones (root zones that the axis crosses) and axis_stem_m (distance from the axis to
        the nearest stem, m; NaN without trees).
    """
    run, _ = pair_corridors(lines, zones)
    stems = np.asarray(zones.geometry)
    stems = stems[~(shapely.is_missing(stems) | shapely.is_empty(stems))]
    near = np.full(len(lines), np.nan)
    if len(stems):
        (found, _), distance = shapely.STRtree(stems).query_nearest(
            lines, return_distance=True, all_matches=False
        )
        near[found] = distance
    return pd.DataFrame(
        {"n_axis_zones": np.bincount(run, minlength=len(lines)), "axis_stem_m": near}
    )


def add_unknown_losses(
    losses: pd.DataFrame, doubt: pd.DataFrame, zones: gpd.GeoDataFrame
) -> pd.DataFrame:
    """Add to the loss of each tree that trenches of unknown width could reach it.

    Parameters
    ----------
    losses : DataFrame
        From `routekit.trees.breach.sum_tree_loss`.
    doubt : DataFrame
        Pairs of such a run and a tree in its reach: tree, is_structural (even the least trench
        cuts the structural zone).
    zones : GeoDataFrame

    Returns
    -------
    DataFrame
        Sorted by tree. Areas and shares of the trees in doubt are missing; their severity is
        structural where that is known, else unknown.
    """
    if not len(doubt):
        return losses
    tree, count = np.unique(doubt["tree"].to_numpy(dtype=np.int64), return_counts=True)
    known = losses.set_index("tree")
    cut = doubt.loc[doubt["is_structural"].to_numpy(dtype=bool), "tree"]
    certain = known["is_structural"].reindex(tree).fillna(value=False).to_numpy(dtype=bool)
    structural = certain | np.isin(tree, cut)
    rows = pd.DataFrame(
        {
            "tree_id": zones["tree_id"].to_numpy(dtype=object)[tree],
            "tree": tree,
            "n_runs": count + known["n_runs"].reindex(tree).fillna(0).to_numpy(dtype=np.int64),
            **dict.fromkeys(
                ("footprint_m2", "footprint_share", "severed_m2", "severed_share"), np.nan
            ),
            "stem_edge_m": known["stem_edge_m"].reindex(tree).to_numpy(dtype=float),
            "is_structural": structural,
            "is_through_stem": known["is_through_stem"]
            .reindex(tree)
            .fillna(value=False)
            .to_numpy(dtype=bool),
            WITHIN: _keep_within(known[WITHIN].reindex(tree)),
            "severity": np.where(structural, "structural", UNKNOWN),
        }
    )
    rest = losses[~losses["tree"].isin(tree).to_numpy()]
    rest = rest.assign(severity=rest["severity"].astype(object))
    if not len(rest):
        return rows
    return pd.concat([rest, rows]).sort_values("tree", kind="stable", ignore_index=True)


def _keep_within(known: pd.Series) -> pd.arrays.BooleanArray:
    """Keep what known trenches break for certain; what they do not, a further one may."""
    broken = known.astype("boolean").to_numpy(dtype=bool, na_value=False)
    return pd.arrays.BooleanArray(broken, ~broken)


def bound_pairs(
    rows: Ints, least: pd.DataFrame, reach: np.ndarray, zones: gpd.GeoDataFrame
) -> pd.DataFrame:
    """List the trees that runs of unknown size could reach, and those cut for certain.

    Parameters
    ----------
    rows : numpy.ndarray of int, shape (u,)
        Positions of such runs.
    least : DataFrame
        Breaches of their least trenches; `run` counts within `rows`.
    reach : numpy.ndarray of Polygon, shape (u,)
        Their widest trenches.
    zones : GeoDataFrame

    Returns
    -------
    DataFrame
        run (position), tree (position), is_structural.
    """
    place, tree = pair_corridors(reach, zones)
    cut = least[least["is_structural"].to_numpy(dtype=bool)]
    certain = pd.MultiIndex.from_arrays([cut["run"], cut["tree"]])
    is_cut = pd.MultiIndex.from_arrays([place, tree]).isin(certain)
    return pd.DataFrame({"run": rows[place], "tree": tree, "is_structural": is_cut})


def least_columns(sums: pd.DataFrame, rows: Ints, least: pd.DataFrame) -> dict[str, Floats]:
    """Give what is certain of every run: its own sums, or those of its least trench.

    Parameters
    ----------
    sums : DataFrame, n rows
        Sums of known trenches.
    rows : numpy.ndarray of int, shape (u,)
        Runs whose trench is not known.
    least : DataFrame, u rows
        Sums of their least trenches.

    Returns
    -------
    dict of str to numpy.ndarray of float, shape (n,)
        least_major, least_structural, least_severed_m2.
    """
    found = {}
    for name in ("n_major", "n_structural", "severed_m2"):
        column = sums[name].to_numpy(dtype=float, copy=True)
        column[rows] = least[name].to_numpy(dtype=float)
        found[f"least_{name.removeprefix('n_')}"] = column
    return found
