"""Shapes that stand on disk and are made anew whenever they are read.

A point in memory takes ten times its coordinates. A column of these shapes is a column of shapes
to whoever works with it; shapes are made for the rows that are asked for, and forgotten with them.
"""

from __future__ import annotations

from numbers import Integral
from typing import Any, Final

import numpy as np
import pandas as pd
import pyarrow as pa
import shapely
from geopandas.array import GeometryArray
from geopandas.sindex import SpatialIndex
from pandas.api.indexers import check_array_indexer
from shapely import GeometryType

from routekit.arrays import Flags, Objects

_AT_ONCE: Final = 100_000
"""So many shapes are written or made at a time."""


def write_shapes(column: pd.Series) -> pa.LargeBinaryArray | None:
    """Write shapes as well-known binary.

    Parameters
    ----------
    column : Series of shapely geometries
        None where there is none.

    Returns
    -------
    pyarrow.LargeBinaryArray or None
        None where a shape would not come back as it is: closed rings that are no polygons do not.
    """
    shapes = np.asarray(column, dtype=object)
    if (shapely.get_type_id(shapes) == GeometryType.LINEARRING).any():
        return None
    begins = range(0, max(len(shapes), 1), _AT_ONCE)
    written = [shapely.to_wkb(shapes[one : one + _AT_ONCE], include_srid=True) for one in begins]
    return pa.concat_arrays([pa.array(one, type=pa.large_binary()) for one in written])


def make_shapes(stored: pa.LargeBinaryArray) -> Objects:
    """Make shapes from their well-known binary.

    Parameters
    ----------
    stored : pyarrow.LargeBinaryArray
        From `write_shapes`.

    Returns
    -------
    numpy.ndarray of shapely geometries
        None where there is none.
    """
    found = np.full(len(stored), None, dtype=object)
    for begin in range(0, len(stored), _AT_ONCE):
        some = stored.slice(begin, _AT_ONCE)
        found[begin : begin + _AT_ONCE] = shapely.from_wkb(some.to_numpy(zero_copy_only=False))
    return found


class StoredShapes(GeometryArray):  # type: ignore[misc]
    """A column of shapes of which only the well-known binary is held.

    Parameters
    ----------
    stored : pyarrow.LargeBinaryArray
        From `write_shapes`.
    crs : pyproj.CRS or None
    """

    # All that geopandas does with shapes begins at `_data`; what needs few rows of them, or none,
    # is answered here without making the others.

    def __init__(self, stored: pa.LargeBinaryArray, crs: Any = None) -> None:
        self._stored = stored
        self._changed: Objects | None = None
        super().__init__(np.empty(0, dtype=object), crs=crs)
        self._changed = None

    @property
    def _data(self) -> Objects:
        """The shapes, made anew; those that were put in their place once any was changed."""
        return make_shapes(self._stored) if self._changed is None else self._changed

    @_data.setter
    def _data(self, shapes: Objects) -> None:
        self._changed = shapes

    @property
    def is_stored(self) -> bool:
        """Whether no shape is held."""
        return self._changed is None

    @property
    def size(self) -> int:
        """How many there are."""
        return len(self._stored)

    @property
    def nbytes(self) -> int:
        """Bytes in memory, if all pages of the file are."""
        return int(self._stored.nbytes)

    @property
    def sindex(self) -> SpatialIndex:
        """A spatial index, made anew."""
        return SpatialIndex(self._data)

    def isna(self) -> Flags:
        """Tell where there is no shape."""
        if self._changed is not None:
            return np.asarray(super().isna(), dtype=bool)
        return np.asarray(self._stored.is_null().to_numpy(zero_copy_only=False), dtype=bool)

    def copy(self, *_: Any, **__: Any) -> StoredShapes:
        """Give another column of the same shapes."""
        other = StoredShapes(self._stored, self.crs)
        other._changed = None if self._changed is None else self._changed.copy()
        return other

    def take(self, indices: Any, allow_fill: bool = False, fill_value: Any = None) -> GeometryArray:
        """Make the shapes of some rows."""
        if self._changed is not None or not (fill_value is None or pd.isna(fill_value)):
            return super().take(indices, allow_fill=allow_fill, fill_value=fill_value)
        rows = np.asarray(indices, dtype=np.int64)
        last = len(self._stored) - 1
        if len(rows) and (rows.max() > last or rows.min() < (-1 if allow_fill else -last - 1)):
            msg = "there is no such row"
            raise IndexError(msg)
        is_none = (rows < 0) if allow_fill else np.zeros(len(rows), dtype=bool)
        rows = np.where(rows < 0, rows + last + 1, rows)
        return self._make(pa.array(rows, mask=is_none))

    def __getitem__(self, key: Any) -> Any:
        """Make the shapes of some rows; all rows stay on disk."""
        if self._changed is not None:
            return super().__getitem__(key)
        if isinstance(key, slice) and key == slice(None):
            return self.copy()
        if isinstance(key, Integral):
            place = range(len(self))[int(key)]
            return make_shapes(self._stored.slice(place, 1))[0]
        rows = np.arange(len(self))[check_array_indexer(self, key)]
        return self._make(pa.array(rows, type=pa.int64()))

    def __setitem__(self, key: Any, value: Any) -> None:
        """Change shapes; from then on all are held."""
        self._changed = self._data
        super().__setitem__(key, value)

    def __reduce__(self) -> tuple[Any, ...]:
        """Go to other processes as shapes, not as a place on this disk."""
        return GeometryArray, (self._data, self.crs)

    def _make(self, rows: pa.Array) -> GeometryArray:
        """Make the shapes of rows; none for a blank row."""
        return GeometryArray(make_shapes(self._stored.take(rows)), crs=self.crs)
