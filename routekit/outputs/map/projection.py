"""From the working CRS to the map: the only place where coordinates are transformed.

Geometry is computed in the study's own metric CRS; only what is drawn comes through here.
"""

from __future__ import annotations

from functools import cache
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from pyproj import Transformer

from routekit.outputs.map.packing import pack_outlines, split_rings

GRID_BITS: Final = 32
"""The world is 2^32 cells wide and high: 9 mm a cell at the equator."""

_REACH_M: Final = 100.0


@cache
def _to_degrees(crs: str) -> Transformer:
    """Give the transformer from a CRS to longitude and latitude."""
    return Transformer.from_crs(crs, "EPSG:4326", always_xy=True)


def to_lonlat(xy: ArrayLike, crs: str) -> NDArray[np.float64]:
    """Bring positions to longitude and latitude.

    Parameters
    ----------
    xy : array_like of float, shape (n, 2)
        Eastings and northings.
    crs : str
        Their CRS.

    Returns
    -------
    numpy.ndarray of float, shape (n, 2)
        Longitudes and latitudes in degrees.
    """
    places = np.asarray(xy, dtype=float).reshape(-1, 2)
    lon, lat = _to_degrees(crs).transform(places[:, 0], places[:, 1])
    return np.column_stack([lon, lat])


def to_grid(xy: ArrayLike, crs: str) -> NDArray[np.int64]:
    """Bring positions to cells of the world grid.

    Parameters
    ----------
    xy : array_like of float, shape (n, 2)
        Eastings and northings.
    crs : str
        Their CRS.

    Returns
    -------
    numpy.ndarray of int, shape (n, 2)
        Cells to the east of 180 W and to the south of the northern edge.

    Notes
    -----
    Spherical web mercator: ``x = lon / 360 + 1/2``, ``y = 1/2 - artanh(sin lat) / (2 pi)``,
    both times 2^32.
    """
    lonlat = to_lonlat(xy, crs)
    sine = np.sin(np.radians(lonlat[:, 1]))
    share = np.column_stack([lonlat[:, 0] / 360.0 + 0.5, 0.5 - np.arctanh(sine) / (2 * np.pi)])
    return np.round(share * 2.0**GRID_BITS).astype(np.int64)


def cells_per_metre(centre: ArrayLike, crs: str) -> NDArray[np.float64]:
    """Measure the size of a metre in grid cells at a place.

    Parameters
    ----------
    centre : array_like of float, shape (2,)
        Easting and northing.
    crs : str
        Their CRS, in metres.

    Returns
    -------
    numpy.ndarray of float, shape (2,)
        Cells in a metre to the east and to the north, each over a step of 100 m. The two differ
        by up to 0.7 %, since web mercator takes the earth for a sphere.
    """
    place = np.asarray(centre, dtype=float)
    steps = place + np.array([[0.0, 0.0], [_REACH_M, 0.0], [0.0, _REACH_M]])
    cells = to_grid(steps, crs).astype(float)
    lengths: NDArray[np.float64] = np.hypot(*(cells[1:] - cells[0]).T) / _REACH_M
    return lengths


def pack_geometry(geometry: NDArray[Any], crs: str, *, thin_m: float = 0.0) -> dict[str, Any]:
    """Pack features of the working CRS as outlines on the world grid.

    Parameters
    ----------
    geometry : numpy.ndarray of object, shape (n,)
        Any geometries, missing and empty ones included.
    crs : str
        Their CRS.
    thin_m : float, optional
        Outlines may lose vertices that lie no farther than this off the rest, in m.

    Returns
    -------
    dict
        A packed outline; see `routekit.outputs.map.packing`.
    """
    shapes = np.asarray(geometry, dtype=object)
    if thin_m > 0:
        shapes = shapely.simplify(shapes, thin_m, preserve_topology=True)
    shapes = shapely.force_2d(shapes)
    rings, _ = split_rings(shapes)
    return pack_outlines(to_grid(shapely.get_coordinates(rings), crs), shapes)
