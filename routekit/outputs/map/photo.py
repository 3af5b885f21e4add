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
from rasterio._err import CPLE_BaseError
from rasterio.enums import ColorInterp, Resampling
from rasterio.errors import CRSError, RasterioError
from rasterio.transform import from_gcps
from rasterio.vrt import WarpedVRT
from rasterio.warp import reproject
from rasterio.warp import transform as warp_points
from rasterio.windows import Window

from routekit.errors import CrsError, LayerError
from routekit.layers.opening import open_raster
from routekit.outputs.map.projection import GRID_BITS, to_grid
from routekit.outputs.pages import BYTES_PER_MB
from routekit.outputs.pictures import encode_picture

MERCATOR: Final = "EPSG:3857"
HALF_WORLD_M: Final = math.pi * 6_378_137.0
"""Half the side of the web mercator square, in its own metres (EPSG:3857)."""

QUALITY: Final = 50
METHOD: Final = 2
"""Effort of the encoder, 0 to 6: half the time of its own choice, 4, for some per cent of bytes."""
MOST_PIXELS: Final = 8192
CACHE_BYTES: Final = 128 * 1024**2
"""Blocks of the file that are kept while it is read; GDAL's own rule is 5 % of the memory."""
WARP_MB: Final = 64
_COARSER: Final = 0.9
_GUESSES: Final = 2
"""A coarser picture takes other bytes a pixel, so the first guess is tried at its own size."""
_GUESS_HELD: Final = 0.97
"""A guessed width is taken a little smaller, so that the picture is seldom written twice."""
_EDGE_POINTS: Final = 9
"""Points each way across a part that are brought into the file's system."""
_PROBE_PIXELS: Final = 256
_PROBES: Final = (0.1, 0.5, 0.9)
"""Where squares are taken to guess the size of the whole, as shares of height and width."""
_NARROWEST_PIXELS: Final = 2
"""A photo is not made coarser below this width, pixels (house choice)."""
_OPACITY, _OPAQUE = 3, 255
_RGB_BANDS: Final = (1, 2, 3)
"""Bands of a colour photo; one with fewer is grey."""


class Photo(NamedTuple):
    """A picture and where it lies on the world grid (west, north, east, south)."""

    box: list[int]
    webp: str
    cell_m: float
    """Side of a pixel that is shown, m on the ground."""
    own_cell_m: float
    """Side of a pixel of the file, m on the ground."""


class _Bands(NamedTuple):
    """Which bands of a raster make its colours."""

    colours: tuple[int, ...]
    alpha: int | None
    palette: NDArray[np.uint8] | None
    """Red, green, blue, opacity of each code, shape (256, 4); None for none."""


class _Sheet(NamedTuple):
    """An open photo, its bands and system, and the part of it that is wanted (web mercator)."""

    source: Any
    bands: _Bands
    crs: Any
    bounds: tuple[float, float, float, float]

    def transform(self) -> rasterio.Affine:
        """Give the transform of the file, from its control points where it has no other."""
        points = self.source.gcps[0]
        return (
            from_gcps(points)
            if points and self.source.transform.is_identity
            else (self.source.transform)
        )


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
        A raster of one band (grey, or codes of a palette) or at least three (those named red, green
        and blue, else the first three), with or without a band of opacity.
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
    except (RasterioError, CPLE_BaseError) as error:
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
        rasterio.Env(GDAL_CACHEMAX=CACHE_BYTES),
        open_raster("layers.photo", path, also_open) as source,
    ):
        bands = _sort_bands(source)
        with WarpedVRT(source, src_crs=source.crs or crs, crs=MERCATOR) as whole:
            window = _common_window(whole, _mercator_bounds(box, crs))
            if window is None:
                return None
            bounds = _window_bounds(whole, window)
        sheet = _Sheet(source, bands, source.crs or source.gcps[1] or crs, bounds)
        share = min(1.0, MOST_PIXELS / max(window.width, window.height))
        size = _scale((window.height, window.width), share)
        most_bytes = most_mb * BYTES_PER_MB
        for _ in range(_GUESSES):
            size = _scale(size, min(1.0, _guess_share(sheet, size, most_bytes)))
        colours = _read_part(sheet, bounds, size)
    picture, width = _fit_size(colours, most_bytes)
    west, south, east, north = bounds
    corners = [_cell(west), _cell(-north), _cell(east), _cell(-south)]
    left, _, right, _ = _mercator_bounds(box, crs)
    ground_m = float(box[2] - box[0]) / (right - left) * (east - west)
    return Photo(
        corners,
        base64.b64encode(picture).decode("ascii"),
        cell_m=ground_m / width,
        own_cell_m=ground_m / window.width,
    )


def _sort_bands(source: Any) -> _Bands:
    """Find colours, opacity and palette of a raster."""
    kinds = list(source.colorinterp)
    alpha = kinds.index(ColorInterp.alpha) + 1 if ColorInterp.alpha in kinds else None
    if kinds[0] == ColorInterp.palette and source.dtypes[0] == "uint8":
        palette = np.zeros((256, 4), dtype=np.uint8)
        for code, colour in source.colormap(1).items():
            palette[code] = colour
        return _Bands((1,), alpha, palette)
    named = [
        kinds.index(each) + 1
        for each in (ColorInterp.red, ColorInterp.green, ColorInterp.blue)
        if each in kinds
    ]
    plain = [band for band in range(1, source.count + 1) if band != alpha]
    rgb = named if len(named) == len(_RGB_BANDS) else plain[: len(_RGB_BANDS)]
    return _Bands(tuple(rgb if len(rgb) == len(_RGB_BANDS) else plain[:1]), alpha, None)


def _scale(size: tuple[int, int], share: float) -> tuple[int, int]:
    """Give height and width at a share of them, one pixel at least."""
    return max(1, round(size[0] * share)), max(1, round(size[1] * share))


def _read_part(
    sheet: _Sheet, bounds: tuple[float, float, float, float], size: tuple[int, int]
) -> NDArray[np.uint8]:
    """Read a part of the photo and warp it once, straight to the size wanted.

    Parameters
    ----------
    sheet : _Sheet
    bounds : tuple of float
        West, south, east, north in web mercator.
    size : tuple of int
        Height and width in pixels.

    Returns
    -------
    numpy.ndarray of uint8, shape (4, height, width)
        Red, green, blue and opacity. Pixels of the file finer than that are averaged while they
        are read, so that memory goes with the picture and not with the file.
    """
    source, place = sheet.source, sheet.transform()
    out = np.zeros((4, *size), dtype=np.uint8)
    window = _source_window(sheet, bounds)
    if window is None:
        return out
    fine = max(1.0, math.sqrt(window.width * window.height / (size[0] * size[1])))
    shape = _scale((int(window.height), int(window.width)), 1.0 / fine)
    palette = sheet.bands.palette
    smooth = Resampling.nearest if palette is not None else Resampling.average
    shown = source.read(
        list(sheet.bands.colours),
        window=window,
        out_shape=(len(sheet.bands.colours), *shape),
        resampling=smooth,
    )
    mask = source.dataset_mask(window=window, out_shape=shape)
    colours = _to_colours(np.concatenate([shown, mask[None].astype(shown.dtype)]), palette)
    cell = window.width / shape[1], window.height / shape[0]
    west, south, east, north = bounds
    reproject(
        colours,
        out,
        src_transform=place
        @ rasterio.Affine(cell[0], 0, window.col_off, 0, cell[1], window.row_off),
        dst_transform=rasterio.Affine(
            (east - west) / size[1], 0, west, 0, -(north - south) / size[0], north
        ),
        src_crs=sheet.crs,
        dst_crs=MERCATOR,
        resampling=Resampling.nearest if palette is not None else Resampling.bilinear,
        warp_mem_limit=WARP_MB,
    )
    return out


def _source_window(sheet: _Sheet, bounds: tuple[float, float, float, float]) -> Window | None:
    """Give the pixels of the file that show a part, with some round it; None for none."""
    west, south, east, north = bounds
    share = np.linspace(0, 1, _EDGE_POINTS)
    x, y = np.meshgrid(west + share * (east - west), south + share * (north - south))
    placed = np.array(warp_points(MERCATOR, sheet.crs, x.ravel(), y.ravel())[:2])
    back = ~sheet.transform()
    column = back.a * placed[0] + back.b * placed[1] + back.c
    row = back.d * placed[0] + back.e * placed[1] + back.f
    size = sheet.source.width, sheet.source.height
    low = [max(0, math.floor(each.min()) - 2) for each in (column, row)]
    high = [
        min(most, math.ceil(each.max()) + 2) for each, most in zip((column, row), size, strict=True)
    ]
    if high[0] <= low[0] or high[1] <= low[1]:
        return None
    return Window(low[0], low[1], high[0] - low[0], high[1] - low[1])


def _to_colours(found: NDArray[Any], palette: NDArray[np.uint8] | None) -> NDArray[np.uint8]:
    """Turn bands and opacity, the last of them, into four bands of bytes."""
    if palette is not None:
        looked_up = np.array(np.moveaxis(palette[found[0]], -1, 0), dtype=np.uint8)
        looked_up[3, found[-1] == 0] = 0
        return looked_up
    colours, opaque = found[:-1], found[-1] > 0
    if found.dtype == np.uint8:
        last = found[-1:]
    else:
        opaque &= np.isfinite(colours).all(axis=0)
        shown = colours[:, opaque]
        low, high = (float(shown.min()), float(shown.max())) if shown.size else (0.0, 1.0)
        scaled = (np.nan_to_num(colours.astype(np.float32)) - low) / max(high - low, 1e-9) * 255
        colours = np.clip(scaled, 0, 255).astype(np.uint8)
        last = (255 * opaque[None]).astype(np.uint8)
    if len(colours) == 1:
        colours = np.repeat(colours, len(_RGB_BANDS), axis=0)
    return np.concatenate([colours, last])


def _fit_size(colours: NDArray[np.uint8], most_bytes: float) -> tuple[bytes, int]:
    """Write a picture no larger than asked, coarser where it must be; and its width."""
    share = 1.0
    while True:
        fitted = _shrink(colours, share)
        picture = _write_webp(fitted)
        width = int(fitted.shape[2])
        if len(picture) <= most_bytes or width <= _NARROWEST_PIXELS:
            return picture, width
        share *= min(_COARSER, math.sqrt(most_bytes / len(picture)))


def _guess_share(sheet: _Sheet, size: tuple[int, int], most_bytes: float) -> float:
    """Guess the share of its width at which a picture fits, by the bytes that some squares take."""
    height, width = size
    side = _PROBE_PIXELS
    if height * width <= 4 * side**2:
        return 1.0
    west, south, east, north = sheet.bounds
    cell = (east - west) / width, (north - south) / height
    wide, tall = min(side, width), min(side, height)
    n_bytes = 0
    for down in _PROBES:
        for right in _PROBES:
            left = west + right * (width - wide) * cell[0]
            top = north - down * (height - tall) * cell[1]
            part = (left, top - tall * cell[1], left + wide * cell[0], top)
            n_bytes += len(_write_webp(_read_part(sheet, part, (tall, wide))))
    per_pixel = n_bytes / (len(_PROBES) ** 2 * wide * tall)
    return _GUESS_HELD * math.sqrt(most_bytes / max(per_pixel * height * width, 1.0))


def _shrink(colours: NDArray[np.uint8], share: float) -> NDArray[np.uint8]:
    """Make a picture coarser by the mean of its pixels."""
    count, height, width = colours.shape
    size = (max(1, round(height * share)), max(1, round(width * share)))
    if size == (height, width):
        return colours
    out = np.zeros((count, *size), dtype=np.uint8)
    reproject(
        colours,
        out,
        src_transform=rasterio.Affine.identity(),
        dst_transform=rasterio.Affine.scale(width / size[1], height / size[0]),
        src_crs=MERCATOR,
        dst_crs=MERCATOR,
        resampling=Resampling.average,
    )
    return out


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


def _write_webp(colours: NDArray[np.uint8]) -> bytes:
    """Write a picture as WebP, without the band of opacity where all of it is opaque."""
    if bool((colours[_OPACITY] == _OPAQUE).all()):
        colours = colours[:_OPACITY]
    return encode_picture(colours, "WEBP", QUALITY=QUALITY, METHOD=METHOD)
