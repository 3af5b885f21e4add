"""Rows that people wrote about a tree, held to the place where that tree stood when they did.

A name may come to mean another tree: an inventory is renumbered, a canopy raster is read with other
settings. A decision or an outline that carries the place of its tree is refused where the tree of
that name now stands elsewhere; it is for people to say which tree they meant.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
import shapely

from routekit.layers.decisions import NO_TREE, TREE_GONE
from routekit.layers.features import name_place

if TYPE_CHECKING:
    import geopandas as gpd
    from numpy.typing import NDArray

    from routekit.arrays import Floats
    from routekit.layers.findings import Findings

PLACE_COLUMNS: Final = ("tree_x_m", "tree_y_m")
"""Where the tree of a row stood, in the working CRS."""

RETURNED: Final = ("root_zones", "decisions")
"""Layers whose rows may carry the place of their tree."""


def refuse_other_trees(
    tables: dict[str, pd.DataFrame], *, within_m: float, findings: Findings
) -> None:
    """Ask about decisions and outlines whose tree stands elsewhere than when they were written.

    Parameters
    ----------
    tables : dict of str to pandas.DataFrame
        Canonical layers in the working CRS, with row_key; trees with their final names.
    within_m : float
        A tree this near to its old place is the same one, m.
    findings : Findings
        Takes one question per layer; `refuse_open` then refuses the study.
    """
    trees = tables["trees"]
    names = trees["tree_id"].astype("str").to_numpy(dtype=object)
    stems = shapely.get_coordinates(np.asarray(trees.geometry)).reshape(-1, 2)
    for layer in RETURNED:
        faults = find_other_trees(tables[layer], names, stems, within_m=within_m)
        wrong = np.flatnonzero(faults != "")
        if wrong.size:
            rows = tables[layer]["row_key"].astype("str").to_numpy(dtype=object)[wrong]
            told = "; ".join(
                f"{name_place(row)}: {fault}"
                for row, fault in zip(rows, faults[wrong], strict=True)
            )
            findings.ask(
                f"layers.{layer}: {told}; write the name of the tree that was meant, or blank "
                f"{' and '.join(PLACE_COLUMNS)} if it is the right one"
            )


def keep_places(decisions: pd.DataFrame, trees: gpd.GeoDataFrame) -> pd.DataFrame:
    """Write the place of its tree beside each decision that takes a tree out of the study.

    No later table holds that tree, and the decision must not go over to another one of its name.

    Parameters
    ----------
    decisions : pandas.DataFrame
        tree_id, decision, tree_x_m and tree_y_m (m; NaN for no place told).
    trees : geopandas.GeoDataFrame
        With tree_id, none taken out yet.

    Returns
    -------
    pandas.DataFrame
        A place that is told stays.

    Examples
    --------
    >>> import geopandas as gpd
    >>> from shapely import Point
    >>> decisions = pd.DataFrame({"tree_id": ["A", "A"], "decision": ["tree_gone", "no_pit"],
    ...     "tree_x_m": [np.nan] * 2, "tree_y_m": [np.nan] * 2})
    >>> trees = gpd.GeoDataFrame({"tree_id": ["A"]}, geometry=[Point(3, 4)])
    >>> keep_places(decisions, trees)["tree_x_m"].tolist()
    [3.0, nan]
    """
    stems = shapely.get_coordinates(np.asarray(trees.geometry)).reshape(-1, 2)
    at = pd.Index(trees["tree_id"].astype("str")).get_indexer(
        pd.Index(decisions["tree_id"].astype("str"))
    )
    here = np.vstack([stems, [np.nan, np.nan]])[at].round(2)
    is_bare = _takes_out(decisions) & decisions[list(PLACE_COLUMNS)].isna().all(axis=1).to_numpy(
        dtype=bool
    )
    placed = {
        name: decisions[name].astype("float64").mask(is_bare, place)
        for name, place in zip(PLACE_COLUMNS, here.T, strict=True)
    }
    return decisions.assign(**placed)


def find_other_trees(
    rows: pd.DataFrame, names: NDArray[np.object_], stems: Floats, *, within_m: float
) -> NDArray[np.object_]:
    """Say of each row why its tree is not the one that stood there.

    Parameters
    ----------
    rows : pandas.DataFrame, n rows
        tree_id, tree_x_m and tree_y_m (m; NaN for no place told).
    names : numpy.ndarray of str, shape (k,)
        Names of the trees.
    stems : numpy.ndarray of float, shape (k, 2)
        Where they stand, m.
    within_m : float
        A tree this near to its old place is the same one, m.

    Returns
    -------
    numpy.ndarray of object, shape (n,)
        Blank where no place is told, or the tree stands there.

    Examples
    --------
    >>> rows = pd.DataFrame({"tree_id": ["A"], "tree_x_m": [0.0], "tree_y_m": [0.0]})
    >>> stems = np.array([[46.0, 0.0], [0.5, 0.0]])
    >>> find_other_trees(rows, np.array(["A", "B"], dtype=object), stems, within_m=2).tolist()
    ['tree "A" stands 46.0 m from where it stood when this was written; tree "B" stands there now']
    """
    place = rows[list(PLACE_COLUMNS)].to_numpy(dtype=np.float64)
    wanted = rows["tree_id"].astype("str").to_numpy(dtype=object)
    at = pd.Index(names).get_indexer(pd.Index(wanted))
    known = np.vstack([stems, [np.nan, np.nan]])
    away = np.hypot(*(known[at] - place).T)
    is_told = np.isfinite(place)
    is_whole = is_told.all(axis=1)
    faults = np.full(len(rows), "", dtype=object)
    faults[is_told.any(axis=1) & ~is_whole] = f"only one of {' and '.join(PLACE_COLUMNS)} is given"
    takes_out = _takes_out(rows) & (at < 0)
    for row in np.flatnonzero(is_whole & ~(away <= within_m)):
        stands = _who_stands_there(place[row], names, stems, within_m)
        if takes_out[row] and not stands:
            continue  # As decided: neither the name nor the tree is there any more.
        moved = f'there is no tree "{wanted[row]}"'
        if at[row] >= 0:
            moved = f'tree "{wanted[row]}" stands {away[row]:.1f} m from where it stood when this '
            moved += "was written"
        faults[row] = moved + (stands or "; no tree stands there now")
    return faults


def _takes_out(rows: pd.DataFrame) -> NDArray[np.bool_]:
    """Mark the decisions that take their tree out of the study."""
    if "decision" not in rows:
        return np.zeros(len(rows), dtype=bool)
    return rows["decision"].isin([NO_TREE, TREE_GONE]).to_numpy(dtype=bool)


def _who_stands_there(
    place: Floats, names: NDArray[np.object_], stems: Floats, within_m: float
) -> str:
    """Name the tree nearest to a place; blank if none stands there."""
    away = np.hypot(*(stems - place).T)
    if away.size and away.min() <= within_m:
        return f'; tree "{names[away.argmin()]}" stands there now'
    return ""
