"""Which street a run, a pit, a dig or a tree belongs to.

A street is a name in the runs' own street column; else the street of the nearest surface that
names one; else a square of a grid over the study, lettered from the west and numbered from the
north, so that a reader still finds the place on the map.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from routekit.arrays import split_ids

_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


def name_streets(
    runs: gpd.GeoDataFrame,
    surfaces: gpd.GeoDataFrame,
    strings: pd.DataFrame,
    *,
    street_reach_m: float,
    area_size_m: float,
) -> tuple[pd.DataFrame, NDArray[np.int64]]:
    """List the streets and say which one each run lies in.

    Parameters
    ----------
    runs : geopandas.GeoDataFrame
        run_id, street (missing where not named), geometry.
    surfaces : geopandas.GeoDataFrame
        street, geometry.
    strings : pandas.DataFrame
        string_id, run_ids (joined by `;`): runs of one string share one grid square.
    street_reach_m : float
        Farthest surface that lends its street, in m.
    area_size_m : float
        Side of the grid squares, in m.

    Returns
    -------
    streets : pandas.DataFrame
        label, is_named; named streets first, each group by name.
    street : numpy.ndarray of int, shape (n,)
        Row of `streets` for each run.
    """
    label = clean_text(runs["street"])
    lent = _borrow_names(runs, surfaces, street_reach_m)
    label = label.where(label != "", lent)
    is_named = (label != "").to_numpy()
    if not is_named.all():
        label = label.where(is_named, _grid_squares(runs, strings, area_size_m))
    keys = pd.DataFrame({"label": label.to_numpy(object), "is_named": is_named})
    streets = keys.drop_duplicates()
    streets = streets.assign(is_square=~streets["is_named"], order=streets["label"].map(_sort_key))
    streets = streets.sort_values(["is_square", "order"])[["label", "is_named"]]
    streets = streets.reset_index(drop=True)
    place = streets.reset_index().rename(columns={"index": "street"})
    street = keys.merge(place, on=["label", "is_named"], how="left")["street"]
    return streets, street.to_numpy(np.int64)


def clean_text(values: pd.Series) -> pd.Series:
    """Write values as text without line breaks and outer blanks; missing ones as empty text."""
    texts = values.astype(object).map(str, na_action="ignore")
    return texts.where(~values.isna().to_numpy(), "").astype(str).str.split().str.join(" ")


def _sort_key(label: str) -> tuple[str, str]:
    """Order names without regard to case, equal ones by their spelling."""
    return (label.casefold(), label)


def _borrow_names(runs: gpd.GeoDataFrame, surfaces: gpd.GeoDataFrame, reach_m: float) -> pd.Series:
    """Give the street of the nearest named surface within reach; empty text for none."""
    names = clean_text(surfaces["street"])
    named = surfaces[(names != "").to_numpy()]
    lent = np.full(len(runs), "", dtype=object)
    if len(named) and len(runs):
        middle = shapely.line_interpolate_point(runs.geometry.to_numpy(), 0.5, normalized=True)
        run, surface = named.sindex.nearest(middle, return_all=False, max_distance=reach_m)
        lent[run] = names[(names != "").to_numpy()].to_numpy(object)[surface]
    return pd.Series(lent, index=runs.index)


def _grid_squares(runs: gpd.GeoDataFrame, strings: pd.DataFrame, size_m: float) -> pd.Series:
    """Name the grid square of each run, or of the middle of its string."""
    if runs.empty:
        return pd.Series([], index=runs.index, dtype=str)
    middle = shapely.line_interpolate_point(runs.geometry.to_numpy(), 0.5, normalized=True)
    xy = pd.DataFrame(shapely.get_coordinates(middle), columns=["x", "y"], index=runs.index)
    # A run in no string stands by itself.
    alone = "run " + runs["run_id"].astype(str)
    group = runs["run_id"].map(_string_of_run(strings)).astype(object).fillna(alone)
    xy = xy.groupby(group)[["x", "y"]].transform("mean")
    column = np.floor((xy["x"] - xy["x"].min()) / size_m).astype(int)
    row = np.floor((xy["y"].max() - xy["y"]) / size_m).astype(int) + 1
    squares: pd.Series = column.map(_letters) + row.astype(str)
    return squares


def _letters(number: int) -> str:
    """Write 0, 1, ... 25, 26 as A, B, ... Z, AA."""
    text = _LETTERS[number % len(_LETTERS)]
    while number >= len(_LETTERS):
        number = number // len(_LETTERS) - 1
        text = _LETTERS[number % len(_LETTERS)] + text
    return text


def _string_of_run(strings: pd.DataFrame) -> dict[str, str]:
    """Map each run to the string that it is pulled in."""
    members = list_members(strings)
    return dict(zip(members["run_id"], members["string_id"], strict=True))


def list_members(works: pd.DataFrame, *columns: str) -> pd.DataFrame:
    """List the runs of each string, or of each package.

    Parameters
    ----------
    works : pandas.DataFrame
        run_ids (joined by `;`) and the columns named.
    *columns : str
        What is kept of each; string_id where none is named.

    Returns
    -------
    pandas.DataFrame
        These columns, run_id; one row per run of a string or package.
    """
    rows = works[list(columns or ("string_id",))].assign(run_id=split_ids(works["run_ids"]))
    return rows.explode("run_id", ignore_index=True).dropna(subset="run_id")


def place_works(works: gpd.GeoDataFrame, runs: gpd.GeoDataFrame) -> NDArray[np.int64]:
    """Find the run that each pit or dig serves.

    Parameters
    ----------
    works : geopandas.GeoDataFrame
        run_id (missing where not known), geometry.
    runs : geopandas.GeoDataFrame
        run_id, geometry; at least one.

    Returns
    -------
    numpy.ndarray of int, shape (n,)
        Row of the run that is named; of the nearest run where none is.
    """
    row = pd.Series(np.arange(len(runs)), index=runs["run_id"].to_numpy(object))
    found = works["run_id"].astype(object).map(row).to_numpy(float, copy=True)
    unnamed = np.isnan(found)
    found[unnamed] = nearest_run(works[unnamed], runs)
    rows: NDArray[np.int64] = found.astype(np.int64)
    return rows


def nearest_run(shapes: gpd.GeoDataFrame, runs: gpd.GeoDataFrame) -> NDArray[np.int64]:
    """Give the row of the run nearest to each shape."""
    found = np.zeros(len(shapes), dtype=np.int64)
    if len(shapes):
        shape, run = runs.sindex.nearest(shapes.geometry.to_numpy(), return_all=False)
        found[shape] = run
    return found


def pair_trees(
    trees: gpd.GeoDataFrame,
    runs: gpd.GeoDataFrame,
    street: NDArray[np.int64],
    breaches: pd.DataFrame,
    *,
    reach_m: float,
    public: NDArray[np.bool_],
) -> pd.DataFrame:
    """List which trees stand in which street.

    Parameters
    ----------
    trees : geopandas.GeoDataFrame
        tree_id, geometry (points).
    runs : geopandas.GeoDataFrame
        run_id, geometry.
    street : numpy.ndarray of int, shape (n,)
        Street of each run.
    breaches : pandas.DataFrame
        run_id, tree_id.
    reach_m : float
        A tree stands in the street of its nearest run if that is no farther than this, in m.
    public : numpy.ndarray of bool, shape (m,)
        Trees that may be shown; the others are in no street.

    Returns
    -------
    pandas.DataFrame
        tree, street (rows), distance_m to the nearest run (NaN for pairs known from a breach
        only), sorted by street and tree, each pair once.
    """
    if trees.empty or runs.empty:
        return pd.DataFrame({"tree": [], "street": [], "distance_m": []}).astype(
            {"tree": np.int64, "street": np.int64, "distance_m": float}
        )
    shown = np.flatnonzero(public)
    (tree, run), distance = runs.sindex.nearest(
        trees.geometry.to_numpy()[shown],
        return_all=False,
        max_distance=reach_m,
        return_distance=True,
    )
    near = pd.DataFrame({"tree": shown[tree], "street": street[run], "distance_m": distance})
    tree_row = pd.Series(np.arange(len(trees)), index=trees["tree_id"].to_numpy(object))
    run_street = pd.Series(street, index=runs["run_id"].to_numpy(object))
    cut = pd.DataFrame(
        {"tree": breaches["tree_id"].map(tree_row), "street": breaches["run_id"].map(run_street)}
    ).dropna()
    cut = cut.astype(np.int64).assign(distance_m=np.nan)
    pairs: pd.DataFrame = pd.concat([near, cut], ignore_index=True)
    pairs = pairs[public[pairs["tree"].to_numpy(np.int64)]]
    pairs = pairs.sort_values(["street", "tree", "distance_m"])
    return pairs.drop_duplicates(["street", "tree"]).reset_index(drop=True)
