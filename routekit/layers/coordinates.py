"""Where rows of a table lie: columns of coordinates, and the reference system they fit."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final, NamedTuple

import geopandas as gpd
import numpy as np
import pyproj
from pyproj.exceptions import ProjError

from routekit.layers.names import spell_name
from routekit.layers.parsing import read_numbers

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd
    from numpy.typing import NDArray

X_WORDS: Final = (
    *("longitude", "lon", "long", "lng", "laengengrad", "langengrad", "lengtegraad", "longitud"),
    *("easting", "eastings", "east", "rechtswert", "ostwert", "utm x", "x"),
)
Y_WORDS: Final = (
    *("latitude", "lat", "lat", "lat", "breitengrad", "breitengrad", "breedtegraad", "latitud"),
    *("northing", "northings", "north", "hochwert", "nordwert", "utm y", "y"),
)
"""Words for the two coordinates, one against the other (usual spellings, from memory); «ä» is told
from «ae» (`routekit.layers.names.list_spellings`)."""

DEGREES: Final = "EPSG:4326"
"""What longitudes and latitudes without a word about their system mostly are (house choice)."""

_NEAR: Final = 0.5
"""Share of its longer side by which an extent is widened before another is held against it."""

_STRAY: Final = 0.02
"""Share of the shapes on either side that may lie anywhere, and do not make the extent."""

_LEAST_KNOWN: Final = 0.5
"""Share of rows that must hold both coordinates."""


class Placed(NamedTuple):
    """A reference system that a layer without one may have."""

    crs: str
    is_sure: bool
    why: str


def find_coordinates(table: pd.DataFrame) -> tuple[str, str] | None:
    """Find the two columns that hold the place of each row.

    Parameters
    ----------
    table : pandas.DataFrame
        Columns as the source has them.

    Returns
    -------
    tuple of str or None
        Columns of x (longitude) and of y (latitude), which are numbers on most rows and no
        constant; None if no two belong together.
    """
    names = [str(name) for name in table.columns if name != "geometry"]
    for x_word, y_word in zip(X_WORDS, Y_WORDS, strict=True):
        for x in names:
            y = next((n for n in names if n != x and _is_beside(x, n, x_word, y_word)), None)
            if y is not None and _are_places(table, x, y):
                return x, y
    return None


def guess_crs(frame: gpd.GeoDataFrame, others: Sequence[gpd.GeoDataFrame]) -> Placed | None:
    """Guess the reference system of a layer that names none.

    Parameters
    ----------
    frame : geopandas.GeoDataFrame
        Without reference system.
    others : sequence of geopandas.GeoDataFrame
        Layers of the same place with a system of their own.

    Returns
    -------
    Placed or None
        The system in which the layer lies where the others do; degrees, not sure, where there are
        no others; None if nothing fits. A grid is never sure: an older one of the same country
        lies but a few hundred metres off.
    """
    is_degrees = bool(np.all(np.abs(frame.total_bounds) <= (180, 90, 180, 90)))
    known = [other for other in others if other.crs is not None and len(other)]
    systems = [DEGREES] if is_degrees else []
    systems += [text for other in known if (text := _write_crs(other.crs)) not in systems]
    for text in systems:
        for other in known:
            if _lies_with(frame, text, other):
                why = "there it lies with the other layers"
                return Placed(text, is_sure=text == DEGREES, why=why)
    if is_degrees and not known:
        return Placed(DEGREES, is_sure=False, why="its coordinates look like degrees")
    return None


def _is_beside(x: str, y: str, x_word: str, y_word: str) -> bool:
    """Tell whether two names are the same but for the words of x and of y."""
    one, other = spell_name(x), spell_name(y)
    pattern = rf"(?<![a-z]){x_word}(?![a-z])"
    return bool(re.search(pattern, one)) and re.sub(pattern, y_word, one, count=1) == other


def _are_places(table: pd.DataFrame, x: str, y: str) -> bool:
    """Tell whether two columns hold numbers on most rows, and not the same ones."""
    places = np.column_stack([read_numbers(table[name]).values for name in (x, y)])
    known = places[np.isfinite(places).all(axis=1)]
    enough = len(known) >= _LEAST_KNOWN * max(len(table), 1)
    return enough and len(known) > 0 and (len(known) == 1 or bool(np.ptp(known, axis=0).all()))


def _write_crs(crs: pyproj.CRS) -> str:
    """Write a system as the study file takes it."""
    code = crs.to_epsg()
    return f"EPSG:{code}" if code else str(crs.to_wkt())


def _find_middles(frame: gpd.GeoDataFrame) -> NDArray[np.float64]:
    """Middle of each shape, of those with finite coordinates, shape (n, 2)."""
    bounds = frame.geometry.bounds.to_numpy(dtype=np.float64)
    bounds = bounds[np.isfinite(bounds).all(axis=1)]
    return np.asarray((bounds[:, :2] + bounds[:, 2:]) / 2.0, dtype=np.float64)


def _lies_with(frame: gpd.GeoDataFrame, text: str, other: gpd.GeoDataFrame) -> bool:
    """Tell whether the middle of a layer lies in the extent of another one, widened a little."""
    middles, others = _find_middles(frame), _find_middles(other)
    if not len(middles) or not len(others):
        return False
    low, high = np.quantile(others, [_STRAY, 1.0 - _STRAY], axis=0)
    middle_x, middle_y = np.median(middles, axis=0)
    try:
        transformer = pyproj.Transformer.from_crs(text, other.crs, always_xy=True)
        there = np.array(transformer.transform(middle_x, middle_y))
    except ProjError:
        return False
    # Along a straight street the others have hardly any breadth; their length is their extent.
    margin = _NEAR * np.max(high - low)
    return bool(np.all((low - margin <= there) & (there <= high + margin)))
