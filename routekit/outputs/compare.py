"""Find what differs between two result files, value by value.

Running numbers mean nothing between two results: a pit is known by its manhole and role, a string
by its first and last manhole, and where other texts name them by number, these names stand in.
"""

from __future__ import annotations

import os
import re
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely
from numpy.typing import NDArray
from pyogrio.errors import DataSourceError

from routekit.errors import LayerError
from routekit.layers.opening import find_database_fault, shut_doors
from routekit.outputs.atomic import settle_results
from routekit.outputs.compare_exact import ROW_KEYS

KEYS = {
    "decisions": "decision",
    "root_zones": "tree_id",
    "settings": "name",
    "inputs": "name",
    "totals": "quantity",
    "runs": "run_id",
    "trees": "tree_id",
    "pits": "pit_id",
    "strings": "string_id",
    "digs": "dig_id",
    "breaches": "row_name",
    "encroachments": "row_name",
    "stems": "row_name",
    "trenches": "run_id",
    "structural_zones": "tree_id",
    "checks": "row_name",
    "options": "row_name",
    "quantities": "row_name",
    "ways": "way",
    "alerts": "row_name",
    "surveys": "survey",
    "programme": "package_id",
    "stages": "row_name",
    "flow_diversion": "work_id",
    "new_lines": "run_id",
    "new_line_checks": "row_name",
    "new_line_connections": "row_name",
    "as_built": "row_name",
    "lessons": "lesson",
    "permits": "permit_id",
    "after_care": "row_name",
    "findings": "row_name",
    "rules": "row_name",
}
"""Layers compared, with the column that names a row, or its running number: what people did first,
then what follows from it. Settings and inputs stand in the layer `provenance`; `row_name` is made
of the columns that name a row together."""

_PROVENANCE = {
    "settings": ("setting", {"name": "name", "value": "value"}),
    "inputs": ("input", {"name": "name", "source": "file", "value": "sha256", "text": "rows"}),
}
"""Layers that are one kind of row of the provenance: that kind, and its columns renamed."""

_PROVENANCE_LAYER = "provenance"

_ENTRY = re.compile(r"; (?=[^;=]+ = )")
"""What stands between the entries of a setting that holds several under names of their own."""

_NAMED_BY = {
    "pits": ("manhole_id", "role"),
    "strings": ("from_manhole", "to_manhole"),
    "decisions": ("run_id", "tree_id", "decision"),
    "digs": ("kind", "connection_id", "run_id"),
    "programme": ("run_ids",),
    **{
        layer: ROW_KEYS[layer]
        for layer in (
            "breaches",
            "encroachments",
            "stems",
            "checks",
            "options",
            "quantities",
            "stages",
            "alerts",
            "as_built",
            "after_care",
            "findings",
            "rules",
        )
    },
}
"""Columns that name a row instead, joined; rows named alike are counted in their order."""

_NUMBERED = ("pits", "strings", "digs")
_WORD = re.compile(r"\w+(?:-\w+)*")

COLUMNS = ("layer", "key", "column", "old", "new")
_RELATIVE = 1e-6
_LEAST = 0.005
_SIZES = ("_m", "_m2")
_MOVED_M = 0.005
_ROW = "row"


def compare_results(old_gpkg: str | Path, new_gpkg: str | Path) -> pd.DataFrame:
    """List the differences between two results.

    Parameters
    ----------
    old_gpkg, new_gpkg : str or Path
        Files written by `routekit.outputs.geopackage.write_geopackage`.

    Returns
    -------
    pandas.DataFrame
        Columns layer, key, column, old, new (text; missing where nothing is known), sorted by
        layer, then by the order of rows and columns in the files. A row that only one file has
        is one line with column `row`; a shape that moved by more than 5 mm is one with column
        `geometry`. Numbers within a millionth of each other are equal, and lengths and areas
        within 0.005 m or m2 (house). Pits, strings and digs that only go by another number are.

    Raises
    ------
    LayerError
        If a file does not exist, cannot be read, or has a key twice in a layer.
    """
    return compare_tables(read_result(old_gpkg), read_result(new_gpkg))


def compare_tables(old: dict[str, pd.DataFrame], new: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """List the differences between two results that are read already.

    Parameters
    ----------
    old, new : dict of str to pandas.DataFrame
        From `read_result`.

    Returns
    -------
    pandas.DataFrame
        As `compare_results`.
    """
    pairs = {layer: (old[layer], new[layer]) for layer in KEYS}
    pairs |= {layer: _align(*pairs[layer]) for layer in _PROVENANCE}
    parts = [compare_layer(*pairs[layer], key) for layer, key in KEYS.items()]
    named = [part.assign(layer=layer) for part, layer in zip(parts, KEYS, strict=True)]
    return pd.concat(named, ignore_index=True)[list(COLUMNS)]


def _align(old: pd.DataFrame, new: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Give both tables all names, so that what one lacks is missing there; none if one is empty."""
    if old.empty or new.empty:
        return old.iloc[:0], new.iloc[:0]
    names = pd.Index(new["name"]).append(pd.Index(old["name"])).unique().rename("name")
    both = [table.set_index("name").reindex(names).reset_index() for table in (old, new)]
    return both[0], both[1]


def find_result(path: str | Path) -> Path:
    """Give the result file that is meant: itself, or the one in a folder.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    Path
    """
    named = Path(path)
    return named / "result.gpkg" if named.suffix != ".gpkg" and os.path.isdir(named) else named  # noqa: PTH112


def read_result(path: str | Path) -> dict[str, pd.DataFrame]:
    """Read the layers that are compared, each row under a name that lasts.

    Parameters
    ----------
    path : str or Path
        File written by `routekit.outputs.geopackage.write_geopackage`, or its folder.

    Returns
    -------
    dict of str to pandas.DataFrame
        By layer of `KEYS`; the key column holds the lasting name.

    Raises
    ------
    LayerError
        If the file does not exist, cannot be read, or has a key twice in a layer.
    """
    file = find_result(path)
    settle_results(file.parent)
    layers = _list_layers(file)
    stored = {layer: key for layer, key in KEYS.items() if layer not in _PROVENANCE}
    tables = {layer: _read(file, layer, key, layers) for layer, key in stored.items()}
    names: dict[str, str] = {}
    for layer, columns in _NAMED_BY.items():
        key, table = KEYS[layer], tables[layer]
        known = tuple(name for name in columns if name in table.columns)
        if known and len(table):
            lasting = _join_names(table, known)
            if layer in _NUMBERED:
                names |= dict(zip(table[key].astype("str"), lasting, strict=True))
            tables[layer] = table.assign(**{key: lasting})
    tables = {
        layer: _rename_all(table, names, {KEYS[layer], *_NAMED_BY.get(layer, ())})
        for layer, table in tables.items()
    }
    return tables | _read_provenance(file, layers)


def _read_provenance(path: Path, layers: set[str]) -> dict[str, pd.DataFrame]:
    """Read the settings and inputs of a result, each name once."""
    found = _read(path, _PROVENANCE_LAYER, "kind", layers)
    found = found.reindex(columns=["kind", "name", "value", "source", "text"])
    tables = {
        layer: found[(found["kind"] == kind).to_numpy()].rename(columns=names)[[*names.values()]]
        for layer, (kind, names) in _PROVENANCE.items()
    }
    tables["settings"] = _part_settings(tables["settings"])
    return {
        layer: table.drop_duplicates("name", ignore_index=True) for layer, table in tables.items()
    }


def _part_settings(settings: pd.DataFrame) -> pd.DataFrame:
    """Give each entry of a setting that holds several a row; those that hold none are left out."""
    parts = settings["value"].astype("str").fillna("").str.split(_ENTRY)
    table = settings[["name"]].assign(value=parts).explode("value").astype("str")
    entry = table["value"].str.extract(r"^(?P<entry>[^;=]+) = (?P<value>.*)$")
    named = entry["entry"].notna()
    out = pd.DataFrame(
        {
            "name": table["name"].where(~named, table["name"] + "." + entry["entry"]),
            "value": table["value"].where(~named, entry["value"]),
        }
    )
    return out[~out["value"].isin(["", "none", "not given"])]


def _join_names(table: pd.DataFrame, columns: tuple[str, ...]) -> pd.Series:
    """Join what names each row; those named alike are counted in their order."""
    names = pd.Series("", index=table.index, dtype="str")
    for column in columns:
        part = table[column].astype("str").fillna("")
        gap = pd.Series(" ", index=table.index).where((names != "") & (part != ""), "")
        names = names + gap + part
    again = names.groupby(names).cumcount()
    return names.where(again == 0, names + " (" + (again + 1).astype("str") + ")")


def _rename_all(table: pd.DataFrame, names: dict[str, str], keys: set[str]) -> pd.DataFrame:
    """Put lasting names in place of running numbers in all texts but those that name the row."""
    if not names:
        return table
    texts = [
        name
        for name in table.columns
        if isinstance(table[name].dtype, pd.StringDtype) and name not in keys
    ]
    return table.assign(**{name: _rename(table[name], names) for name in texts})


def _rename(texts: pd.Series, names: dict[str, str]) -> pd.Series:
    """Put lasting names in place of running numbers, once for each text of a column."""
    code, known = pd.factorize(texts)
    renamed = pd.Series(known, dtype="str").str.replace(
        _WORD, lambda found: names.get(found[0], found[0]), regex=True
    )
    return pd.Series(renamed.reindex(code).to_numpy(), index=texts.index, dtype="str")


def summarise_differences(differences: pd.DataFrame) -> pd.DataFrame:
    """Count the differences for each layer.

    Parameters
    ----------
    differences : pandas.DataFrame
        From `compare_results`.

    Returns
    -------
    pandas.DataFrame
        One row per compared layer: layer, added, removed, changed (rows), columns (names of the
        columns that changed with the number of rows, most first, joined by `, `).
    """
    rows = [_summarise_layer(layer, differences[differences["layer"] == layer]) for layer in KEYS]
    return pd.DataFrame(rows, columns=["layer", "added", "removed", "changed", "columns"])


def _summarise_layer(layer: str, part: pd.DataFrame) -> tuple[str, int, int, int, str]:
    """Count rows added, removed and changed, and those that changed in each column."""
    whole = part["column"] == _ROW
    changed = part[~whole]
    counts = changed["column"].value_counts(sort=True)
    names = ", ".join(f"{name} {count:,}" for name, count in counts.items())
    added = int((whole & (part["new"] == "present")).sum())
    return layer, added, int(whole.sum()) - added, changed["key"].nunique(), names


def write_counts(differences: pd.DataFrame) -> list[str]:
    """Write the counts of differences, a line for each layer that has any.

    Parameters
    ----------
    differences : pandas.DataFrame
        From `compare_results`.

    Returns
    -------
    list of str
    """
    counts = summarise_differences(differences)
    return [
        f"{layer}: {added:,} added, {removed:,} gone, {changed:,} changed"
        + (f" ({columns})" if columns else "")
        for layer, added, removed, changed, columns in counts.itertuples(index=False)
        if added or removed or changed
    ]


def compare_layer(old: pd.DataFrame, new: pd.DataFrame, key: str) -> pd.DataFrame:
    """List the differences between two versions of a table.

    Parameters
    ----------
    old, new : pandas.DataFrame
        With the key column; each key once.
    key : str
        Column that names a row.

    Returns
    -------
    pandas.DataFrame
        Columns key, column, old, new; rows only in one table first, then by row of `new`.
    """
    before, after = old.set_index(key), new.set_index(key)
    place = before.index.get_indexer(after.index)
    gone = before.index[np.setdiff1d(np.arange(len(before)), place)]
    come = after.index[place < 0]
    whole = pd.DataFrame(
        {
            "key": [*gone, *come],
            "column": _ROW,
            "old": [*np.repeat("present", len(gone)), *np.repeat("absent", len(come))],
            "new": [*np.repeat("absent", len(gone)), *np.repeat("present", len(come))],
        }
    )
    before, after = before.iloc[place[place >= 0]], after[place >= 0]
    names = [*after.columns, *before.columns.difference(after.columns, sort=False)]
    parts = [
        _compare_column(before, after, str(name), rank)
        for rank, name in enumerate(names)
        if not _is_untouched(before, after, str(name))
    ]
    empty = pd.DataFrame({"place": [], "rank": [], "key": [], "column": [], "old": [], "new": []})
    cells = pd.concat([empty.astype({"place": int, "rank": int}), *parts], ignore_index=True)
    cells = cells.sort_values(["place", "rank"], kind="stable")
    found = pd.concat([whole, cells[["key", "column", "old", "new"]]], ignore_index=True)
    return found.astype("str")


def _is_untouched(before: pd.DataFrame, after: pd.DataFrame, name: str) -> bool:
    """Tell whether a column of values is the same to the last bit: most are."""
    if name == "geometry" or name not in before.columns or name not in after.columns:
        return False
    return before[name].equals(after[name])


def _compare_column(
    before: pd.DataFrame, after: pd.DataFrame, name: str, rank: int
) -> pd.DataFrame:
    """List the rows in which one column differs; a column that one table lacks is missing there."""
    left = before[name] if name in before.columns else pd.Series(None, before.index, dtype=object)
    right = after[name] if name in after.columns else pd.Series(None, after.index, dtype=object)
    if name == "geometry":
        differs, old, new = _compare_shapes(left, right)
    else:
        differs = ~_equal(left, right, least=_LEAST if name.endswith(_SIZES) else 0.0)
        old, new = (_write(side[differs], name) for side in (left, right))
    place = np.flatnonzero(differs)
    keys = after.index.to_numpy()[place]
    return pd.DataFrame(
        {"place": place, "rank": rank, "key": keys, "column": name, "old": old, "new": new}
    )


def _write(values: pd.Series, name: str) -> NDArray[np.object_]:
    """Write values as text, numbers rounded to what matters."""
    if pd.api.types.is_float_dtype(values.dtype):
        rounded = values.round(2) if name.endswith(_SIZES) else values.map(_round_six)
        values = rounded.astype(values.dtype)
    return values.astype("str").to_numpy(dtype=object)


def _round_six(value: float) -> float:
    """Round to six significant digits."""
    return float(f"{value:.6g}")


def _equal(left: pd.Series, right: pd.Series, *, least: float = 0.0) -> NDArray[np.bool_]:
    """Mark the rows in which two columns hold the same, or both nothing."""
    nothing = (left.isna() & right.isna()).to_numpy()
    if all(pd.api.types.is_numeric_dtype(side.dtype) for side in (left, right)):
        a, b = (side.to_numpy(dtype=float, na_value=np.nan) for side in (left, right))
        return np.asarray(nothing | np.isclose(a, b, rtol=_RELATIVE, atol=least))
    a, b = (side.astype(object).to_numpy() for side in (left, right))
    return np.asarray(nothing | (a == b))


def _compare_shapes(
    left: pd.Series, right: pd.Series
) -> tuple[NDArray[np.bool_], NDArray[np.object_], NDArray[np.object_]]:
    """Mark shapes that moved, with the old size and how far the new outline is off."""
    old, new = (np.array(side, dtype=object) for side in (left, right))
    old[~shapely.is_geometry(old)] = None
    new[~shapely.is_geometry(new)] = None
    missing = shapely.is_missing(old) | shapely.is_missing(new)
    same = np.where(missing, old == new, shapely.hausdorff_distance(old, new) <= _MOVED_M)
    differs = ~same.astype(bool)
    off = shapely.hausdorff_distance(old[differs], new[differs])
    texts = np.array([f"moved up to {distance:.3f} m" for distance in off], dtype=object)
    lone = missing[differs]
    gone = shapely.is_missing(new[differs])
    return (
        differs,
        np.where(lone, np.where(gone, "drawn", "not drawn"), "as before"),
        np.where(lone, np.where(gone, "not drawn", "drawn"), texts),
    )


def _list_layers(path: Path) -> set[str]:
    """List the layers of a result that can be read."""
    try:
        is_there = path.exists()
    except OSError as error:
        message = f"no result to compare; {path} cannot be looked up ({error.strerror})"
        raise LayerError(message) from None
    if not is_there:
        message = f"no result to compare; {path} does not exist; name a result.gpkg or its folder"
        raise LayerError(message)
    try:
        fault = find_database_fault(path)
        if fault:
            message = f"a result cannot be read; {path} ({fault}); name a result.gpkg"
            raise LayerError(message)
        with shut_doors():
            return set(map(str, pyogrio.list_layers(path)[:, 0]))
    except DataSourceError as error:
        message = f"a result cannot be read; {path} ({error}); name a result.gpkg"
        raise LayerError(message) from error


def _read(path: Path, layer: str, key: str, layers: set[str]) -> pd.DataFrame:
    """Read one layer; an empty table where the file has no such layer."""
    empty = pd.DataFrame({key: pd.Series(dtype="str")})
    if layer not in layers:
        return empty
    try:
        with shut_doors():
            found = pyogrio.read_dataframe(path, layer=layer, use_arrow=True)
    except DataSourceError as error:
        message = f"a result cannot be read; {path}, layer {layer} ({error}); name a result.gpkg"
        raise LayerError(message) from error
    named_by = set(_NAMED_BY.get(layer, ())) & set(found.columns)
    if key not in found.columns and not named_by:
        return empty
    if key not in found.columns:
        found = found.assign(**{key: pd.Series("", index=found.index, dtype="str")})
    if layer == _PROVENANCE_LAYER or named_by:
        return pd.DataFrame(found)
    doubled = found[key][found[key].duplicated()].astype("str").unique()[:5]
    if len(doubled):
        message = (
            f"rows cannot be matched; {path}, layer {layer}, duplicate {key}: "
            f"{', '.join(doubled)}; give each row a unique name"
        )
        raise LayerError(message)
    return pd.DataFrame(found) if isinstance(found, gpd.GeoDataFrame) else found
