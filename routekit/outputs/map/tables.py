"""Bring a result into the tables that a page shows: joined, ordered, linked by row position."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from routekit.outputs.map.words import WORDS_END
from routekit.result import Result

RUN_FACTS: Final = (
    "run_id",
    "from_manhole",
    "to_manhole",
    "diameter_mm",
    "height_mm",
    "shape",
    "material",
    "use",
    "year",
    "length_m",
    "gradient",
    "gradient_source",
    "ground_up_m",
    "ground_down_m",
    "depth_up_m",
    "depth_down_m",
    "depth_max_m",
    "depth_min_m",
    "deepest_at_m",
    "shallowest_at_m",
    "ground_profile",
    "depth_source",
    "renew",
    "position_sd_m",
    "street",
    "street_basis",
    "capacity_sound_l_s",
    "capacity_now_l_s",
    "required_l_s",
    "required_basis",
    "nearest_service",
    "service_clearance_m",
)
TRENCH_FACTS: Final = ("width_m", "width_rule", "corridor_width_m")
CONDITION_FACTS: Final = (
    "root_index",
    "root_share",
    "structural_grade",
    "worst_text",
    "priority",
    "priority_reason",
)
ADVICE_FACTS: Final = (
    "technique",
    "standing",
    "new_pipe",
    "new_outside_mm",
    "new_bore_mm",
    "bore_change",
    "runner_up",
    "string_id",
    "is_to_confirm",
    "cost_mid",
    "whole_life_cost_mid",
    "appraisal",
    "sureness",
)
ADVICE_TEXTS: Final = (
    "reason",
    "runner_up_reason",
    "camera_may_change",
    "cutting_offer",
    "would_change",
    "sureness_note",
    "to_confirm",
    "decision",
    "appraisal_turns",
)
NEW_LINE_TEXTS: Final = {"reason": "new_line", "reason_words": "new_line_words"}
TREE_FACTS: Final = (
    "tree_id",
    "species",
    "crown_diameter_m",
    "height_m",
    "age_class",
    "category",
    "is_protected",
    "is_veteran",
    "is_columnar",
    "is_from_raster",
    "works_outcome",
    "is_zone_known",
    "position_sd_m",
)
ZONE_FACTS: Final = (
    "stem_mid_mm",
    "stem_text",
    "radius_m",
    "area_m2",
    "structural_radius_m",
    "min_distance_m",
    "regime",
    "basis",
    "is_capped",
    "estimated",
)
_KEYS: Final = ("quantity", "unit")
"""Texts that the script looks rows up by: they are packed beside their statements."""
LOSS_FACTS: Final = (
    "n_runs",
    "footprint_m2",
    "footprint_share",
    "severed_m2",
    "severed_share",
    "stem_edge_m",
    "is_within_least",
    "severity",
)


def positions(keys: pd.Series, ids: pd.Series) -> NDArray[np.int64]:
    """Find the row of each key among ids.

    Parameters
    ----------
    keys : pandas.Series of str, shape (n,)
        What to look for.
    ids : pandas.Series of str, shape (m,)
        Where to look; of doubled ids the first counts.

    Returns
    -------
    numpy.ndarray of int, shape (n,)
        Row positions, -1 where an id is not there.
    """
    place = pd.Series(np.arange(len(ids)), index=pd.Index(ids.astype(object)))
    place = place[~(place.index.duplicated() | np.asarray(place.index.isna()))]
    found = place.reindex(pd.Index(keys.astype(object)))
    rows: NDArray[np.int64] = found.fillna(-1).to_numpy(np.int64)
    return rows


def attach(left: pd.DataFrame, right: pd.DataFrame, key: str, names: Iterable[str]) -> pd.DataFrame:
    """Add columns of another table by id, leaving what is not there unknown.

    Parameters
    ----------
    left, right : pandas.DataFrame
        Tables with the key column.
    key : str
        Name of the id column.
    names : iterable of str
        Columns wanted from `right`.

    Returns
    -------
    pandas.DataFrame
        A copy of `left` with the columns added.
    """
    wanted = list(names)
    row = positions(left[key], right[key])
    taken = right[wanted].reset_index(drop=True).reindex(row).set_axis(left.index)
    return left.drop(columns=wanted, errors="ignore").join(taken)


def add_words(table: pd.DataFrame, names: Iterable[str]) -> list[str]:
    """Add to names of columns those of their statements, where the table has them.

    Parameters
    ----------
    table : pandas.DataFrame
    names : iterable of str

    Returns
    -------
    list of str
    """
    wanted = list(names)
    return wanted + [f"{name}{WORDS_END}" for name in wanted if f"{name}{WORDS_END}" in table]


def leave_english(table: pd.DataFrame, names: Iterable[str]) -> list[str]:
    """Leave out texts that have their statements beside them, from which the page says them.

    Parameters
    ----------
    table : pandas.DataFrame
    names : iterable of str
        Columns that are wanted.

    Returns
    -------
    list of str
        The columns to pack: the statements in place of the text, where every text has its own;
        beside it, where some have none.
    """
    wanted = [name for name in names if not name.endswith(WORDS_END)]
    stated = [name for name in wanted if f"{name}{WORDS_END}" in table]
    whole = [name for name in stated if name not in _KEYS and _is_stated(table, name)]
    kept = [name for name in wanted if name not in whole]
    return kept + [f"{name}{WORDS_END}" for name in stated]


def _is_stated(table: pd.DataFrame, name: str) -> bool:
    """Tell whether every text of a column has its statement."""
    text, words = (table[one].fillna("").astype(str) != "" for one in (name, f"{name}{WORDS_END}"))
    return bool((words | ~text).all())


def order_by_place(table: gpd.GeoDataFrame, box: NDArray[np.float64]) -> gpd.GeoDataFrame:
    """Order features along a space-filling curve, so that neighbours pack well.

    Parameters
    ----------
    table : geopandas.GeoDataFrame
        Any layer; features without geometry go last.
    box : numpy.ndarray of float, shape (4,)
        Extent of the curve: west, south, east, north.

    Returns
    -------
    geopandas.GeoDataFrame
        The same rows with a fresh index.
    """
    if not len(table):
        return table.reset_index(drop=True)
    west, south, east, north = shapely.bounds(np.asarray(table.geometry, dtype=object)).T
    middle = gpd.GeoSeries(gpd.points_from_xy((west + east) / 2, (south + north) / 2))
    known = ~np.isnan(west)
    place = np.full(len(table), np.iinfo(np.int64).max)
    place[known] = middle[known].hilbert_distance(total_bounds=box).to_numpy(np.int64)
    return table.iloc[np.argsort(place, kind="stable")].reset_index(drop=True)


def run_table(result: Result) -> pd.DataFrame:
    """Join all that the page shows of a run.

    Parameters
    ----------
    result : Result
        The tables of a study.

    Returns
    -------
    pandas.DataFrame
        The runs with trench width, condition, recommendation, and what became of the new line that
        was sought for some.
    """
    trenches, condition, advice = result.trenches, result.condition, result.advice
    runs = attach(result.runs, trenches, "run_id", add_words(trenches, TRENCH_FACTS))
    runs = attach(runs, condition, "run_id", add_words(condition, CONDITION_FACTS))
    runs = attach(runs, advice, "run_id", add_words(advice, (*ADVICE_FACTS, *ADVICE_TEXTS)))
    sought = result.new_lines[["run_id", *NEW_LINE_TEXTS]].rename(columns=NEW_LINE_TEXTS)
    return attach(runs, sought, "run_id", NEW_LINE_TEXTS.values())


def tree_table(result: Result) -> pd.DataFrame:
    """Join all that the page shows of a tree: its own facts, its zone, its loss to open cut.

    Parameters
    ----------
    result : Result
        The tables of a study.

    Returns
    -------
    pandas.DataFrame
        The trees with the columns of zones and tree_loss that the page shows, and `zone`.
    """
    zone_facts = add_words(result.zones, (*ZONE_FACTS, "zone"))
    trees = attach(result.trees, result.zones, "tree_id", zone_facts)
    return attach(trees, result.tree_loss, "tree_id", LOSS_FACTS)


def linked(table: pd.DataFrame, keys: Mapping[str, tuple[str, pd.Series]]) -> pd.DataFrame:
    """Replace ids by row positions.

    Parameters
    ----------
    table : pandas.DataFrame
        A table that names rows of other tables.
    keys : mapping
        New column name to the id column and the ids it points into.

    Returns
    -------
    pandas.DataFrame
        The table with the new columns in place of the old ones, sorted by the first of them;
        rows of one position keep their order.
    """
    new = {name: positions(table[old], ids) for name, (old, ids) in keys.items()}
    olds = [old for old, _ in keys.values()]
    plain = pd.DataFrame(table).drop(columns=[*olds, "geometry", *keys], errors="ignore")
    return plain.assign(**new).sort_values(next(iter(new)), kind="stable", ignore_index=True)


def link_pit_stems(pits: pd.DataFrame, tree_ids: pd.Series) -> pd.DataFrame:
    """Link the stems nearest to each pit to the rows of a page.

    Parameters
    ----------
    pits : pandas.DataFrame
        With nearest_stems (blank is none), in the order of the page.
    tree_ids : pandas.Series
        As the page holds them.

    Returns
    -------
    pandas.DataFrame
        Columns pit and tree (row positions) and edge_m, nearest first within a pit; stems of trees
        that the page does not hold are left out.
    """
    stems = [
        (pit, stem["tree_id"], stem["edge_m"])
        for pit, listed in enumerate(pits["nearest_stems"])
        for stem in json.loads(listed or "[]")
    ]
    table = pd.DataFrame(stems, columns=["pit", "tree_id", "edge_m"])
    table["tree"] = positions(table.pop("tree_id"), tree_ids)
    return table[table["tree"] >= 0].reset_index(drop=True)
