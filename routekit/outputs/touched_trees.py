"""Which trees any works touch, and which digs open the ground."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd

from routekit.outputs.gis_layers import attach, join_trees, open_cut_loss
from routekit.result import Result
from routekit.site.encroachments import TRENCH


def list_touched(result: Result) -> gpd.GeoDataFrame:
    """List the trees whose zone an open-cut trench or a recommended excavation reaches.

    Parameters
    ----------
    result : Result
        Tables of one study.

    Returns
    -------
    geopandas.GeoDataFrame
        Rows of `result.trees` in their order, with the columns of the zone, of the loss under open
        cut of the runs to be worked on and of the balance; `tree` is the position in
        `result.trees`, `is_touched` marks the trees that the recommended works touch.
    """
    trees = join_trees(result)
    trees = attach(
        trees, result.zones.drop(columns="geometry", errors="ignore"), key="tree_id", prefix="zone_"
    )
    ids = pd.Index(trees["tree_id"].astype("str"))
    touched = trees["is_touched"].eq(True).fillna(value=False).to_numpy(dtype=bool)
    reached = touched | ids.isin(open_cut_loss(result)["tree_id"].astype("str"))
    return trees.assign(tree=np.arange(len(trees)), is_touched=touched)[reached]


def list_zone_areas(result: Result) -> pd.DataFrame:
    """List what each pit and dig takes of the zone of each tree, most first.

    Parameters
    ----------
    result : Result
        Tables of one study.

    Returns
    -------
    pandas.DataFrame
        Columns kind, work_id, tree_id, footprint_m2; pairs that share no ground are left out.
    """
    table = result.encroachments
    is_dug = (table["kind"] != TRENCH) & (table["footprint_m2"] > 0)
    found = table[is_dug.to_numpy(dtype=bool)][["kind", "work_id", "tree_id", "footprint_m2"]]
    most_first = found.assign(less=-found["footprint_m2"])
    most_first = most_first.sort_values(["kind", "work_id", "less"], kind="stable")
    return most_first.drop(columns="less").reset_index(drop=True)


def write_zone_areas(result: Result) -> pd.Series:
    """Write what each pit and dig takes of the zone of each tree: «T7 4.52; T8 4.03», in m2.

    Parameters
    ----------
    result : Result
        Tables of one study.

    Returns
    -------
    pandas.Series of str
        By kind and id of the work; works in no zone are absent.
    """
    areas = list_zone_areas(result)
    text = [
        f"{tree} {area:.2f}"
        for tree, area in zip(areas["tree_id"], areas["footprint_m2"], strict=True)
    ]
    words = pd.Series(text, index=areas.index, dtype="str")
    return words.groupby([areas["kind"], areas["work_id"].astype(str)]).agg("; ".join)
