"""Where residents find a run: its street by name, or a square of a grid.

A street is the name that the run carries, its own or from the layer of streets; else a square of a
grid over the study, lettered from the west and numbered from the north, so that a reader still
finds the place on the map.
"""

from __future__ import annotations

from string import ascii_uppercase

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from routekit.arrays import Flags, Objects, split_ids
from routekit.layers.streets import clean_names
from routekit.settings.public_page import PublicSettings


def name_places(
    runs: gpd.GeoDataFrame,
    strings: pd.DataFrame,
    settings: PublicSettings,
) -> dict[str, Objects | Flags]:
    """Say where residents find each run.

    Parameters
    ----------
    runs : geopandas.GeoDataFrame, n rows
        run_id, street, geometry: where they are dug.
    strings : pandas.DataFrame
        run_ids: runs of one string share one square.
    settings : PublicSettings
        area_size_m.

    Returns
    -------
    dict of str to numpy.ndarray, shape (n,)
        public_place: name of the street or of the square; is_in_named_street: whether it is a
        street.

    Examples
    --------
    >>> runs = gpd.GeoDataFrame({"run_id": ["R1", "R2"], "street": ["Alder Row", None]},
    ...     geometry=[shapely.LineString([(0, 0), (50, 0)]), shapely.LineString([(0, 9), (50, 9)])])
    >>> strings = pd.DataFrame({"run_ids": []})
    >>> name_places(runs, strings, PublicSettings())["public_place"].tolist()
    ['Alder Row', 'A1']
    """
    name = clean_names(runs["street"])
    lines = np.asarray(runs.geometry, dtype=object)
    middle = shapely.line_interpolate_point(lines, 0.5, normalized=True)
    is_named = name != ""
    if not is_named.all():
        ids = runs["run_id"].astype(str)
        name = np.where(is_named, name, _name_squares(middle, ids, strings, settings.area_size_m))
    return {
        "public_place": np.asarray(name, dtype=object),
        "is_in_named_street": np.asarray(is_named, dtype=bool),
    }


def _name_squares(
    middle: Objects, run_id: pd.Series, strings: pd.DataFrame, size_m: float
) -> Objects:
    """Name the grid square of each run, or of the middle of its string."""
    members = split_ids(strings["run_ids"].reset_index(drop=True)).explode().dropna()
    string = pd.Series(members.index.astype(str), index=members.to_numpy(object))
    string = string[~string.index.duplicated(keep="last")]
    # A run in no string stands by itself.
    group = run_id.map(string).astype(object).fillna("run " + run_id)
    xy = pd.DataFrame(shapely.get_coordinates(middle), columns=["x", "y"], index=run_id.index)
    xy = xy.groupby(group)[["x", "y"]].transform("mean")
    column = np.floor((xy["x"] - xy["x"].min()) / size_m).astype(int)
    row = np.floor((xy["y"].max() - xy["y"]) / size_m).astype(int) + 1
    return np.asarray((column.map(_letters) + row.astype(str)).to_numpy(dtype=object))


def _letters(number: int) -> str:
    """Write 0, 1, ... 25, 26 as A, B, ... Z, AA."""
    count = len(ascii_uppercase)
    text = ascii_uppercase[number % count]
    while number >= count:
        number = number // count - 1
        text = ascii_uppercase[number % count] + text
    return text
