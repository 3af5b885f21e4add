"""Columns that stand on disk and are mapped into memory: the system holds of them what is read.

Texts, numbers and shapes are most of what a study weighs, and most of them are carried from reading
to writing without being looked at. A table from the shelf is the same table; the pages of its
columns come from disk when they are read, and go again when memory is wanted.
"""

from __future__ import annotations

import mmap
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass, field, fields, is_dataclass, replace
from pathlib import Path
from typing import Any, BinaryIO, Final, TypeVar

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
from geopandas.array import GeometryDtype

from routekit.arrays import give_back
from routekit.errors import OutputError
from routekit.parts.shelf_shapes import StoredShapes, write_shapes

Table = TypeVar("Table", bound=pd.DataFrame)
Tables = TypeVar("Tables")

_LEAST_ROWS: Final = 1000
"""Tables of fewer rows are left where they are."""
_ALIGNED: Final = 64
"""Columns begin at multiples of so many bytes."""
_MAPPED: Final = pd.StringDtype("pyarrow", na_value=np.nan)
_HELD: Final = pd.StringDtype("python", na_value=np.nan)


@dataclass(frozen=True)
class Shelf:
    """Where columns stand.

    Attributes
    ----------
    folder : Path
        On disk: files without a name are made there, which are gone with the process, however it
        ends.
    """

    folder: Path
    _maps: list[mmap.mmap] = field(default_factory=list)
    _places: list[tuple[int, int]] = field(default_factory=list)

    def takes(self, n_rows: int) -> bool:
        """Tell whether a table of so many rows is put on disk; smaller ones stay where they are."""
        return n_rows >= _LEAST_ROWS

    def put(self, table: Table) -> Table:
        """Put texts, numbers and shapes of a table on disk.

        Parameters
        ----------
        table : DataFrame

        Returns
        -------
        DataFrame
            The same table, these columns mapped from disk; the given one holds its own as before,
            until it is let go.

        Raises
        ------
        OutputError
            If they cannot be written.
        """
        wanted = [name for name in table.columns if self._is_put(table[name])]
        if not self.takes(len(table)) or not wanted:
            return table
        found = self.put_columns(table[name] for name in wanted)
        return table.assign(**dict(zip(map(str, wanted), found, strict=True)))

    def put_columns(self, columns: Iterable[pd.Series]) -> list[pd.Series]:
        """Put columns of a table on disk, each let go before the next is asked for.

        Parameters
        ----------
        columns : iterable of Series

        Returns
        -------
        list of Series
            The same columns; those that are no texts, numbers or shapes as they are.

        Raises
        ------
        OutputError
            If they cannot be written.
        """
        found: list[pd.Series] = []
        begins: dict[int, tuple[int, pd.Index[Any]]] = {}
        try:
            with tempfile.TemporaryFile(dir=self.folder) as file:
                for place, column in enumerate(columns):
                    begin = self._write(column, file)
                    if begin is not None:
                        begins[place] = (begin, column.index)
                    found.append(column if begin is None else column.iloc[:0].copy())
                file.flush()
                whole = self._map(file) if begins else pa.py_buffer(b"")
        except OSError as error:
            message = (
                f"tables cannot be kept; folder {self.folder} ({error.strerror or error}); "
                "make room there or choose another output folder"
            )
            raise OutputError(message) from None
        for place, (begin, index) in begins.items():
            mapped = pa.ipc.open_stream(whole.slice(begin)).read_all().column(0)
            found[place] = _hold(found[place], mapped, index)
        return found

    def put_aside(self, table: Table) -> Table:
        """Put a table on disk, and give back what was used on the way."""
        found = self.put(table)
        del table
        self.rest()
        return found

    def take_down(self, table: Table) -> Table:
        """Give a table its texts and shapes in memory; see `take_down`."""
        return take_down(table)

    def put_all(self, tables: Tables) -> Tables:
        """Put all tables on disk that a record of tables holds, and the records in it.

        Parameters
        ----------
        tables : dataclass

        Returns
        -------
        dataclass
            The same record.
        """
        found: dict[str, Any] = {}
        for one in fields(tables):  # type: ignore[arg-type]
            value = getattr(tables, one.name)
            if isinstance(value, pd.DataFrame):
                found[one.name] = self.put_aside(value)
            elif is_dataclass(value) and not isinstance(value, type):
                found[one.name] = self.put_all(value)
        return replace(tables, **found)  # type: ignore[type-var]

    def rest(self) -> None:
        """Give back the memory of what is not being read, and what the process keeps in reserve."""
        if hasattr(mmap, "MADV_DONTNEED"):
            for one in self._maps:
                one.madvise(mmap.MADV_DONTNEED)
        give_back()

    def _is_put(self, column: pd.Series) -> bool:
        """Tell whether a column is one that is put on disk, and is not there already."""
        if _is_text(column):
            return getattr(column.dtype, "storage", "") == "python" or not self._holds(column)
        if _is_shape(column):
            return not (isinstance(column.array, StoredShapes) and column.array.is_stored)
        return isinstance(column.dtype, np.dtype) and column.dtype.kind in "iuf"

    def _holds(self, column: pd.Series) -> bool:
        """Tell whether texts are read from here: rows taken from them are copies in memory."""
        places = [
            (one.address, one.address + one.size)
            for chunk in _list_chunks(column)
            for one in chunk.buffers()
            if one is not None and one.size
        ]
        return all(
            any(begin <= first and last <= end for begin, end in self._places)
            for first, last in places
        )

    def _write(self, column: pd.Series, file: BinaryIO) -> int | None:
        """Write a column, and tell where it begins; None where it stays as it is."""
        if not self._is_put(column):
            return None
        file.write(bytes(-file.tell() % _ALIGNED))
        begin = file.tell()
        return begin if _write_column(column, file) else None

    def _map(self, file: BinaryIO) -> pa.Buffer:
        """Map a file into memory."""
        mapped = mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ)
        self._maps.append(mapped)
        whole = pa.py_buffer(mapped)
        self._places.append((whole.address, whole.address + whole.size))
        return whole


def _is_text(column: pd.Series) -> bool:
    """Tell whether a column is of texts."""
    return isinstance(column.dtype, pd.StringDtype)


def _list_chunks(column: pd.Series) -> list[pa.LargeStringArray]:
    """List the pieces of a column of texts, as they stand in memory."""
    held = pa.array(column.array, type=pa.large_string())
    return held.chunks if isinstance(held, pa.ChunkedArray) else [held]


def _is_shape(column: pd.Series) -> bool:
    """Tell whether a column is of shapes."""
    return isinstance(column.dtype, GeometryDtype)


def _hold(column: pd.Series, mapped: pa.ChunkedArray, index: pd.Index[Any]) -> pd.Series:
    """Give a column of the same kind whose values are those that are mapped."""
    if _is_shape(column):
        shapes = StoredShapes(mapped.chunk(0), column.array.crs)
        drawn: pd.Series = gpd.GeoSeries(shapes, index=index)
        return drawn
    held = (
        _MAPPED.__from_arrow__(mapped)  # type: ignore[attr-defined]
        if _is_text(column)
        else mapped.chunk(0).to_numpy(zero_copy_only=True)
    )
    return pd.Series(held, index=index, copy=False)


def _write_column(column: pd.Series, file: BinaryIO) -> bool:
    """Write a column where a file stands; False where it would not come back as it is."""
    if _is_text(column):
        held = pa.chunked_array(_list_chunks(column), type=pa.large_string()).combine_chunks()
    elif _is_shape(column):
        held = write_shapes(column)
    else:
        # Not a number is a number here, as it is in the table.
        held = pa.array(np.ascontiguousarray(column), from_pandas=False)
    if held is None:
        return False
    told = pa.table([held], names=["column"])
    sink = pa.PythonFile(_Stays(file), "w")
    with pa.ipc.new_stream(sink, told.schema) as stream:
        stream.write_table(told)
    sink.flush()
    return True


class _Stays:
    """A file that whoever writes to it does not close."""

    closed = False

    def __init__(self, file: BinaryIO) -> None:
        self.write, self.flush, self.tell = file.write, file.flush, file.tell

    def close(self) -> None:
        """Leave it open."""


def take_down(table: Table) -> Table:
    """Give a table its texts and shapes in memory, as stages work on them.

    Parameters
    ----------
    table : DataFrame
        Of few rows.

    Returns
    -------
    DataFrame
        The same table, which shares nothing with the given one.
    """
    found: dict[str, Any] = {}
    for name in table.columns:
        column = table[name]
        if _is_text(column) and getattr(column.dtype, "storage", "") != "python":
            found[name] = column.astype(_HELD)
        elif _is_shape(column) and isinstance(column.array, StoredShapes):
            found[name] = gpd.GeoSeries(
                np.asarray(column.array, dtype=object), index=column.index, crs=column.array.crs
            )
    # Copied, columns of a kind lie together again.
    return table.assign(**found).copy()
