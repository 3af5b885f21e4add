"""Which trees may be shown, in which street each stands, and what the study says happens to it."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from routekit.advice.tree_outcomes import settle_spared
from routekit.outputs.public.reduce import PublicTables
from routekit.outputs.public.streets import clean_text, pair_trees
from routekit.settings.public_page import PublicSettings
from routekit.site.encroachments import DIG, PIT, TRENCH


def tree_facts(
    tables: PublicTables,
    runs: gpd.GeoDataFrame,
    settings: PublicSettings,
) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    """Say of each tree what a trench would do and what the plan does; keep those in a street.

    Parameters
    ----------
    tables : PublicTables
        Reduced tables.
    runs : geopandas.GeoDataFrame
        run_id, street, has_open_works, geometry.
    settings : PublicSettings
        Reaches.

    Returns
    -------
    trees : geopandas.GeoDataFrame
        As `routekit.outputs.public.facts.Facts.trees`.
    tree_streets : pandas.DataFrame
        tree, street (rows).
    """
    trees, table = tables.trees, tables.encroachments
    breaches = table[(table["kind"] == TRENCH).to_numpy(dtype=bool)]
    pairs = pair_trees(
        trees,
        runs,
        runs["street"].to_numpy(np.int64),
        breaches,
        reach_m=settings.tree_reach_m,
        public=trees["is_shown_to_residents"].to_numpy(dtype=bool, na_value=False),
    )[["tree", "street"]]
    dug = breaches.loc[breaches["is_recommended"].to_numpy(dtype=bool), "tree_id"]
    table = trees[["geometry"]].assign(
        tree_id=clean_text(trees["tree_id"]),
        species=clean_text(trees["species"]),
        crown_diameter_m=pd.to_numeric(trees["crown_diameter_m"]),
        protection=_yes_no(trees["is_protected"]),
        veteran=_yes_no(trees["is_veteran"]),
        from_raster=trees["is_from_raster"].to_numpy(dtype=bool),
        trench=trees["open_cut_outcome"].astype(object),
        plan=_plan_words(trees["works_outcome"], pairs, runs),
        care=trees["works_care"].astype(object),
        stays_trench=trees["tree_id"].isin(dug).to_numpy(dtype=bool),
        **{f"near_{kind}": _holds(trees["close_works"], kind) for kind in (PIT, TRENCH, DIG)},
    )
    kept = np.unique(pairs["tree"].to_numpy(np.int64))
    place = np.full(len(trees), -1, dtype=np.int64)
    place[kept] = np.arange(len(kept))
    pairs = pairs.assign(tree=place[pairs["tree"].to_numpy(np.int64)])
    return table.iloc[kept].reset_index(drop=True), pairs.reset_index(drop=True)


def _mark(rows: pd.Series | NDArray[np.int64], count: int) -> NDArray[np.bool_]:
    """Tell which of the rows 0..count-1 are listed."""
    marked = np.zeros(count, dtype=bool)
    marked[np.asarray(rows, dtype=np.int64)] = True
    return marked


def _plan_words(
    outcome: pd.Series, pairs: pd.DataFrame, runs: gpd.GeoDataFrame
) -> NDArray[np.object_]:
    """Say what the plan does to each tree, by what is laid out in its streets."""
    streets = runs.loc[runs["has_open_works"].to_numpy(dtype=bool), "street"]
    in_open = pairs.loc[pairs["street"].isin(streets), "tree"].to_numpy(np.int64)
    return settle_spared(outcome.to_numpy(dtype=object), _mark(in_open, len(outcome)))


def _holds(lists: pd.Series, kind: str) -> NDArray[np.bool_]:
    """Tell which lists of kinds, joined by `;`, hold a kind."""
    return np.array([kind in str(one).split(";") for one in lists], dtype=bool)


def _yes_no(values: pd.Series) -> NDArray[np.object_]:
    """Write truth values as yes, no and unknown; anything else is unknown."""
    flags = values.astype(object)
    truth = flags.map({True: "yes", False: "no"})
    return np.asarray(truth.astype(object).where(truth.notna(), "unknown").to_numpy(object))
