"""The least distance from a stem that a regime asks of digging inside the zone.

It is a rule of its own: nearer than it is no severity, and what it asks for is an exception. This
is the one place where trenches, pits and digs are held against it.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from routekit.arrays import Ints, any_by

WITHIN: Final = "is_within_least"
"""Name of the column that tells so of trenches, pits, digs and trees."""

MAY_BE_WITHIN: Final = "may_be_within_least"
"""Name of the flag of runs that says so of zones in doubt, were they as large as they may be."""


def hold_distance(edge_m: ArrayLike, least_m: ArrayLike) -> pd.arrays.BooleanArray:
    """Hold the distance between digging and stem against the least one.

    Parameters
    ----------
    edge_m : array_like of float, shape (p,)
        Edge of what is dug inside the zone to the stem centre, m; NaN not known.
    least_m : array_like of float, shape (p,)
        Column min_distance_m of the zones, m: 0 where the regime has no such rule, NaN not known.

    Returns
    -------
    pandas.arrays.BooleanArray, shape (p,)
        True where it is nearer; missing where either is not known, unless there is no rule.

    Examples
    --------
    >>> hold_distance([3.0, 3.0, 3.0, float("nan")], [6.0, 0.0, float("nan"), 6.0])
    <BooleanArray>
    [True, False, <NA>, <NA>]
    Length: 4, dtype: boolean
    """
    edge, least = np.asarray(edge_m, dtype=float), np.asarray(least_m, dtype=float)
    is_open = np.isnan(least) | (np.isnan(edge) & (least > 0))
    return pd.arrays.BooleanArray(np.asarray(edge < least), np.asarray(is_open))


def gather_distance(
    owner: Ints, edge_m: ArrayLike, least_m: ArrayLike, size: int
) -> pd.arrays.BooleanArray:
    """Hold the pairs of each excavation, run or tree against their least distances.

    Parameters
    ----------
    owner : numpy.ndarray of int, shape (p,)
        Whose pairs they are, positions below `size`.
    edge_m, least_m : array_like of float, shape (p,)
        As for `hold_distance`.
    size : int

    Returns
    -------
    pandas.arrays.BooleanArray, shape (size,)
        See `routekit.arrays.any_by`; False where an owner has no pair.
    """
    return any_by(owner, hold_distance(edge_m, least_m), size)
