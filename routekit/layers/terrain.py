"""Ground levels sampled from a raster: the window that the points need, nearest cell."""

from __future__ import annotations

from contextlib import ExitStack
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyproj
from numpy.typing import NDArray

from routekit.errors import CrsError, FieldError, LayerError
from routekit.layers.opening import open_raster
from routekit.layers.settings import METRES
from routekit.layers.unit_words import name_unit

if TYPE_CHECKING:
    from collections.abc import Collection
    from pathlib import Path

UNTAGGED_NO_DATA: Final = (-9999.0, -32768.0, 65535.0)
"""Values that mean «no data» in rasters whether they say so or not."""

PLAUSIBLE_LEVEL_M: Final = (-430.0, 9000.0)
"""Land lies between these: the shore of the Dead Sea and the highest peaks (common knowledge)."""

CELLS_PER_READ: Final = 50_000_000
"""Cells read at once; a larger window is read in strips."""


def sample_terrain(
    xy: NDArray[np.float64],
    path: Path,
    *,
    crs: pyproj.CRS,
    unit: str | None = None,
    also_open: Collection[str] = (),
) -> NDArray[np.float64]:
    """Sample ground levels at points.

    Parameters
    ----------
    xy : numpy.ndarray of float, shape (n, 2)
        Easting and northing in the working CRS.
    path : Path
        Single-band raster of levels.
    crs : pyproj.CRS
        Working CRS; the points are brought into that of the raster.
    unit : str, optional
        Unit of the levels (`units.terrain.level_m`); else what the raster says of its band or its
        vertical reference system, else m.
    also_open : collection of str, optional
        Formats opened besides those on the list: `study.also_open`.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Level of the cell that holds each point, in m; NaN outside the raster, on «no data», and
        for levels that no land has.

    Raises
    ------
    LayerError
        If the file is no raster, or is cut short.
    FieldError
        If the raster lies in a system of feet and nothing says the unit of its levels.
    CrsError
        If the raster names no reference system.
    """
    from rasterio.errors import RasterioError  # noqa: PLC0415 - slow to import

    with ExitStack() as stack:
        try:
            source = stack.enter_context(open_raster("layers.terrain", path, also_open))
        except RasterioError as error:
            msg = f"layers.terrain: {path} cannot be read as a raster ({error})"
            raise LayerError(msg) from error
        if source.count != 1:
            msg = f"layers.terrain: {path} holds {source.count} bands, and nothing says which of "
            msg += "them the levels are; give a raster of one band"
            raise LayerError(msg)
        if source.crs is None:
            msg = f"layers.terrain: {path} names no reference system; write one into the raster"
            raise CrsError(msg)
        points = _to_raster(xy, crs, pyproj.CRS.from_user_input(source.crs.to_wkt()))
        back = ~source.transform
        column = back.a * points[:, 0] + back.b * points[:, 1] + back.c
        row = back.d * points[:, 0] + back.e * points[:, 1] + back.f
        try:
            levels = _read_cells(source, np.floor(row), np.floor(column))
        except RasterioError as error:
            cause = error.__cause__ or error
            msg = f"layers.terrain: {path} is damaged or cut short: its cells cannot be read "
            msg += f"({cause}); copy it again"
            raise LayerError(msg) from error
        unit_m = METRES[_level_unit(source, unit, path)]
        scale, offset = float(source.scales[0]), float(source.offsets[0])
    levels = (levels * scale + offset) * unit_m
    low, high = PLAUSIBLE_LEVEL_M
    return np.where((levels >= low) & (levels <= high), levels, np.nan)


def _level_unit(source: Any, declared: str | None, path: Path) -> str:
    """Find the unit of the levels: declared, of the band, of the heights of the system, else m."""
    if declared is not None:
        return declared
    system = pyproj.CRS.from_user_input(source.crs.to_wkt())
    heights = [axis.unit_name for axis in system.axis_info if axis.direction in ("up", "down")]
    for told in (source.units[0], *heights):
        word = str(told or "").strip().casefold()
        unit = "us-ft" if "survey" in word and "f" in word else name_unit(word)
        if unit is not None or word in METRES:
            return unit or word
    if system.is_projected and "foot" in system.axis_info[0].unit_name.casefold():
        msg = (
            f"layers.terrain: {path} lies in {system.name}, a system of feet, and nothing says "
            'whether its levels are; say units.terrain.level_m = "ft" or "m" in the study file'
        )
        raise FieldError(msg)
    return "m"


def _to_raster(xy: NDArray[np.float64], crs: pyproj.CRS, target: pyproj.CRS) -> NDArray[np.float64]:
    """Bring points into the CRS of the raster."""
    if target.is_compound:
        target = target.sub_crs_list[0]
    if crs == target:
        return xy
    mover = pyproj.Transformer.from_crs(crs, target, always_xy=True)
    return np.column_stack(mover.transform(xy[:, 0], xy[:, 1]))


def _read_cells(
    source: Any, row: NDArray[np.float64], column: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Read the cells at rows and columns, in strips of the window that holds them all."""
    levels = np.full(len(row), np.nan)
    inside = (row >= 0) & (row < source.height) & (column >= 0) & (column < source.width)
    if not inside.any():
        return levels
    at = np.flatnonzero(inside)
    rows, columns = row[at].astype(np.int64), column[at].astype(np.int64)
    left, right = int(columns.min()), int(columns.max()) + 1
    strip = max(1, CELLS_PER_READ // (right - left))
    for top in range(int(rows.min()), int(rows.max()) + 1, strip):
        in_strip = (rows >= top) & (rows < top + strip)
        if not in_strip.any():
            continue
        bottom = int(rows[in_strip].max()) + 1
        band = source.read(1, window=((top, bottom), (left, right)), masked=True)
        cells = np.ma.filled(band.astype(np.float64), np.nan)
        levels[at[in_strip]] = cells[rows[in_strip] - top, columns[in_strip] - left]
    return np.where(np.isin(levels, UNTAGGED_NO_DATA), np.nan, levels)
