"""Carry over what people added to a file that is written anew: layers and tables of their own."""

from __future__ import annotations

import sqlite3
from collections.abc import Collection
from contextlib import closing
from pathlib import Path
from typing import Any, Final, NamedTuple
from urllib.parse import quote

import pyogrio
from pyogrio.errors import DataSourceError
from pyogrio.raw import read_arrow

from routekit.errors import OutputError
from routekit.layers.opening import shut_doors

_OWN_TABLES: Final = ("gpkg_", "rtree_", "sqlite_", "ogr_")
"""Names of tables that belong to the format itself begin so."""


class ForeignLayer(NamedTuple):
    """A layer that people added, as read."""

    name: str
    meta: dict[str, Any]
    rows: Any


class ForeignTables(NamedTuple):
    """What people added to a GeoPackage."""

    source: Path
    layers: list[ForeignLayer]
    tables: list[tuple[str, str]]
    """Name and SQL of tables and views that the format does not list."""

    def names(self) -> list[str]:
        """List what is carried over."""
        return [layer.name for layer in self.layers] + [name for name, _ in self.tables]


def read_foreign(path: Path, own: Collection[str]) -> ForeignTables:
    """Read the layers and tables of a GeoPackage that are not its own.

    Parameters
    ----------
    path : Path
        Need not exist.
    own : collection of str
        Layers that are written anew.

    Returns
    -------
    ForeignTables

    Raises
    ------
    OutputError
        If one cannot be read; nothing may be written then.
    """
    if not path.exists():
        return ForeignTables(path, [], [])
    try:
        with shut_doors():
            names = [str(name) for name in pyogrio.list_layers(path)[:, 0]]
            names = [name for name in names if name not in own]
            layers = [ForeignLayer(name, *read_arrow(path, layer=name)) for name in names]
        return ForeignTables(path, layers, _list_unlisted(path, {*names, *own}))
    except (DataSourceError, RuntimeError, ValueError, OSError, sqlite3.Error) as error:
        message = (
            f"layers that people added cannot be carried over; {path} ({error}); mend or move the "
            "file and run again; nothing was written"
        )
        raise OutputError(message) from error


def _list_unlisted(path: Path, known: set[str]) -> list[tuple[str, str]]:
    """List tables and views that the contents of a GeoPackage do not name, tables first."""
    address = f"file:{quote(str(path.absolute()))}?mode=ro"
    with closing(sqlite3.connect(address, uri=True)) as database:
        found = database.execute(
            "SELECT name, sql FROM sqlite_master WHERE type IN ('table', 'view') "
            "ORDER BY type, name"
        ).fetchall()
    return [
        (str(name), str(sql))
        for name, sql in found
        if name not in known and not str(name).startswith(_OWN_TABLES)
    ]


def write_foreign(found: ForeignTables, path: Path) -> None:
    """Add what was read to a new file.

    Parameters
    ----------
    found : ForeignTables
        From `read_foreign`.
    path : Path
        The new GeoPackage, complete but for these.

    Raises
    ------
    OutputError
        If one cannot be written.
    """
    try:
        for layer in found.layers:
            options = {"driver": "GPKG", "layer": layer.name}
            if layer.meta["geometry_type"] is not None:
                options |= {
                    "geometry_name": layer.meta["geometry_name"] or "wkb_geometry",
                    "geometry_type": layer.meta["geometry_type"],
                    "crs": layer.meta["crs"],
                }
            pyogrio.write_arrow(layer.rows, path, **options)
        if found.tables:
            _copy_unlisted(found, path)
    except (DataSourceError, RuntimeError, ValueError, OSError, sqlite3.Error) as error:
        message = (
            f"layers that people added cannot be carried over; {found.source} ({error}); move the "
            "file away and run again; earlier results are kept"
        )
        raise OutputError(message) from error


def _copy_unlisted(found: ForeignTables, path: Path) -> None:
    """Copy tables row by row, and views as they are said."""
    with closing(sqlite3.connect(path)) as database:
        database.execute("ATTACH DATABASE ? AS earlier", (str(found.source.absolute()),))
        for name, sql in found.tables:
            database.execute(sql)
            if sql.lstrip()[:12].lower() == "create table":
                quoted = name.replace('"', '""')
                database.execute(f'INSERT INTO main."{quoted}" SELECT * FROM earlier."{quoted}"')
        database.commit()
