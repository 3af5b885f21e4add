"""Handing layers over: their canonical columns in order, and an account of what became of rows."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from routekit.layers.columns import NUMBER_KINDS, TABLE_LAYERS, VECTOR_LAYERS, load_columns
from routekit.layers.mapping import MAPPING_COLUMNS
from routekit.layers.raw_layers import hash_source
from routekit.layers.stem_columns import LISTED

if TYPE_CHECKING:
    from collections import Counter, defaultdict
    from collections.abc import Iterable
    from pathlib import Path

    import pyproj

    from routekit.layers.mapping import MappedLayer
    from routekit.layers.raw_layers import RawLayer

UNASSUMED: Final = ("root_zones", "study_area", "stands", "streets", "decisions")
"""Layers that hold what people have drawn or decided: no value of theirs is assumed."""

SOURCE_COLUMNS: Final = ("layer", "path", "layer_name", "rows", "sha256")

ACCOUNT_COLUMNS: Final = ("layer", "read", "made", "left_out", "kept")


def finish_layer(table: pd.DataFrame, layer: str) -> pd.DataFrame:
    """Keep the canonical columns, in order, sorted by id; decisions as in their source.

    Parameters
    ----------
    table : pandas.DataFrame
        A layer, mended.
    layer : str
        Canonical layer.

    Returns
    -------
    pandas.DataFrame
        On a range index.
    """
    columns = load_columns(layer)
    names = [name for name, column in columns.items() if column.is_kept]
    if layer == "sewers":
        table = table.assign(length_m=np.asarray(shapely.length(np.asarray(table.geometry))))
        names += ["street_basis", "length_m"]
    if layer not in UNASSUMED:
        table = table.assign(assumed=table["assumed"].fillna("").astype("str"))
        names.append("assumed")
    extra = [name for name in ("origin", "crown", LISTED, "geometry") if name in table]
    keys = [next(iter(columns))]
    if layer == "inspections":
        keys.append("chainage_m")
    ordered: pd.DataFrame = table.reset_index(drop=True)
    if layer != "decisions":
        ordered = table.sort_values(keys, kind="stable", ignore_index=True)
    return ordered.loc[:, [*names, *extra]]


def empty_layer(layer: str, crs: pyproj.CRS) -> pd.DataFrame:
    """Make a layer without rows, with the columns and types of a full one.

    Parameters
    ----------
    layer : str
        Canonical layer.
    crs : pyproj.CRS
        Working CRS.

    Returns
    -------
    pandas.DataFrame
        A GeoDataFrame for layers with geometry.
    """
    texts = {name: pd.Series(dtype="str") for name in ("row_key", "assumed")}
    table = pd.DataFrame({**texts, "source_row": pd.Series(dtype=int)})
    for name, column in load_columns(layer).items():
        dtype = "float64" if column.kind in (*NUMBER_KINDS, "stem") else "str"
        if column.kind == "flag":
            dtype = "boolean" if column.fallback == "unknown" else "bool"
        table[name] = pd.Series(dtype=dtype)
    if layer in TABLE_LAYERS:
        return table
    placed: pd.DataFrame = gpd.GeoDataFrame(table, geometry=gpd.GeoSeries([], crs=crs))
    return placed


def list_sources(
    raws: dict[str, RawLayer], rasters: dict[str, Path | None], more: Iterable[RawLayer] = ()
) -> pd.DataFrame:
    """List what was read, with the hash of each file.

    Parameters
    ----------
    raws : dict of str to RawLayer
        Layers as read.
    rasters : dict of str to Path or None
        Files of the raster layers.
    more : iterable of RawLayer, optional
        Layers read besides, whose names may stand among the first.

    Returns
    -------
    pandas.DataFrame
        `SOURCE_COLUMNS`.
    """
    rows = [
        (raw.layer, str(raw.path), raw.layer_name, len(raw.frame), raw.sha256)
        for raw in (*raws.values(), *more)
    ]
    rows += [(name, str(p), "", 0, hash_source(p)) for name, p in rasters.items() if p is not None]
    return pd.DataFrame(rows, columns=list(SOURCE_COLUMNS))


def join_mappings(mapped: dict[str, MappedLayer]) -> pd.DataFrame:
    """Join the tables of what was read from which source column.

    Parameters
    ----------
    mapped : dict of str to MappedLayer
        One or more layers.

    Returns
    -------
    pandas.DataFrame
        `MAPPING_COLUMNS`.
    """
    parts = [each.mapping for each in mapped.values()]
    return pd.concat(parts, ignore_index=True)[list(MAPPING_COLUMNS)]


def sum_up_rows(
    tables: dict[str, pd.DataFrame], tallies: defaultdict[str, Counter[str]]
) -> pd.DataFrame:
    """Sum up rows read, made, left out and kept, each counted where it happened.

    Parameters
    ----------
    tables : dict of str to pandas.DataFrame
        All layers, finished.
    tallies : defaultdict of str to Counter
        Rows of each layer that were read, made and left out.

    Returns
    -------
    pandas.DataFrame
        `ACCOUNT_COLUMNS`, one row per layer.
    """
    rows = [
        (
            name,
            tallies[name]["read"],
            tallies[name]["made"],
            tallies[name]["left_out"],
            len(tables[name]),
        )
        for name in (*VECTOR_LAYERS, *TABLE_LAYERS)
    ]
    return pd.DataFrame(rows, columns=list(ACCOUNT_COLUMNS))
