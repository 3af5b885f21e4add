"""How sure a breach is: stems that are estimated, and positions that are not exact.

A breach is unsure where the distance that would change its class (to the structural zone, or out
of the zone altogether) is no more than twice the standard deviation of pipe and stem positions
together.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

DEVIATIONS = 2.0
"""Standard deviations within which a class may change: about 95 % of a normal error."""


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
        both positions together, NaN where either is not known) and is_unsure (boolean, missing
        where that is not known).

    Notes
    -----
    sd = sqrt(sd of the pipe2 + sd of the stem2), for independent errors. Source: arithmetic.
    """
    run, tree = breaches["run"].to_numpy(), breaches["tree"].to_numpy()
    deviation = np.hypot(
        np.asarray(run_sd_m, dtype=float)[run], np.asarray(tree_sd_m, dtype=float)[tree]
    )
    edge = breaches["stem_edge_m"].to_numpy(dtype=float)
    structural = np.abs(edge - zones["structural_radius_m"].to_numpy(dtype=float)[tree])
    outward = zones["radius_m"].to_numpy(dtype=float)[tree] - edge
    margin = np.fmin(structural, outward)
    unsure = pd.array(margin <= DEVIATIONS * deviation, dtype="boolean")
    unsure[np.isnan(margin) | np.isnan(deviation)] = pd.NA
    return breaches.assign(
        is_estimated=zones["is_estimated"].to_numpy(dtype=bool)[tree],
        position_sd_m=deviation,
        is_unsure=unsure,
    )
