"""Which connections are of houses, and how many houses drain to each run."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from routekit.arrays import Flags, Floats, take_numbers

_GULLY: Final = "gully"


def is_house(connections: pd.DataFrame) -> Flags:
    """Tell which connections are of houses: all that are not known to be gullies.

    Parameters
    ----------
    connections : pandas.DataFrame
        kind, shape (n,).

    Returns
    -------
    numpy.ndarray of bool, shape (n,)
    """
    kind = connections["kind"].astype(object)
    return np.asarray(kind.isna() | kind.ne(_GULLY), dtype=bool)


def count_houses(runs: pd.DataFrame, connections: pd.DataFrame) -> Floats:
    """Count the houses that drain to each run.

    Parameters
    ----------
    runs : pandas.DataFrame
        run_id, n_connections (missing where connections are not known), shape (m,).
    connections : pandas.DataFrame
        run_id, kind.

    Returns
    -------
    numpy.ndarray of float, shape (m,)
        NaN where the connections of a run are not known.
    """
    joined = connections.loc[is_house(connections), "run_id"].astype("str").value_counts()
    counted = runs["run_id"].astype("str").map(joined).fillna(0.0).to_numpy(float)
    return np.where(np.isnan(take_numbers(runs, "n_connections")), np.nan, counted)
