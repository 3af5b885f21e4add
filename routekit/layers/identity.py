"""Names of rows: missing ones made, doubled ones told apart, rows that stand twice left out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, TypeVar

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from routekit.layers.columns import load_columns
from routekit.layers.parsing import read_text
from routekit.words.columns import say_each
from routekit.words.texts import say

if TYPE_CHECKING:
    from collections import Counter

    from routekit.layers.findings import Findings

HELPERS: Final = ("row_key", "source_row", "geometry")
"""Columns that are no attribute of a row."""

NAMED_LAYERS: Final = ("sewers", "manholes", "trees")
"""Layers whose rows people name in decisions, inspections and drawn zones."""

_Frame = TypeVar("_Frame", bound=pd.DataFrame)


def find_id_column(layer: str) -> str | None:
    """Name the column that names the rows of a layer; None if none does."""
    first = next(iter(load_columns(layer).values()))
    return first.name if first.kind == "id" else None


def fill_ids(table: _Frame, layer: str, id_column: str, findings: Findings) -> _Frame:
    """Name the rows that have no id after their place in the source, as `row-17`.

    Parameters
    ----------
    table : pandas.DataFrame, n rows
        With the id column, row_key and source_row (from 1).
    layer, id_column : str
        Canonical layer and its id column.
    findings : Findings
        Takes the rows named; one finding where the whole layer has no ids.

    Returns
    -------
    pandas.DataFrame
        With an id in every row.
    """
    table = _blank_constant(table, layer, id_column, findings)
    unnamed = table[id_column].isna()
    if not unnamed.any():
        return table
    made = ("row-" + table["source_row"].astype("str")).astype("str")
    if not unnamed.all():
        keys, done_each = table.loc[unnamed, "row_key"], say_each("named {id}", id=made[unnamed])
        findings.add("warning", layer, keys, field=id_column, seen=say("no id"), done=done_each)
    elif layer in NAMED_LAYERS:
        done = say(
            "named row-1, row-2, ... after their place in the source; rows that change places "
            "change names: decisions would miss them"
        )
        findings.note("warning", layer, id_column, say("no row has an id"), done)
    else:
        done = say("named row-1, row-2, ... after their place in the source")
        findings.note("info", layer, id_column, say("no row has an id"), done)
    return table.assign(**{id_column: table[id_column].where(~unnamed, made)})


def _blank_constant(table: _Frame, layer: str, id_column: str, findings: Findings) -> _Frame:
    """Take an id that is the same on every row as none: it names nothing."""
    ids = table[id_column]
    if len(ids) <= 1 or ids.isna().any() or ids.nunique() > 1:
        return table
    seen = say(
        '"{id}" is the id of the only row',
        '"{id}" is the id of all {n:,} rows',
        id=str(ids.iloc[0]),
        n=len(ids),
    )
    done = say("taken as no id; map a column that differs from row to row")
    findings.note("warning", layer, id_column, seen, done)
    return table.assign(**{id_column: pd.Series(np.nan, index=table.index, dtype="str")})


def settle_doubles(
    table: gpd.GeoDataFrame,
    layer: str,
    id_column: str,
    *,
    findings: Findings,
    tally: Counter[str],
) -> gpd.GeoDataFrame:
    """Leave out rows that stand twice, and tell rows of one id apart.

    Parameters
    ----------
    table : geopandas.GeoDataFrame, n rows
        With ids in every row.
    layer, id_column : str
        Canonical layer and its id column.
    findings : Findings
        Takes each row left out or renamed, and places that carry two ids.
    tally : collections.Counter of str
        Counts under left_out.

    Returns
    -------
    geopandas.GeoDataFrame
        Of rows with the same id and geometry the first, of trees only where all else is the same;
        of rows with the same id and another geometry all, the later ones named `id~2`, `id~3`. Ids
        are unique.
    """
    table = table.assign(place=_place_codes(table))
    again = table.duplicated([id_column, "place"]).to_numpy()
    alike = _repeats_in_full(table, id_column)
    same, other = again & alike, again & ~alike
    if layer == "trees":
        # Rows of several stems, or of two surveys: the thicker one must not be lost.
        again, other = same, np.zeros_like(other)
    rows = table["source_row"].to_numpy()
    kinds = (
        (same, "warning", say_each("duplicate row: source row {row}", row=rows[same])),
        (
            other,
            "error",
            say_each("same id and place, other values: source row {row}", row=rows[other]),
        ),
    )
    for mask, severity, seen in kinds:
        keys, done = table.loc[mask, "row_key"], say("the later row left out")
        findings.add(severity, layer, keys, field=id_column, seen=seen, done=done)
    tally["left_out"] += int(again.sum())
    table = table.loc[~again].reset_index(drop=True)
    table = _rename_doubles(table, layer, id_column, findings)
    shares = table.duplicated("place")
    if shares.any():
        first = table.groupby("place", sort=False)[id_column].transform("first")
        lies = say_each("lies exactly on {id}", id=first[shares])
        keys, done = table.loc[shares, "row_key"], say("both kept")
        findings.add("warning", layer, keys, field="geometry", seen=lies, done=done)
    return table.drop(columns="place")


def drop_doubled_rows(
    table: pd.DataFrame, layer: str, *, findings: Findings, tally: Counter[str]
) -> pd.DataFrame:
    """Leave out rows of a table without geometry that repeat an earlier row in full.

    Observations without a chainage are no doubles, however alike: two roots at places that nobody
    noted are two roots.

    Parameters
    ----------
    table : pandas.DataFrame
        With row_key and source_row.
    layer : str
        Canonical layer.
    findings : Findings
        Takes the rows left out.
    tally : collections.Counter of str
        Counts under left_out.

    Returns
    -------
    pandas.DataFrame
        Distinct rows, on a new range index.
    """
    attributes = [name for name in table if name not in HELPERS]
    again = table.duplicated(attributes)
    if "chainage_m" in table:
        again &= table["chainage_m"].notna()
    findings.add(
        "warning",
        layer,
        table.loc[again, "row_key"],
        field="",
        seen=say_each("duplicate row: source row {row}", row=table.loc[again, "source_row"]),
        done=say("the later row left out"),
    )
    tally["left_out"] += int(again.sum())
    return table.loc[~again].reset_index(drop=True)


def find_blank_rows(frame: pd.DataFrame) -> NDArray[np.bool_]:
    """Find the rows of a layer without geometry in which nothing is written.

    Parameters
    ----------
    frame : pandas.DataFrame, n rows
        As read, with all columns of the source.

    Returns
    -------
    numpy.ndarray of bool, shape (n,)

    Examples
    --------
    >>> find_blank_rows(pd.DataFrame({"a": ["x", " ", ""], "b": [1.0, np.nan, 2.0]})).tolist()
    [False, True, False]
    """
    is_blank = np.ones(len(frame), dtype=bool)
    for name in frame:
        if not is_blank.any():
            break
        is_blank &= read_text(frame[name]).isna().to_numpy(dtype=bool)
    return is_blank


def is_among(ids: pd.Series, known: pd.Series) -> NDArray[np.bool_]:
    """Tell which ids are among others, by hashing: `isin` walks long text columns one by one.

    Parameters
    ----------
    ids, known : pandas.Series of str, shapes (n,) and (m,)
        Ids asked for, and distinct ids there are.

    Returns
    -------
    numpy.ndarray of bool, shape (n,)
        False where an id is NaN.
    """
    if ids.empty or known.empty:
        return np.zeros(len(ids), dtype=bool)
    return np.asarray(pd.Index(known).get_indexer(pd.Index(ids)) >= 0) & ids.notna().to_numpy()


def _place_codes(table: gpd.GeoDataFrame) -> NDArray[np.int64]:
    """Give each distinct geometry a number, whichever way a line is drawn."""
    geometry = np.asarray(table.geometry)
    if (shapely.get_type_id(geometry) == shapely.GeometryType.POINT).all():
        return pd.factorize(shapely.get_x(geometry) + 1j * shapely.get_y(geometry))[0]
    places = shapely.to_wkb(shapely.normalize(geometry))
    return pd.factorize(pd.Series(places, dtype=object))[0]


def _repeats_in_full(table: gpd.GeoDataFrame, id_column: str) -> NDArray[np.bool_]:
    """Mark rows that repeat an earlier row in every column; only rows of one id are compared."""
    shared = table[id_column].duplicated(keep=False).to_numpy()
    alike = np.zeros(len(table), dtype=bool)
    attributes = [name for name in table if name not in (*HELPERS, "crown")]
    alike[shared] = table.loc[shared, attributes].duplicated().to_numpy()
    return alike


def tell_apart(ids: pd.Series) -> pd.Series:
    """Give later ones of an id the endings ~2, ~3; until all differ.

    Parameters
    ----------
    ids : pandas.Series of str

    Returns
    -------
    pandas.Series of str

    Examples
    --------
    >>> tell_apart(pd.Series(["A", "B", "A"])).tolist()
    ['A', 'B', 'A~2']
    """
    while ids.duplicated().any():
        nth = ids.groupby(ids, sort=False).cumcount()
        ids = ids.where(nth == 0, ids + "~" + (nth + 1).astype("str"))
    return ids


def _rename_doubles(
    table: gpd.GeoDataFrame, layer: str, id_column: str, findings: Findings
) -> gpd.GeoDataFrame:
    """Give later rows of an id the endings ~2, ~3; until all ids differ."""
    ids = tell_apart(table[id_column])
    changed = ids.ne(table[id_column])
    if not changed.any():
        return table
    findings.add(
        "warning",
        layer,
        table.loc[changed, "row_key"],
        field=id_column,
        seen=say_each(
            "duplicate id, at another place or of other values: source row {row}",
            row=table.loc[changed, "source_row"],
        ),
        done=say_each("renamed {id}", id=ids[changed]),
    )
    return table.assign(**{id_column: ids})
