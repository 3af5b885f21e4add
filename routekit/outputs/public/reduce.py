"""What may be public: each table cut down to the columns of an allow-list.

Everything else of the page is built from the reduced tables alone, so that a column that is
not on the list cannot reach it. A column that a table does not have is added as missing.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import geopandas as gpd
import pandas as pd

from routekit.errors import FieldError
from routekit.result import Result
from routekit.site.relaid import draw_dug


@dataclass(frozen=True, kw_only=True)
class PublicTables:
    """The reduced tables; columns as in `allow_list.toml`, index 0..n-1."""

    name: str
    crs: str
    runs: gpd.GeoDataFrame
    advice: pd.DataFrame
    trees: gpd.GeoDataFrame
    encroachments: pd.DataFrame
    trenches: pd.DataFrame
    strings: pd.DataFrame
    pits: gpd.GeoDataFrame
    digs: gpd.GeoDataFrame
    surfaces: gpd.GeoDataFrame
    obstacles: gpd.GeoDataFrame
    programme: pd.DataFrame
    flow_diversion: pd.DataFrame


@cache
def _read_allow_list() -> dict[str, tuple[str, ...]]:
    """Read the shipped list of public columns."""
    text = (files("routekit.outputs.public") / "allow_list.toml").read_text(encoding="utf-8")
    return {table: tuple(row["columns"]) for table, row in tomllib.loads(text).items()}


def load_allow_list() -> dict[str, tuple[str, ...]]:
    """Read the list of public columns.

    Returns
    -------
    dict of str to tuple of str
        Table name to the columns that the page may read.
    """
    return dict(_read_allow_list())


def _keep_columns(table: pd.DataFrame, columns: tuple[str, ...]) -> pd.DataFrame:
    """Take the listed columns in order; absent ones are all missing."""
    kept = {
        name: table[name].array if name in table else pd.array([None] * len(table), dtype=object)
        for name in columns
        if name != "geometry"
    }
    return pd.DataFrame(kept, index=pd.RangeIndex(len(table)))


def _keep_shapes(table: pd.DataFrame, columns: tuple[str, ...], crs: str) -> gpd.GeoDataFrame:
    """Take the listed columns and the shapes; rows without a shape are left out."""
    flat = _keep_columns(table, columns)
    if "geometry" in table:
        shapes = gpd.GeoSeries(table["geometry"].array, crs=crs)
    else:
        shapes = gpd.GeoSeries([None] * len(table), crs=crs)
    kept = gpd.GeoDataFrame(flat, geometry=shapes, crs=crs)
    return kept[~(kept.geometry.isna() | kept.geometry.is_empty)].reset_index(drop=True)


def reduce_result(result: Result) -> PublicTables:
    """Cut the tables of a study down to what may be public.

    Parameters
    ----------
    result : Result
        All tables of the study; not changed.

    Returns
    -------
    PublicTables
        Tables with the listed columns only.

    Raises
    ------
    FieldError
        If a run or a tree has no number, or two share one: the page could not name them.
    """
    allowed = load_allow_list()
    shapes = {
        name: _keep_shapes(getattr(result, name), allowed[name], result.crs)
        for name in ("runs", "trees", "pits", "digs", "surfaces", "obstacles")
    }
    flat = {
        name: _keep_columns(getattr(result, name), allowed[name])
        for name in (
            "advice",
            "encroachments",
            "trenches",
            "strings",
            "programme",
            "flow_diversion",
        )
    }
    drawn = result.runs
    lines = _keep_shapes(result.new_lines, allowed["new_lines"], result.crs)
    if len(lines):
        drawn = drawn.assign(geometry=gpd.GeoSeries(draw_dug(drawn, lines), crs=result.crs))
    runs = _keep_shapes(drawn, allowed["runs"], result.crs)
    _refuse_bad_keys(runs, "runs", "run_id")
    _refuse_bad_keys(shapes["trees"], "trees", "tree_id")
    shapes["runs"] = runs
    return PublicTables(name=result.name, crs=result.crs, **shapes, **flat)


def _refuse_bad_keys(table: pd.DataFrame, layer: str, key: str) -> None:
    """Refuse missing and repeated numbers, naming the first five."""
    wrong = table[key].isna() | table[key].duplicated()
    if wrong.any():
        rows = ", ".join(str(value) for value in table.loc[wrong, key].head(5))
        count = int(wrong.sum())
        msg = f"{layer}.{key} is missing or repeated in {count} rows ({rows}); mend the keys"
        raise FieldError(msg)
