"""Root zones as large as they may be, where what draws them is estimated or not recorded."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd

from routekit.arrays import Flags, Floats
from routekit.layers.stem_columns import NO_LISTS, StemLists
from routekit.trees.regimes import choose_regime
from routekit.trees.settings import ZoneSettings
from routekit.trees.zones import build_zones

KINDS = ("is_veteran", "is_columnar")
"""Flags that change a zone; a tree of which they are not recorded is drawn as if they were not."""


def find_doubtful(trees: gpd.GeoDataFrame, zones: gpd.GeoDataFrame) -> Flags:
    """Tell which zones may be larger than drawn: stem estimated or lacking, kind not recorded.

    Parameters
    ----------
    trees, zones : GeoDataFrame, n rows
        In one order.

    Returns
    -------
    numpy.ndarray of bool, shape (n,)
    """
    unsaid = [trees[name].isna().to_numpy(dtype=bool) for name in KINDS if name in trees]
    estimated = zones["is_estimated"].to_numpy(dtype=bool)
    unsized = zones["area_m2"].isna().to_numpy(dtype=bool)
    return np.asarray(np.any([estimated, unsized, *unsaid], axis=0))


def draw_largest(
    trees: gpd.GeoDataFrame,
    zones: gpd.GeoDataFrame,
    root_zones: gpd.GeoDataFrame | None,
    settings: ZoneSettings,
    lists: StemLists = NO_LISTS,
) -> gpd.GeoDataFrame:
    """Draw the zones that are in doubt as large as they may be.

    Parameters
    ----------
    trees, zones : GeoDataFrame, n rows
        In one order.
    root_zones : GeoDataFrame or None
        Polygons of an arborist; they stay as they are.
    settings : ZoneSettings
    lists : StemLists, optional
        The stems of the trees that have several.

    Returns
    -------
    GeoDataFrame
        The zones of trees of which it is not recorded whether they are veteran or columnar as if
        they were; circles round estimated stems with the largest radius of the regime, or by
        `doubt_factor` larger where it has none, and the structural ones enlarged alike; those of
        veterans as round the same stem of any other tree. A tree without a zone gets the largest
        one, as structural as a whole, where the regime has one.
    """
    known = {name: trees[name].fillna(value=True) for name in KINDS if name in trees}
    stated = trees.loc[~zones["is_estimated"].to_numpy(dtype=bool), "tree_id"]
    largest, _ = build_zones(
        trees.assign(**known), root_zones, settings=settings, lists=lists, stated=stated
    )
    radius = largest["radius_m"].to_numpy(dtype=float)
    cap = choose_regime(settings).max_radius_m
    wide = np.maximum(radius, np.where(np.isfinite(cap), cap, settings.doubt_factor * radius))
    is_wide = zones["is_estimated"].to_numpy(dtype=bool) & (radius > 0)
    factor = np.where(is_wide, wide / np.where(radius > 0, radius, 1.0), 1.0)
    thicker = _thicken(trees.assign(**known), factor, settings, lists)
    is_new = largest["area_m2"].isna().to_numpy(dtype=bool) & np.isfinite(cap)
    structural = largest["structural_radius_m"].to_numpy(dtype=float)
    return largest.assign(
        radius_m=np.where(is_new, cap, radius * factor),
        area_m2=np.where(is_new, np.pi * cap**2, largest["area_m2"] * factor**2),
        structural_radius_m=np.where(is_new, cap, structural * np.where(is_wide, thicker, 1.0)),
    )


def _thicken(
    trees: gpd.GeoDataFrame, factor: Floats, settings: ZoneSettings, lists: StemLists
) -> Floats:
    """Give how much the largest zone exceeds the drawn one where a veteran counts as any tree.

    The crown, and the larger multiple, of a veteran widen its zone and not its stem: held against
    its own zone, its structural one would be enlarged less than that of a tree that is none.
    """
    cap = choose_regime(settings).max_radius_m
    if not np.isfinite(cap) or "is_veteran" not in trees or not trees["is_veteran"].any():
        return factor
    plain, _ = build_zones(trees.assign(is_veteran=False), None, settings=settings, lists=lists)
    radius = plain["radius_m"].to_numpy(dtype=float)
    return np.maximum(factor, cap / np.where(radius > 0, radius, np.nan))


def is_more_harmed(largest: pd.DataFrame, drawn: pd.DataFrame) -> Flags:
    """Tell which runs would meet more trees, or worse, if the zones were as large as they may be.

    Parameters
    ----------
    largest, drawn : DataFrame, n rows
        From `routekit.methods.run_cases.sum_breaches`.

    Returns
    -------
    numpy.ndarray of bool, shape (n,)
    """
    names = ["n_trees", "n_major", "n_structural"]
    more = largest[names].to_numpy(dtype=float) > drawn[names].to_numpy(dtype=float)
    return np.asarray(more.any(axis=1))
