"""Pack tables and outlines: as the page reads them, column by column.

A packed table is a mapping of columns, each one of

- `{"k": "i", "s": scale, "v": [...]}`: whole numbers; the value is `v / scale`;
- `{"k": "f", "v": [...]}`: numbers as they are, to five significant digits;
- `{"k": "d", "w": [...], "v": [...]}`: words, and for each row the word's position or -1;
- `{"k": "t", "v": [...]}`: one text per row.

Missing values are NaN, `None` for text, -1 for words. A packed outline is `{"f", "r", "xy"}`: rings
per feature, vertices per ring, and the vertices as differences on a grid of 2^32 cells across the
world in web mercator (9 mm a cell), easting and southing in turn. `encoding.py` writes them into
the page, from where they come back with lists in place of arrays and `None` in place of NaN.
"""

from __future__ import annotations

from collections.abc import Iterable
from decimal import ROUND_HALF_UP, Decimal
from typing import Any, Final

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

DECIMALS: Final = {
    "_share": 3,
    "_mm": 1,
    "_m": 2,
    "_m2": 2,
    "_m3": 2,
    "_kn": 1,
    "_deg": 1,
    "_sd_m": 2,
    "gradient": 5,
    "value": 3,
    "limit": 3,
}
"""Decimals kept, by the end of a column's name; other numbers keep five digits."""

_AS_SHOWN: Final = {"_share": (5, 100.0, 1), "value": (0, 1.0, 3), "limit": (0, 1.0, 3)}
"""Numbers that are kept as they are shown: decimals at first (0: five digits), factor, decimals."""

DICTIONARY_SHARE: Final = 0.7
"""Texts go by dictionary where fewer than this share of them differ."""

_POLYGONAL: Final = (3, 6)
_NEAR_MIDDLE: Final = 1e-6


def pack_table(frame: pd.DataFrame, columns: Iterable[str] | None = None) -> dict[str, Any]:
    """Pack the columns of a table.

    Parameters
    ----------
    frame : pandas.DataFrame
        Any table; geometry columns are left out.
    columns : iterable of str, optional
        Columns to keep; by default all.

    Returns
    -------
    dict
        `n` (rows) and `c` (packed columns by name).
    """
    wanted = list(frame.columns if columns is None else columns)
    kept = [name for name in wanted if _is_plain(frame[name])]
    return {"n": len(frame), "c": {str(name): pack_column(frame[name]) for name in kept}}


def pack_column(values: pd.Series) -> dict[str, Any]:
    """Pack one column by its type; see the module's text.

    Parameters
    ----------
    values : pandas.Series
        Numbers, truth values, categories or text.

    Returns
    -------
    dict
        The packed column.
    """
    if pd.api.types.is_bool_dtype(values.dtype):
        return {
            "k": "i",
            "s": 1,
            "v": values.astype("Float64").to_numpy(float, na_value=np.nan),
        }
    if pd.api.types.is_numeric_dtype(values.dtype):
        return _pack_numbers(str(values.name), values.to_numpy(float, na_value=np.nan))
    return _pack_words(values)


def pack_outlines(grid_xy: NDArray[np.int64], geometry: NDArray[Any]) -> dict[str, Any]:
    """Pack the outlines of features whose vertices are already on the world grid.

    Parameters
    ----------
    grid_xy : numpy.ndarray of int, shape (v, 2)
        Grid cells of the vertices that `split_rings` lists, in that order.
    geometry : numpy.ndarray of object, shape (n,)
        The same features; only their structure is used.

    Returns
    -------
    dict
        `f`, `r` and `xy`; see the module's text.
    """
    rings, owner = split_rings(geometry)
    steps = np.diff(grid_xy, axis=0, prepend=np.zeros((1, 2), dtype=np.int64))
    return {
        "f": np.bincount(owner, minlength=len(geometry)).astype(np.int64),
        "r": shapely.get_num_coordinates(rings).astype(np.int64),
        "xy": steps.ravel(),
    }


def split_rings(geometry: NDArray[Any]) -> tuple[NDArray[Any], NDArray[np.int64]]:
    """Break features into their rings, lines and points.

    Parameters
    ----------
    geometry : numpy.ndarray of object, shape (n,)
        Any geometries; missing and empty ones have no ring.

    Returns
    -------
    rings : numpy.ndarray of object, shape (r,)
        Rings, lines and points, in feature order.
    owner : numpy.ndarray of int, shape (r,)
        Position of the feature that each one belongs to.
    """
    parts, owner = shapely.get_parts(geometry, return_index=True)
    full = ~(shapely.is_missing(parts) | shapely.is_empty(parts))
    parts, owner = parts[full], owner[full]
    polygonal = np.isin(shapely.get_type_id(parts), _POLYGONAL)
    rings, ring_of = shapely.get_rings(parts[polygonal], return_index=True)
    pieces = np.concatenate([rings, parts[~polygonal]])
    owners = np.concatenate([owner[polygonal][ring_of], owner[~polygonal]])
    order = np.argsort(owners, kind="stable")
    return pieces[order], owners[order].astype(np.int64)


def _is_plain(values: pd.Series) -> bool:
    """Tell whether a column holds plain values."""
    return str(values.dtype) != "geometry"


def _pack_numbers(name: str, values: NDArray[np.float64]) -> dict[str, Any]:
    """Pack numbers as whole numbers where the name tells how many decimals matter."""
    values = np.where(np.isfinite(values), values, np.nan)
    known = values[~np.isnan(values)]
    if known.size == 0 or np.array_equal(known, np.round(known)):
        return {"k": "i", "s": 1, "v": values}
    ends = sorted((end for end in DECIMALS if name.endswith(end)), key=len)
    if not ends:
        return {"k": "f", "v": _short_floats(values)}
    scale = 10 ** DECIMALS[ends[-1]]
    if ends[-1] in _AS_SHOWN:
        first, factor, decimals = _AS_SHOWN[ends[-1]]
        kept = np.round(values * 10**first) / 10**first if first else _short_floats(values)
        return {"k": "i", "s": scale, "v": _to_fixed(kept * factor, decimals)}
    return {"k": "i", "s": scale, "v": np.round(values * scale)}


def _short_floats(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Round to five significant digits."""
    size = np.floor(np.log10(np.where((values == 0) | np.isnan(values), 1.0, np.abs(values))))
    step = 10.0 ** (4 - size)
    rounded: NDArray[np.float64] = np.round(values * step) / step
    return rounded


def _to_fixed(values: NDArray[np.float64], decimals: int) -> NDArray[np.float64]:
    """Round as `toFixed` of the page does (ECMA-262): the nearest, of two the one farther from 0.

    Gives whole numbers, of the last decimal that is kept.
    """
    size = np.abs(values) * 10**decimals
    whole = np.floor(size + 0.5)
    # A number that lies this near to the middle is weighed as the exact binary fraction that it is.
    is_close = np.abs(size - np.floor(size) - 0.5) < _NEAR_MIDDLE
    exact = [
        float((Decimal(one) * 10**decimals).to_integral_value(ROUND_HALF_UP))
        for one in np.abs(values[is_close]).tolist()
    ]
    whole[is_close] = exact
    rounded: NDArray[np.float64] = np.copysign(whole, values) + 0.0
    return rounded


def _pack_words(values: pd.Series) -> dict[str, Any]:
    """Pack text, by dictionary where that is shorter."""
    codes, names = pd.factorize(values)
    words = [str(name) for name in names]
    if len(words) > max(DICTIONARY_SHARE * len(codes), 8):
        return {"k": "t", "v": [None if code < 0 else words[code] for code in codes.tolist()]}
    return {"k": "d", "w": words, "v": codes.astype(np.int64)}
