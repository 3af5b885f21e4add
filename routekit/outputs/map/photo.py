"""The background photo: warped to web mercator, cut to the study, kept small.

A photo placed by its corners in degrees sits metres off, so it is warped to the plan's own
projection first. What does not fit the size limit is drawn coarser, never cut away.
"""

from __future__ import annotations

import base64
import math
from collections.abc import Collection
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np
import rasterio
from numpy.typing import NDArray
from rasterio.enums import Resampling
from rasterio.errors import CRSError, RasterioError
from rasterio.io import MemoryFile
from rasterio.vrt import WarpedVRT
from rasterio.windows import Window

from routekit.errors import CrsError, LayerError
from routekit.layers.opening import open_raster
from routekit.outputs.map.projection import GRID_BITS, to_grid
from routekit.outputs.pages import BYTES_PER_MB

MERCATOR: Final = "EPSG:3857"
HALF_WORLD_M: Final = math.pi * 6_378_137.0
"""Half the side of the web mercator square, in its own metres (EPSG:3857)."""

QUALITY: Final = 50
MOST_PIXELS: Final = 8192
_COARSER: Final = 0.75
_NARROWEST_PIXELS: Final = 2
"""A photo is not made coarser below this width, pixels (house choice)."""
_RGB_BANDS: Final = (1, 2, 3)
"""Bands of a colour photo; one with fewer is grey."""


class Photo(NamedTuple):
    """A picture and where it lies on the world grid (west, north, east, south)."""

    box: list[int]
    webp: str


def read_photo(
    path: Path,
    crs: str,
    box: NDArray[np.float64],
    most_mb: float,
    *,
    also_open: Collection[str] = (),
) -> Photo | None:
    """Read the part of a photo that shows the study.

    Parameters
    ----------
    path : pathlib.Path
        A raster with one band (grey) or at least three (red, green, blue first).
    crs : str
        CRS of the study, also taken for a raster that names none.
    box : numpy.ndarray of float, shape (4,)
        West, south, east, north of what is wanted, in the study's CRS.
    most_mb : float
        Largest picture, in MB.
    also_open : collection of str, optional
        Formats opened besides those on the list: `study.also_open`.

    Returns
    -------
    Photo or None
        The picture as WebP in base64; None where the photo shows nothing of the study.

    Raises
    ------
    LayerError
        If the raster cannot be read.
    CrsError
        If its reference system is none.
    """
    try:
        return _read_photo(path, crs, box, most_mb, also_open)
    except CRSError as error:
        msg = (
            f"layers.photo: the reference system of {path} cannot be used ({error}); correct it "
            "in the file, or say outputs.map.has_photo = false"
        )
        raise CrsError(msg) from error
    except RasterioError as error:
        msg = (
            f"layers.photo: {path} cannot be read ({error}); repair or replace the file, or say "
            "outputs.map.has_photo = false"
        )
        raise LayerError(msg) from error


def _read_photo(
    path: Path, crs: str, box: NDArray[np.float64], most_mb: float, also_open: Collection[str]
) -> Photo | None:
    """Read the part of a photo that shows the study."""
    with (
        open_raster("layers.photo", path, also_open) as source,
        WarpedVRT(
            source,
            src_crs=source.crs or crs,
            crs=MERCATOR,
            add_alpha=True,
            resampling=Resampling.bilinear,
        ) as warped,
    ):
        window = _common_window(warped, _mercator_bounds(box, crs))
        if window is None:
            return None
        bounds = _window_bounds(warped, window)
        share = min(1.0, MOST_PIXELS / max(window.width, window.height))
        while True:
            picture = _write_webp(_read_colours(warped, window, share))
            if len(picture) <= most_mb * BYTES_PER_MB or share * window.width < _NARROWEST_PIXELS:
                break
            share *= _COARSER
    west, south, east, north = bounds
    corners = [_cell(west), _cell(-north), _cell(east), _cell(-south)]
    return Photo(corners, base64.b64encode(picture).decode("ascii"))


def _mercator_bounds(box: NDArray[np.float64], crs: str) -> tuple[float, float, float, float]:
    """Give the extent of a box in web mercator metres."""
    west, south, east, north = box
    corners = to_grid([[west, south], [west, north], [east, south], [east, north]], crs)
    metres = corners / 2.0**GRID_BITS * 2 * HALF_WORLD_M - HALF_WORLD_M
    (left, top), (right, bottom) = metres.min(axis=0), metres.max(axis=0)
    return float(left), float(-bottom), float(right), float(-top)


def _cell(metres: float) -> int:
    """Bring a web mercator distance from the middle of the world to the grid."""
    cells: float = (metres + HALF_WORLD_M) / (2 * HALF_WORLD_M) * 2.0**GRID_BITS
    return round(cells)


def _common_window(warped: Any, bounds: tuple[float, float, float, float]) -> Window | None:
    """Give the pixels of a raster inside bounds, or None where it has none there."""
    left, bottom = max(bounds[0], warped.bounds.left), max(bounds[1], warped.bounds.bottom)
    right, top = min(bounds[2], warped.bounds.right), min(bounds[3], warped.bounds.top)
    if right <= left or top <= bottom:
        return None
    cell_m, edge_x, edge_y = warped.transform.a, warped.transform.c, warped.transform.f
    column, row = math.floor((left - edge_x) / cell_m), math.floor((edge_y - top) / cell_m)
    width, height = math.ceil((right - left) / cell_m), math.ceil((top - bottom) / cell_m)
    return Window(column, row, min(width, warped.width - column), min(height, warped.height - row))


def _window_bounds(warped: Any, window: Window) -> tuple[float, float, float, float]:
    """Give the extent of a window in web mercator metres."""
    cell_m, edge_x, edge_y = warped.transform.a, warped.transform.c, warped.transform.f
    west, north = edge_x + window.col_off * cell_m, edge_y - window.row_off * cell_m
    return west, north - window.height * cell_m, west + window.width * cell_m, north


def _read_colours(warped: Any, window: Window, share: float) -> NDArray[np.uint8]:
    """Read red, green, blue and opacity at a share of full size."""
    n_colours = warped.count - 1
    bands = _RGB_BANDS if n_colours >= len(_RGB_BANDS) else (1, 1, 1)
    size = (max(1, round(window.height * share)), max(1, round(window.width * share)))
    found = warped.read(
        [*bands, warped.count], window=window, out_shape=(4, *size), resampling=Resampling.average
    )
    if found.dtype == np.uint8:
        return np.asarray(found, dtype=np.uint8)
    opaque = found[3] > 0
    colours = found[:3].astype(float)
    low, high = (colours[:, opaque].min(), colours[:, opaque].max()) if opaque.any() else (0, 1)
    stretched = np.clip((colours - low) / max(high - low, 1e-9) * 255, 0, 255)
    return np.concatenate([stretched, 255.0 * opaque[None]]).astype(np.uint8)


def _write_webp(colours: NDArray[np.uint8]) -> bytes:
    """Write a picture as WebP."""
    count, height, width = colours.shape
    place = rasterio.Affine(1, 0, 0, 0, -1, height)
    with MemoryFile() as memory:
        with memory.open(
            driver="WEBP",
            height=height,
            width=width,
            count=count,
            dtype="uint8",
            transform=place,
            QUALITY=QUALITY,
        ) as file:
            file.write(colours)
        return bytes(memory.getbuffer())
