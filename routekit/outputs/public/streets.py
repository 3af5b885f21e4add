"""Which street a pit, a dig or a tree belongs to; that of a run stands in its table."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray


def list_streets(runs: gpd.GeoDataFrame) -> tuple[pd.DataFrame, NDArray[np.int64]]:
    """List the streets and squares, and say which one each run lies in.

    Parameters
    ----------
    runs : geopandas.GeoDataFrame
        public_place, is_in_named_street: see `routekit.layers.public_places`.

    Returns
    -------
    streets : pandas.DataFrame
        label, is_named; named streets first, each group by name.
    street : numpy.ndarray of int, shape (n,)
        Row of `streets` for each run.
    """
    keys = pd.DataFrame(
        {
            "label": clean_text(runs["public_place"]).to_numpy(object),
            "is_named": runs["is_in_named_street"].to_numpy(dtype=bool),
        }
    )
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
