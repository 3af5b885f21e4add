"""What a trench would do to each tree, what the plan does, and which trees may be shown.

Both harms are graded alike and by tree, over all runs together: the study's balance of trees
holds the loss by open cut of the runs that need work, and the loss by the works as planned.
"""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from routekit.outputs.public.reduce import PublicTables
from routekit.outputs.public.streets import clean_text, pair_trees
from routekit.settings.public_page import PublicSettings
from routekit.site.encroachments import DIG, PIT, TRENCH
from routekit.techniques import MONITOR, OPEN_CUT, list_codes
from routekit.vocabulary import SEVERITIES, SURFACE_KINDS

PIT_TECHNIQUES: Final = list_codes(lambda one: one.seen == "pits")
"""Techniques that pull or push a pipe in from a pit."""

UNSIZED: Final = "unsized"
"""What a trench would do to a tree is not known for want of the size of a pipe."""

_RANK: Final = {name: rank for rank, name in enumerate(SEVERITIES)}


def tree_facts(
    tables: PublicTables,
    runs: gpd.GeoDataFrame,
    pits: gpd.GeoDataFrame,
    settings: PublicSettings,
) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    """Say of each tree what a trench would do and what the plan does; keep those in a street.

    Parameters
    ----------
    tables : PublicTables
        Reduced tables.
    runs : geopandas.GeoDataFrame
        run_id, street, technique, geometry.
    pits : geopandas.GeoDataFrame
        street, geometry.
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
        public=find_public_trees(trees, runs, tables.surfaces, settings),
    )[["tree", "street"]]
    cuts = _list_cuts(breaches, runs, trees)
    balance = _balance_rows(tables)
    assessed = _has_zone(trees, tables.zones)
    open_question = pairs.loc[pairs["street"].isin(_open_streets(runs, pits)), "tree"]
    table = trees[["geometry"]].assign(
        tree_id=clean_text(trees["tree_id"]),
        species=clean_text(trees["species"]),
        crown_diameter_m=pd.to_numeric(trees["crown_diameter_m"]),
        protection=_yes_no(trees["is_protected"]),
        veteran=_yes_no(trees["is_veteran"]),
        from_raster=trees["is_from_raster"].to_numpy(dtype=bool),
        trench=_trench_words(balance["open_cut_severity"], cuts, assessed),
        plan=_plan_words(balance["severity"], assessed, open_question.to_numpy(np.int64)),
        stays_trench=_mark(cuts.loc[cuts["technique"] == OPEN_CUT, "tree"], len(trees)),
        is_careful=_yes_no(balance["is_careful_structural"]) == "yes",
        keeps_off=_yes_no(balance["is_near_stem"]) == "no",
        **_close_works(tables),
    )
    # A tree that a pit, a machine or a trench comes close to is not dug at by hand only.
    table["is_careful"] &= table["plan"] != "structural"
    kept = np.unique(pairs["tree"].to_numpy(np.int64))
    place = np.full(len(trees), -1, dtype=np.int64)
    place[kept] = np.arange(len(kept))
    pairs = pairs.assign(tree=place[pairs["tree"].to_numpy(np.int64)])
    return table.iloc[kept].reset_index(drop=True), pairs.reset_index(drop=True)


def find_public_trees(
    trees: gpd.GeoDataFrame,
    runs: gpd.GeoDataFrame,
    surfaces: gpd.GeoDataFrame,
    settings: PublicSettings,
) -> NDArray[np.bool_]:
    """Tell which trees stand on public ground, as far as the data, surfaces and sewers tell.

    Parameters
    ----------
    trees : geopandas.GeoDataFrame
        is_private (a tree known to stand in a private garden is never shown), geometry.
    runs : geopandas.GeoDataFrame
        geometry.
    surfaces : geopandas.GeoDataFrame
        kind, geometry; surfaces of an unknown kind do not count.
    settings : PublicSettings
        tree_reach_m, public_edge_m, unmapped_reach_m.

    Returns
    -------
    numpy.ndarray of bool, shape (m,)
        Trees in or at a surface; where none lies near, those close to a run.
    """
    known = surfaces[surfaces["kind"].astype(object).isin(SURFACE_KINDS).to_numpy()]
    is_public = _is_within(trees, known, settings.public_edge_m)
    # Each question is asked only of the trees that the one before leaves open.
    rest = np.flatnonzero(~is_public)
    rest = rest[~_is_within(trees.iloc[rest], known, settings.tree_reach_m)]
    is_public[rest] = _is_within(trees.iloc[rest], runs, settings.unmapped_reach_m)
    is_private = trees["is_private"].astype("boolean").fillna(value=False).to_numpy(dtype=bool)
    return np.asarray(is_public & ~is_private)


def _is_within(
    trees: gpd.GeoDataFrame, shapes: gpd.GeoDataFrame, reach_m: float
) -> NDArray[np.bool_]:
    """Tell which trees have a shape no farther away than the reach."""
    if trees.empty or shapes.empty:
        return np.zeros(len(trees), dtype=bool)
    found, _ = shapes.sindex.query(trees.geometry.to_numpy(), predicate="dwithin", distance=reach_m)
    return _mark(found, len(trees))


def _mark(rows: pd.Series | NDArray[np.int64], count: int) -> NDArray[np.bool_]:
    """Tell which of the rows 0..count-1 are listed."""
    marked = np.zeros(count, dtype=bool)
    marked[np.asarray(rows, dtype=np.int64)] = True
    return marked


def _balance_rows(tables: PublicTables) -> pd.DataFrame:
    """Give the balance of each tree; none for trees that a whole balance leaves out."""
    given = tables.tree_balance.drop_duplicates("tree_id").set_index("tree_id")
    rows = given.reindex(tables.trees["tree_id"]).reset_index(drop=True)
    if not tables.has_balance:
        return rows
    absent = ~tables.trees["tree_id"].astype(object).isin(given.index.astype(object)).to_numpy()
    for name in ("severity", "open_cut_severity"):
        rows[name] = rows[name].astype(object).mask(absent, "none")
    return rows


def _plan_words(
    severity: pd.Series, assessed: NDArray[np.bool_], open_question: NDArray[np.int64]
) -> NDArray[np.object_]:
    """Grade what the plan does to each tree; clear only if all of it is known."""
    plan = severity.astype(object).where(severity.isin(SEVERITIES), "unknown").to_numpy(object)
    is_open = ~assessed
    is_open[open_question] = True
    words = np.where(plan != "none", plan, np.where(is_open, "unknown", "clear"))
    return np.asarray(words, dtype=object)


def _trench_words(
    severity: pd.Series, cuts: pd.DataFrame, assessed: NDArray[np.bool_]
) -> NDArray[np.object_]:
    """Grade what trenches along all the sewers that are worked on would do to each tree.

    Where the root area is known and the loss is not, it is the size of a pipe that is not known.
    The balance has the loss over these runs together. A breach of one of them is its least;
    where only sewers that stay pass through the zone, no trench would be dug (idle).
    """
    count = len(severity)
    rank = severity.astype(object).map(_RANK).astype(float).to_numpy(copy=True)
    idle = cuts["technique"] == MONITOR
    single = cuts.loc[~idle].groupby("tree")["rank"].max().reindex(np.arange(count))
    rank = np.fmax(rank, single.to_numpy(float))
    is_known = assessed & ~np.isnan(rank)
    worst = np.nan_to_num(rank).astype(np.int64)
    words = np.array(SEVERITIES, dtype=object)[worst]
    words[_mark(cuts.loc[idle, "tree"], count) & (worst == 0)] = "idle"
    is_unsized = assessed & (severity.astype(object) == "unknown").to_numpy(dtype=bool)
    lost = np.where(is_unsized, UNSIZED, "unknown")
    return np.asarray(np.where(is_known | (worst > 0), words, lost), dtype=object)


def _open_streets(runs: gpd.GeoDataFrame, pits: gpd.GeoDataFrame) -> NDArray[np.int64]:
    """List the streets with an undecided run, or with a need for pits but no pit yet."""
    undecided = runs.loc[(runs["technique"] == "").to_numpy(), "street"]
    needing = runs.loc[runs["technique"].isin(PIT_TECHNIQUES), "street"]
    unplaced = needing[~needing.isin(pits["street"])]
    return np.unique(np.concatenate([undecided.to_numpy(), unplaced.to_numpy()])).astype(np.int64)


def _list_cuts(
    breaches: pd.DataFrame, runs: gpd.GeoDataFrame, trees: gpd.GeoDataFrame
) -> pd.DataFrame:
    """List the breaches: tree (row), technique of the run, rank (1 minor to 3 structural)."""
    tree_row = pd.Series(np.arange(len(trees)), index=trees["tree_id"].to_numpy(object))
    technique = pd.Series(runs["technique"].to_numpy(object), index=runs["run_id"])
    cuts = pd.DataFrame(
        {
            "tree": breaches["tree_id"].map(tree_row),
            "technique": breaches["run_id"].map(technique),
            "rank": breaches["severity"].astype(object).map(_RANK),
        }
    ).dropna()
    cuts = cuts.astype({"tree": np.int64, "technique": object, "rank": np.int64})
    return cuts[(cuts["rank"] > 0).to_numpy()]


def _has_zone(trees: gpd.GeoDataFrame, zones: pd.DataFrame) -> NDArray[np.bool_]:
    """Tell which trees have a root protection zone of known size."""
    radius = pd.to_numeric(zones["radius_m"]).notna() | zones["zone"].notna()
    known = pd.Index(zones.loc[radius.to_numpy(), "tree_id"].astype(object))
    return np.asarray(trees["tree_id"].astype(object).isin(known), dtype=bool)


def _close_works(tables: PublicTables) -> dict[str, NDArray[np.bool_]]:
    """Tell which trees have a pit, a trench or a machine dig within their structural roots."""
    table = tables.encroachments
    cuts = table["is_structural"].eq(True).fillna(value=False)
    cuts &= table["is_recommended"].astype(bool) & ~table["keeps_roots"].astype(bool)
    ids = tables.trees["tree_id"]
    return {
        f"near_{kind}": ids.isin(table["tree_id"][cuts & (table["kind"] == kind)]).to_numpy()
        for kind in (PIT, TRENCH, DIG)
    }


def _yes_no(values: pd.Series) -> NDArray[np.object_]:
    """Write truth values as yes, no and unknown; anything else is unknown."""
    flags = values.astype(object)
    truth = flags.map({True: "yes", False: "no"})
    return np.asarray(truth.astype(object).where(truth.notna(), "unknown").to_numpy(object))
