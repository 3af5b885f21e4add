"""Write a copy of the authority's own sewer layer with what was built; the layer itself stays.

The copy is read again as the study reads the layer before it is handed over: every other row and
column must be what it was, and every changed cell must be read as what was built.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely

from routekit.arrays import Flags
from routekit.errors import OutputError
from routekit.layers.findings import Findings
from routekit.layers.formats import ask_database
from routekit.layers.mapping import map_layer
from routekit.layers.opening import shut_doors, vector_source
from routekit.layers.raw_layers import read_layer
from routekit.layers.settings import InputSettings, LayerSource
from routekit.outputs.atomic import replacing_file
from routekit.record.authority import Changes

_DATABASE = "database"
_ERRORS = (OSError, sqlite3.Error, pyogrio.errors.DataSourceError, RuntimeError, ValueError)


def write_authority_copy(
    changes: Changes, inputs: InputSettings, base: Path, target: str | Path
) -> Path:
    """Write a copy of the sewer layer in which the runs named are as built.

    Parameters
    ----------
    changes : Changes
        From `routekit.record.authority.plan_changes`.
    inputs : InputSettings
        How the study reads its layers.
    base : Path
        Folder of the study file.
    target : str or Path
        GeoPackage to write; must not exist. A GeoPackage is copied whole, with all its layers; of
        another format the one layer is.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    OutputError
        If there is a file of that name already, it cannot be written, or what is read from it is
        not what was read from the layer; nothing is written then.
    """
    path = Path(target)
    if path.exists() or path.is_symlink():
        message = f"{path} is there already; name a new file; nothing was written"
        raise OutputError(message)
    if path.suffix.lower() != ".gpkg":
        message = f"{path}: the copy is a GeoPackage; name a file that ends with .gpkg"
        raise OutputError(message)
    source = inputs.layers.sewers
    opened, kind = vector_source("layers.sewers", changes.raw.path, inputs.study.also_open)
    if kind == "parquet":
        message = (
            f"{changes.raw.path} is GeoParquet, which is not copied cell by cell; save it as a "
            "GeoPackage and name that in the study; nothing was written"
        )
        raise OutputError(message)
    with replacing_file(path) as fresh:
        try:
            if kind == _DATABASE:
                _copy_database(changes, source, opened, fresh)
            else:
                _copy_layer(changes, source, opened, fresh)
        except _ERRORS as error:
            message = f"{path} cannot be written ({error}); nothing was written"
            raise OutputError(message) from error
        _prove(changes, inputs, base, fresh)
    return path


def _copy_database(changes: Changes, source: LayerSource, opened: str, fresh: Path) -> None:
    """Copy a GeoPackage whole, and change single cells in it."""
    name = changes.raw.layer_name
    ask_database(changes.raw.path, lambda address: _copy_whole(address, fresh))
    rows = _read_keys(source, opened, name)
    with closing(sqlite3.connect(fresh)) as base, base:
        # The triggers of the spatial index name functions that are never called here.
        for function, n in (
            ("ST_IsEmpty", 1),
            ("ST_MinX", 1),
            ("ST_MaxX", 1),
            ("ST_MinY", 1),
            ("ST_MaxY", 1),
        ):
            base.create_function(function, n, _refuse_geometry)
        key = _find_key(base, name)
        for row, column, new in _list_changes(changes):
            base.execute(
                f'UPDATE "{_quote(name)}" SET "{_quote(column)}" = ? WHERE "{_quote(key)}" = ?',
                (_plain(new), int(rows[row])),
            )


def _copy_whole(address: str, fresh: Path) -> None:
    """Copy a database with what a program that has it open has not yet written into its file."""
    with (
        closing(sqlite3.connect(address, uri=True)) as old,
        closing(sqlite3.connect(fresh)) as new,
    ):
        old.backup(new)
        new.execute("PRAGMA journal_mode = delete")


def _refuse_geometry(*_: Any) -> None:
    """Stand for a function of the spatial index; geometry never changes here."""
    raise sqlite3.OperationalError("geometry does not change")


def _find_key(base: sqlite3.Connection, name: str) -> str:
    """Find the column that numbers the rows of a table."""
    for row in base.execute(f'PRAGMA table_info("{_quote(name)}")'):
        if row[5]:
            return str(row[1])
    return "rowid"


def _read_keys(source: LayerSource, opened: str, name: str) -> np.ndarray:
    """Read the numbers of the rows that the study reads, in the order in which it does."""
    with shut_doors():
        found = pyogrio.read_dataframe(
            opened,
            layer=name,
            where=source.where,
            columns=[],
            read_geometry=False,
            fid_as_index=True,
        )
    return np.asarray(found.index)


def _copy_layer(changes: Changes, source: LayerSource, opened: str, fresh: Path) -> None:
    """Write the one layer of a file of another format as a GeoPackage, with the cells changed."""
    name = changes.raw.layer_name
    rows = _read_keys(source, opened, name)
    with shut_doors():
        whole = pyogrio.read_dataframe(opened, layer=name, fid_as_index=True)
    whole.columns = whole.columns.str.strip()
    for row, column, new in _list_changes(changes):
        whole.loc[rows[row], column] = new
    pyogrio.write_dataframe(whole.reset_index(drop=True), fresh, layer=name, driver="GPKG")


def _list_changes(changes: Changes) -> list[tuple[int, str, Any]]:
    """List row, column and new cell of each change."""
    table = changes.table
    return list(
        zip(table["row"].tolist(), table["column"].tolist(), table["new"].tolist(), strict=True)
    )


def _quote(name: str) -> str:
    """Double the quotation marks of a name in SQL."""
    return name.replace('"', '""')


def _plain(value: Any) -> Any:
    """Give a plain number or text that the database takes."""
    return value.item() if isinstance(value, np.generic) else value


def _prove(changes: Changes, inputs: InputSettings, base: Path, fresh: Path) -> None:
    """Read the copy as the study does, and refuse it unless it says what it should, and no more."""
    source = inputs.layers.sewers.model_copy(
        update={"path": str(fresh.absolute()), "layer": changes.raw.layer_name}
    )
    again = read_layer(
        "sewers", source, base=base, findings=Findings(), also_open=inputs.study.also_open
    )
    fault = _find_other(changes, again.frame)
    if not fault:
        read = [
            map_layer(one, inputs=inputs, findings=Findings()).table for one in (changes.raw, again)
        ]
        fault = _find_misread(changes, *read)
    if fault:
        message = f"the copy would not say what was built: {fault}; nothing was written"
        raise OutputError(message)


def _write_shapes(cells: pd.Series) -> pd.Series:
    """Write shapes as bytes, which are the same where the shapes are; other cells stay."""
    if not isinstance(cells, gpd.GeoSeries):
        return cells
    return pd.Series(shapely.to_wkb(np.asarray(cells)), index=cells.index, dtype=object)


def _find_same(before: pd.Series, after: pd.Series) -> Flags:
    """Tell which cells are the same; blank is the same as blank."""
    left, right = (cells.astype(object).reset_index(drop=True) for cells in (before, after))
    return ((left == right) | (left.isna() & right.isna())).to_numpy(dtype=bool)


def _find_other(changes: Changes, after: pd.DataFrame) -> str:
    """Name what changed besides the cells that were to change; blank for nothing."""
    before, table = changes.raw.frame, changes.table
    if list(before) != list(after) or len(before) != len(after):
        return "rows or columns are not those of the layer"
    for name in before:
        mine = table.loc[table["column"] == name, "row"].to_numpy(dtype=int)
        stays = np.ones(len(before), dtype=bool)
        stays[mine] = False
        same = _find_same(*(_write_shapes(table[name]) for table in (before, after)))
        if (stays & ~same).any():
            return f"column {name} is another in row {int((stays & ~same).argmax()) + 1}"
    return ""


def _is_meant(meant: Any, value: Any, within: float) -> bool:
    """Tell whether a cell is read as what it was meant to say, but for its rounding."""
    if isinstance(meant, str):
        return bool(value == meant)
    return bool(abs(float(value) - float(meant)) <= within + 1e-9)


def _find_misread(changes: Changes, before: pd.DataFrame, after: pd.DataFrame) -> str:
    """Name a cell that is read otherwise than it was meant; blank for none."""
    for name in before.columns.drop("assumed"):
        mine = changes.table[changes.table["canonical"] == name]
        stays = np.ones(len(before), dtype=bool)
        stays[mine["row"].to_numpy(dtype=int)] = False
        same = _find_same(before[name], after[name])
        # Columns read from one of the changed columns may say another thing in the same rows.
        shared = changes.table.loc[changes.table["canonical"] != name, "row"].to_numpy(dtype=int)
        stays[shared] = False
        if (stays & ~same).any():
            return f"{name} is read otherwise in row {int((stays & ~same).argmax()) + 1}"
        read = after[name].iloc[mine["row"].to_numpy(dtype=int)].tolist()
        for change, value in zip(mine.to_dict("records"), read, strict=True):
            if not _is_meant(change["meant"], value, change["within"]):
                told = f"{change['new']!r} in column {change['column']} is read as {value}"
                return f"{name} of run {change['run_id']}: {told}, not as {change['meant']}"
    return ""
