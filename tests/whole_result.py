"""Results that a test makes by hand: every declared column is there, blank where none is given."""

import geopandas as gpd
import numpy as np
import pandas as pd

from routekit.result import Result
from routekit.schema import load_tables

_BLANK = {
    "text": ("str", ""),
    "number": ("float64", np.nan),
    "count": ("int64", 0),
    "flag": ("bool", False),
    "told": ("boolean", pd.NA),
    "shape": ("object", None),
}


def blank_table(name, size=0):
    """A table of which nothing is known: NaN, missing or blank, false, 0 where none is missing."""
    columns = {}
    for field in load_tables()[name].fields.values():
        dtype, value = _BLANK[field.kind]
        if field.kind == "count" and field.null:
            dtype, value = "float64", np.nan
        if field.kind == "text" and field.null:
            value = None
        columns[field.name] = pd.Series([value] * size, dtype=dtype)
    return pd.DataFrame(columns)


def fill_table(name, given, crs):
    """The table with every column of the schema, in any case those that were given."""
    blank = blank_table(name, len(given)).set_axis(given.index)
    shapes = [f.name for f in load_tables()[name].fields.values() if f.kind == "shape"]
    missing = [column for column in blank if column not in given.columns]
    for column in shapes:
        blank[column] = gpd.GeoSeries(blank[column], crs=crs)
    whole = pd.concat([given, blank[missing]], axis=1)
    if "geometry" in shapes:
        return gpd.GeoDataFrame(whole, geometry="geometry", crs=crs)
    return gpd.GeoDataFrame(whole, geometry=shapes[0], crs=crs) if shapes else pd.DataFrame(whole)


def make_whole(name, crs, **tables):
    """A result of these tables, filled; those that are not given have no rows."""
    given = {each: tables.pop(each, pd.DataFrame()) for each in load_tables()}
    whole = {each: fill_table(each, table, crs) for each, table in given.items()}
    for each, table in whole.items():
        for row, home in (("run", "runs"), ("tree", "trees")):
            if row in load_tables()[each].fields and row not in given[each].columns:
                ids = pd.Index(whole[home][f"{row}_id"].astype("str"))
                table[row] = ids.get_indexer(pd.Index(table[f"{row}_id"].astype("str")))
    return Result(name=name, crs=crs, **whole, **tables)
