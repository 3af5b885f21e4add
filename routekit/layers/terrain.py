"""Ground levels sampled from a raster: between cells, in the windows that the points need."""

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

BLOCK_CELLS: Final = 1024
"""Side of a block of cells read at once: 8 MB as floats."""


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
        Level between the middles of the cells around each point, in m; NaN outside the raster, on
        «no data», and for levels that no land has.

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
            levels = _read_levels(source, row, column)
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


def _read_levels(
    source: Any, row: NDArray[np.float64], column: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Read between the middles of cells at rows and columns, block by block.

    Each block is read once, with a cell around it; blocks without a point are not read.
    """
    levels = np.full(len(row), np.nan)
    inside = (row >= 0) & (row < source.height) & (column >= 0) & (column < source.width)
    at = np.flatnonzero(inside)
    blocks = np.column_stack([row[at], column[at]]).astype(np.int64) // BLOCK_CELLS
    order = np.lexsort(blocks.T[::-1])
    at, blocks = at[order], blocks[order]
    starts = np.flatnonzero(np.any(np.diff(blocks, axis=0, prepend=-1) != 0, axis=1))
    for mine in np.split(np.arange(len(at)), starts[1:]) if len(at) else ():
        first = np.maximum(blocks[mine[0]] * BLOCK_CELLS - 1, 0)
        last = np.minimum((blocks[mine[0]] + 1) * BLOCK_CELLS + 1, [source.height, source.width])
        window = ((int(first[0]), int(last[0])), (int(first[1]), int(last[1])))
        band = source.read(1, window=window, masked=True)
        cells = np.ma.filled(band.astype(np.float64), np.nan)
        cells[np.isin(cells, UNTAGGED_NO_DATA)] = np.nan
        own = at[mine]
        levels[own] = blend_cells(cells, row[own] - first[0], column[own] - first[1])
    return levels


def blend_cells(
    cells: NDArray[np.float64], row: NDArray[np.float64], column: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Take values between the middles of the four nearest cells.

    Parameters
    ----------
    cells : numpy.ndarray of float, shape (rows, columns)
        NaN where not known.
    row, column : numpy.ndarray of float, shape (n,)
        Places inside the array; the middle of the first cell is at 0.5.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Weighted by nearness among the known of the four (bilinear where all are); NaN in a cell
        that is not known. Past the outer middles the nearest ones go on.

    Examples
    --------
    >>> slope = np.array([[0.0, 10.0], [0.0, 10.0]])
    >>> blend_cells(slope, np.array([1.0, 1.0]), np.array([1.0, 1.25])).tolist()
    [5.0, 7.5]
    """
    down, right = (np.floor(each - 0.5) for each in (row, column))
    weights, values = np.zeros((4, len(row))), np.zeros((4, len(row)))
    for n, (i, j) in enumerate(((0, 0), (0, 1), (1, 0), (1, 1))):
        near = (1 - np.abs(row - 0.5 - down - i)) * (1 - np.abs(column - 0.5 - right - j))
        value = cells[
            np.clip(down + i, 0, cells.shape[0] - 1).astype(np.int64),
            np.clip(right + j, 0, cells.shape[1] - 1).astype(np.int64),
        ]
        is_known = ~np.isnan(value)
        weights[n], values[n] = np.where(is_known, near, 0.0), np.where(is_known, value, 0.0)
    total = weights.sum(axis=0)
    own = cells[np.floor(row).astype(np.int64), np.floor(column).astype(np.int64)]
    is_known = ~np.isnan(own) & (total > 0)
    blended = (weights * values).sum(axis=0) / np.where(is_known, total, 1.0)
    return np.where(is_known, blended, np.nan)
