"""How sure a breach is: stems that are estimated, and positions that are not exact.

A breach, pit or dig is unsure where the distance that would change its class (to the structural
zone, or to the edge of the zone) is no more than twice the standard deviation of pipe and stem
positions together. `judge_margin` is the one place where this is decided.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from routekit.arrays import Floats

DEVIATIONS = 2.0
"""Standard deviations within which a class may change: about 95 % of a normal error."""
WIDEST_SD_M = 20.0
"""Standard deviation that one which is not known is at most, m: the largest that layers accept."""


def spread_of(position_sd_m: ArrayLike) -> Floats:
    """Tell within what distance a position, or two together, may be off.

    Parameters
    ----------
    position_sd_m : array_like of float
        Standard deviation, m; NaN not known.

    Returns
    -------
    numpy.ndarray of float
        `DEVIATIONS` of them, m.
    """
    return np.asarray(DEVIATIONS * np.asarray(position_sd_m, dtype=float))


def combine_deviations(first_m: ArrayLike, second_m: ArrayLike, *, unknown_m: float) -> Floats:
    """Combine two standard deviations, one that is not known taken as a given one.

    Parameters
    ----------
    first_m, second_m : array_like of float, shape (n,)
        m; NaN not known.
    unknown_m : float
        Stands for NaN, m: 0 for the least that both may be together, `WIDEST_SD_M` for the most.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        m.

    Notes
    -----
    sd = sqrt(first2 + second2), for independent errors. Source: arithmetic.
    """
    first, second = (
        np.nan_to_num(np.asarray(values, dtype=float), nan=unknown_m)
        for values in (first_m, second_m)
    )
    return np.asarray(np.hypot(first, second), dtype=np.float64)


def judge_margin(
    margin_m: ArrayLike, first_sd_m: ArrayLike, second_sd_m: ArrayLike
) -> pd.arrays.BooleanArray:
    """Tell whether the doubt about two positions could use a margin up.

    Parameters
    ----------
    margin_m : array_like of float, shape (n,)
        Distance at which the class would change, m; NaN not known.
    first_sd_m, second_sd_m : array_like of float, shape (n,)
        Standard deviations of both positions, m; NaN not known.

    Returns
    -------
    pandas.arrays.BooleanArray, shape (n,)
        True where what is known of the doubt is already enough; False where it is not, whatever
        is not known; missing between both, and where the margin is not known.
    """
    margin = np.asarray(margin_m, dtype=float)
    least, most = (
        DEVIATIONS * combine_deviations(first_sd_m, second_sd_m, unknown_m=unknown_m)
        for unknown_m in (0.0, WIDEST_SD_M)
    )
    is_unsure = margin <= least
    is_open = ~is_unsure & ~(margin > most)
    return pd.arrays.BooleanArray(np.asarray(is_unsure), np.asarray(is_open))


def mark_certainty(
    breaches: pd.DataFrame,
    zones: gpd.GeoDataFrame,
    *,
    run_sd_m: ArrayLike,
    tree_sd_m: ArrayLike,
) -> pd.DataFrame:
    """Mark how sure each breach is.

    Parameters
    ----------
    breaches : DataFrame
        From `routekit.trees.breach.build_breaches`.
    zones : GeoDataFrame
        One zone per tree.
    run_sd_m, tree_sd_m : array_like of float
        Standard deviation of the plan position of each run and each tree, m; NaN not known.

    Returns
    -------
    pandas.DataFrame
        The breaches with is_estimated (the zone rests on an estimated stem), position_sd_m (of
        both positions together: at least, where one is not known; NaN where neither is) and
        is_unsure (boolean, see
        `judge_margin`).
    """
    run, tree = breaches["run"].to_numpy(), breaches["tree"].to_numpy()
    of_run = np.asarray(run_sd_m, dtype=float)[run]
    of_tree = np.asarray(tree_sd_m, dtype=float)[tree]
    edge = breaches["stem_edge_m"].to_numpy(dtype=float)
    structural = np.abs(edge - zones["structural_radius_m"].to_numpy(dtype=float)[tree])
    outward = zones["radius_m"].to_numpy(dtype=float)[tree] - edge
    return breaches.assign(
        is_estimated=zones["is_estimated"].to_numpy(dtype=bool)[tree],
        position_sd_m=np.where(
            np.isnan(of_run) & np.isnan(of_tree),
            np.nan,
            combine_deviations(of_run, of_tree, unknown_m=0.0),
        ),
        is_unsure=judge_margin(np.fmin(structural, outward), of_run, of_tree),
    )
