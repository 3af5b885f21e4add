"""Which trees any works touch, and what touches them: trenches, pits and small excavations."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from routekit.arrays import take_numbers
from routekit.outputs.gis_layers import attach, join_trees
from routekit.outputs.trench_losses import open_cut_loss
from routekit.result import Result

_TOUCH_M2 = 1e-6


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
    open_digs = result.digs[is_open(result.digs)]
    works = [table["worst_tree"] for table in (result.pits, open_digs)]
    works += [find_touches(result)["tree_id"], _worked_trees(result.tree_balance)]
    ids = trees["tree_id"].astype("str")
    touched = _is_named(ids, works)
    reached = touched | _is_named(ids, [open_cut_loss(result)["tree_id"]])
    return trees.assign(tree=np.arange(len(trees)), is_touched=touched)[reached]


def _is_named(ids: pd.Series, lists: list[pd.Series]) -> np.ndarray:
    """Mark the trees that stand in any of some lists, shape (n,)."""
    named = [names.astype("str") for names in lists]
    found = pd.concat([pd.Series(dtype="str"), *named]).dropna().unique()
    return np.asarray(pd.Index(found).get_indexer(pd.Index(ids)) >= 0)


def find_touches(result: Result) -> pd.DataFrame:
    """Find the pits and digs that reach into root protection zones or structural circles.

    A zone that an arborist drew may leave out a part of the structural circle; what is dug there
    cuts structural roots all the same.

    Parameters
    ----------
    result : Result
        Tables of one study.

    Returns
    -------
    pandas.DataFrame
        One row per tree and pit or dig: tree_id, kind (pit, dig), item_id, item (position in its
        table); sorted by kind, item and tree position.
    """
    pits = _find_in_zones(result.zones, result.pits, "pit", np.arange(len(result.pits)))
    digs = _find_in_zones(result.zones, result.digs, "dig", np.flatnonzero(is_open(result.digs)))
    return pd.concat([pits, digs], ignore_index=True)


def _worked_trees(balance: pd.DataFrame) -> pd.Series:
    """Name the trees that the balance says recommended works are at or near."""
    return balance["tree_id"][balance["n_works"] > 0]


def is_open(digs: gpd.GeoDataFrame) -> np.ndarray:
    """Mark the digs that open the ground: all but what a robot does from inside the pipe.

    Parameters
    ----------
    digs : geopandas.GeoDataFrame, n rows
        Columns as `digs` in the schema.

    Returns
    -------
    numpy.ndarray of bool, shape (n,)
    """
    return np.asarray(digs["method"] != "robot", dtype=bool)


def _find_in_zones(
    zones: gpd.GeoDataFrame, items: gpd.GeoDataFrame, kind: str, rows: np.ndarray
) -> pd.DataFrame:
    """Pair some excavations of one kind with the zones that they share ground with."""
    if not len(zones) or not len(rows):
        return pd.DataFrame({"tree_id": [], "kind": [], "item_id": [], "item": []}).astype(
            {"tree_id": "str", "kind": "str", "item_id": "str", "item": int}
        )
    shapes = np.array(items.geometry, dtype=object)[rows]
    pairs = np.concatenate([_near_circles(zones, shapes), _in_polygons(zones, shapes)], axis=1)
    item, tree = np.unique(pairs, axis=1)
    item = rows[item]
    return pd.DataFrame(
        {
            "tree_id": zones["tree_id"].astype("str").to_numpy()[tree],
            "kind": kind,
            "item_id": items[f"{kind}_id"].astype("str").to_numpy()[item],
            "item": item,
        }
    )


def _near_circles(zones: gpd.GeoDataFrame, shapes: np.ndarray) -> np.ndarray:
    """Pair shapes with the circles round stems, zone or structural, that they meet; (2, p)."""
    stems = np.array(zones.geometry, dtype=object)
    radius = np.fmax(take_numbers(zones, "radius_m"), take_numbers(zones, "structural_radius_m"))
    known = radius > 0
    if not known.any():
        return np.empty((2, 0), dtype=int)
    item, tree = shapely.STRtree(stems).query(shapes, "dwithin", distance=radius[known].max())
    near = shapely.distance(shapes[item], stems[tree]) < radius[tree]
    return np.stack([item[near], tree[near]])


def _in_polygons(zones: gpd.GeoDataFrame, shapes: np.ndarray) -> np.ndarray:
    """Pair shapes with polygonal zones that they share area with; shape (2, p)."""
    polygons = np.array(zones["zone"], dtype=object)
    polygons[~shapely.is_geometry(polygons)] = None
    item, tree = shapely.STRtree(polygons).query(shapes, "intersects")
    shared = shapely.area(shapely.intersection(shapes[item], polygons[tree])) > _TOUCH_M2
    return np.stack([item[shared], tree[shared]])
