"""Which area each row of a concluded study belongs to, and the rows that an area shows."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from routekit.arrays import Flags, Ints, split_ids
from routekit.parts.divide import Part
from routekit.parts.shelf import take_down
from routekit.result import Result

NOBODY: Final = -1
"""Owner of rows that belong to the study as a whole."""
LONG: Final = ("checks", "options", "advice", "quantities")
"""Tables of which the concluded study holds few columns: an area takes its own from its part."""
_NEAR: Final = ("manholes", "connections", "services", "obstacles", "surfaces")
"""Layers whose rows name no run, or may name none: they belong where the nearest run does."""
_TAKEN: Final = ("services", "obstacles", "surfaces")
"""Layers of which an area shows all that its works were judged by."""
_OF_TREES: Final = (
    "zones",
    "stems",
    "tree_loss",
    "tree_balance",
    "tree_needs",
    "after_care",
    "root_zones",
)
"""Tables of trees, which an area shows of all trees that it shows."""
_OF_RUN: Final = ("run_id", "run_ids", "nearest_run")
_OF_TREE: Final = ("tree_id", "tree_ids")
_LAYERS: Final = {"sewers": "runs", "trees": "trees"}
"""Layers of findings whose rows belong to an area, and the tables that tell to which."""


@dataclass(frozen=True, kw_only=True)
class Area:
    """What the outputs of an area are made from.

    Attributes
    ----------
    number : int
        From 0.
    tables : dict of str to DataFrame
        Rows that the area shows: its own, and the trees of other areas that its works reach. `run`
        and `tree` are positions in the whole study.
    is_own : dict of str to numpy.ndarray of bool
        Which of these rows are the area's own; each row of the study is the own of one area, or of
        none.
    runs, trees : numpy.ndarray of int
        Positions of its runs and trees in the whole study, ascending.
    """

    number: int
    tables: dict[str, pd.DataFrame]
    is_own: dict[str, Flags]
    runs: Ints
    trees: Ints


def own_rows(result: Result, parts: Sequence[Part]) -> dict[str, Ints]:
    """Find the area to which each row of each table belongs.

    Parameters
    ----------
    result : Result
        From `routekit.pipeline.draw_conclusions`.
    parts : sequence of Part
        The areas.

    Returns
    -------
    dict of str to numpy.ndarray of int
        By table but `LONG`: number of the area; `NOBODY` for what belongs to the whole study. What
        names a run is where that is, a tree where its nearest run is.
    """
    run = np.full(len(result.runs), NOBODY, dtype=np.int64)
    for part in parts:
        run[part.own] = part.number
    runs = pd.Series(run, index=pd.Index(result.runs["run_id"].astype(str)))
    tree = _look_up(result.trees["nearest_run"], runs)
    trees = pd.Series(tree, index=pd.Index(result.trees["tree_id"].astype(str)))
    first = split_ids(result.strings["run_ids"]).str[0]
    strings = pd.Series(
        _look_up(first, runs), index=pd.Index(result.strings["string_id"].astype(str))
    )
    named = {
        **dict.fromkeys(_OF_RUN, runs),
        **dict.fromkeys(_OF_TREE, trees),
        "string_id": strings,
    }
    found = {
        name: _own_table(table, named) for name, table in result.tables.items() if name not in LONG
    }
    found["findings"] = _own_findings(result.findings, {"runs": runs, "trees": trees})
    about_trees = (result.alerts["about"] == "trees").to_numpy(dtype=bool)
    told = np.where(about_trees, _look_up(result.alerts["item_id"], trees), NOBODY)
    found["alerts"] = np.where(found["alerts"] == NOBODY, told, found["alerts"])
    index = shapely.STRtree(np.asarray(result.runs.geometry))
    for name in _NEAR:
        found[name] = _own_near(getattr(result, name), found[name], index, run)
    return found


def _own_table(table: pd.DataFrame, named: dict[str, pd.Series]) -> Ints:
    """Find the area of each row by the first of its names that tells one."""
    owner = np.full(len(table), NOBODY, dtype=np.int64)
    for name, known in named.items():
        if name in table:
            ids = split_ids(table[name]).str[0] if name.endswith("_ids") else table[name]
            owner = np.where(owner == NOBODY, _look_up(ids, known), owner)
    return owner


def _own_findings(findings: pd.DataFrame, known: dict[str, pd.Series]) -> Ints:
    """Find the area of each finding: that of the run or tree which it is about."""
    owner = np.full(len(findings), NOBODY, dtype=np.int64)
    for layer, table in _LAYERS.items():
        mine = (findings["layer"] == layer).to_numpy(dtype=bool)
        owner[mine] = _look_up(findings["row"][mine], known[table])
    return owner


def _look_up(ids: pd.Series, known: pd.Series) -> Ints:
    """Look up areas by id; `NOBODY` where there is none of the name."""
    row = known.index.get_indexer(pd.Index(ids.astype(object).fillna("").astype(str)))
    return np.append(known.to_numpy(dtype=np.int64), NOBODY)[row]


def _own_near(table: gpd.GeoDataFrame, owner: Ints, index: shapely.STRtree, run: Ints) -> Ints:
    """Give rows that name no run to the area of the run that lies nearest."""
    rest = np.flatnonzero(owner == NOBODY)
    row, nearest = index.query_nearest(np.asarray(table.geometry)[rest], all_matches=False)
    found = owner.copy()
    found[rest[row]] = run[nearest]
    return found


def take_areas(result: Result, parts: Sequence[Part], owners: dict[str, Ints]) -> Iterator[Area]:
    """Take the rows of one area after the other.

    Parameters
    ----------
    result : Result
        From `routekit.pipeline.draw_conclusions`.
    parts : sequence of Part
    owners : dict of str to numpy.ndarray of int
        From `own_rows`.

    Yields
    ------
    Area
    """
    met = [result.encroachments, result.near_misses]
    met_tree = np.concatenate([table["tree"].to_numpy(dtype=np.int64) for table in met])
    met_by = np.concatenate([owners["encroachments"], owners["near_misses"]])
    trees = pd.Series(
        np.arange(len(result.trees)), index=pd.Index(result.trees["tree_id"].astype(str))
    )
    tree_of = {name: _look_up(result.tables[name]["tree_id"], trees) for name in _OF_TREES}
    for part in parts:
        shown = owners["trees"] == part.number
        shown[met_tree[met_by == part.number]] = True
        tables, is_own = {}, {}
        for name, owner in owners.items():
            rows = np.flatnonzero(_show(name, owner == part.number, part, shown, tree_of))
            tables[name] = take_down(result.tables[name].iloc[rows].reset_index(drop=True))
            is_own[name] = owner[rows] == part.number
        yield Area(
            number=part.number,
            tables=tables,
            is_own=is_own,
            runs=part.own,
            trees=np.flatnonzero(shown),
        )


def _show(name: str, own: Flags, part: Part, trees: Flags, tree_of: dict[str, Ints]) -> Flags:
    """Tell which rows of a table an area shows."""
    if name == "trees":
        return trees
    if name in _OF_TREES:
        return np.asarray(own | np.append(trees, [False])[tree_of[name]])
    if name in _TAKEN:
        taken = own.copy()
        taken[getattr(part.rows, name)] = True
        return taken
    return own


def count_positions(table: pd.DataFrame, runs: Ints, trees: Ints) -> pd.DataFrame:
    """Count positions of runs and trees among those of an area.

    Parameters
    ----------
    table : DataFrame
        `run` and `tree`, if it has them, are positions in the whole study.
    runs, trees : numpy.ndarray of int
        Those of the area, ascending.

    Returns
    -------
    DataFrame
    """
    moved = {
        name: pd.Series(
            np.searchsorted(rows, table[name].to_numpy(dtype=np.int64)), index=table.index
        ).astype(table[name].dtype)
        for name, rows in (("run", runs), ("tree", trees))
        if name in table
    }
    return table.assign(**moved) if moved else table
