"""Trees that works only graze: too little for a sheet of their own, listed in one table."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from routekit.outputs.arborist.tree_facts import numbers


def mark_grazed(trees: gpd.GeoDataFrame, *, grazed_m2: float) -> NDArray[np.bool_]:
    """Mark the trees of whose zone next to nothing is dug or cut off.

    Parameters
    ----------
    trees : geopandas.GeoDataFrame, n rows
        From `rank_trees`.
    grazed_m2 : float
        A tree that loses less than this, m2, is grazed: to the recommended works where they touch
        it, else to open cut.

    Returns
    -------
    numpy.ndarray of bool, shape (n,)
        Never where the structural zone is reached, or the area is not known or none.
    """
    if not len(trees):
        return np.zeros(0, dtype=bool)
    touched = (numbers(trees, "is_touched") == 1).to_numpy()
    loss_m2 = np.where(touched, numbers(trees, "recommended_loss_m2"), _open_cut_m2(trees))
    deep = np.where(touched, _is_deep(trees), _words(trees, "severity") == "structural")
    return np.asarray((loss_m2 > 0) & (loss_m2 < grazed_m2) & ~deep.astype(bool))


def list_grazed(trees: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Give what the works and what open cut would take of grazed trees.

    Parameters
    ----------
    trees : geopandas.GeoDataFrame
        Those that `mark_grazed` marks.

    Returns
    -------
    geopandas.GeoDataFrame
        The same rows with works_m2 and open_cut_m2.
    """
    works = numbers(trees, "recommended_loss_m2").where(numbers(trees, "is_touched") == 1, 0.0)
    return trees.assign(works_m2=works, open_cut_m2=_open_cut_m2(trees))


def is_grazed_run(runs: pd.DataFrame, grazed_m2: float) -> NDArray[np.bool_]:
    """Mark the breaches that take next to nothing of a zone, shape (n,)."""
    deep = numbers(runs, "is_structural") == 1
    return np.asarray((_open_cut_m2(runs) < grazed_m2) & ~deep.to_numpy())


def _open_cut_m2(table: pd.DataFrame) -> NDArray[np.float64]:
    """Area that a trench would dig or cut off, m2, the larger of the two, shape (n,)."""
    dug, severed = (numbers(table, name).to_numpy() for name in ("footprint_m2", "severed_m2"))
    return np.asarray(np.fmax(dug, severed))


def _is_deep(trees: pd.DataFrame) -> NDArray[np.bool_]:
    """Mark the trees whose structural zone the recommended works reach, shape (n,)."""
    flags = [
        (numbers(trees, name) == 1).to_numpy()
        for name in ("recommended_is_structural", "is_careful_structural")
    ]
    inner = (numbers(trees, "recommended_structural_m2") > 0).to_numpy()
    graded = _words(trees, "recommended_severity") == "structural"
    return np.asarray(np.any([*flags, inner, graded], axis=0))


def _words(table: pd.DataFrame, name: str) -> NDArray[np.object_]:
    """Give a column as text, shape (n,); blank where there is none."""
    return table[name].astype("str").fillna("").to_numpy(dtype=object)
