"""The cells of a canopy raster and where they lie: what it must be, and which tiles are read."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from threading import Lock
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyproj
import shapely
from numpy.typing import NDArray
from pyproj.exceptions import ProjError

from routekit.errors import CrsError, LayerError
from routekit.layers.crs import UNIT_FACTOR_TOLERANCE, drop_heights, parse_crs, transform_layer
from routekit.layers.findings import Findings
from routekit.words.texts import say

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from affine import Affine

    from routekit.arrays import Floats
    from routekit.layers.settings import CrownSettings

Geometries = NDArray[np.object_]

METRE_WORDS: Final = ("", "m", "metre", "metres", "meter", "meters")


@dataclass(frozen=True, kw_only=True)
class CanopyGrid:
    """An open raster, with what brings it to the working CRS.

    Attributes
    ----------
    source : rasterio.DatasetReader
        Open while tiles are read, by one thread only.
    transform : affine.Affine
        From columns and rows to the raster's CRS.
    path : Path
        Its file, to be named.
    crs, working : pyproj.CRS
        That of the raster, without heights, and the working CRS.
    cell_m : tuple of float
        Height and width of a cell in m.
    unit_scale : tuple of float
        Factor and offset that make heights of the numbers in the file.
    guard : threading.Lock
        Held while an operation between the two systems is looked for: that switches warnings off,
        which the threads of a program share.
    """

    source: Any
    transform: Affine
    path: Path
    crs: pyproj.CRS
    working: pyproj.CRS
    cell_m: tuple[float, float]
    unit_scale: tuple[float, float]
    guard: Lock = field(default_factory=Lock, repr=False, compare=False)


@contextmanager
def told_errors(path: Path) -> Iterator[None]:
    """Turn what rasterio and PROJ raise into errors that name the file and the remedy.

    Parameters
    ----------
    path : Path
        The raster.

    Raises
    ------
    LayerError
        In place of what is raised because the file cannot be read.
    CrsError
        In place of what is raised because its system leads nowhere.
    """
    from rasterio.errors import RasterioError  # noqa: PLC0415 - slow to import, needed only here

    try:
        yield
    except CrsError as error:
        if str(error).startswith("layers.canopy"):
            raise
        msg = f"layers.canopy: {path}: {error}"
        raise CrsError(msg) from error
    except ProjError as error:
        msg = (
            f"layers.canopy: {path}: its reference system leads nowhere near the sewers ({error}); "
            'say crs.canopy = "EPSG:..." in the study file'
        )
        raise CrsError(msg) from error
    except (RasterioError, OSError) as error:
        msg = (
            f"layers.canopy: {path} cannot be read as a raster ({error}); give a GeoTIFF of "
            "heights above ground in m"
        )
        raise LayerError(msg) from error


def place_grid(
    source: Any, path: Path, sewers: Geometries, working: pyproj.CRS, declared: str | None
) -> CanopyGrid:
    """Find the CRS and the size of a cell in m, and refuse what is no canopy raster.

    Parameters
    ----------
    source : rasterio.DatasetReader
        Open.
    path : Path
        Its file.
    sewers : numpy.ndarray of object, shape (n,)
        Lines in the working CRS.
    working : pyproj.CRS
        Working CRS.
    declared : str or None
        `crs.canopy` of the study file.

    Returns
    -------
    CanopyGrid

    Raises
    ------
    LayerError
        If it is no raster of one band of heights in m, or does not overlap the sewers.
    CrsError
        If it names no reference system.
    """
    if source.count != 1 or np.dtype(source.dtypes[0]).kind not in "iuf":
        msg = (
            f"layers.canopy: {path} holds {source.count} bands of {source.dtypes[0]}; give a "
            "raster of one band of numbers: heights above ground in m"
        )
        raise LayerError(msg)
    if declared is None and source.crs is None:
        msg = (
            f"layers.canopy: {path} names no reference system; write one into the raster, or say "
            'crs.canopy = "EPSG:..." in the study file'
        )
        raise CrsError(msg)
    if source.transform.is_degenerate:
        msg = f"layers.canopy: {path} does not say where its cells lie; write its transform into it"
        raise LayerError(msg)
    full = pyproj.CRS.from_user_input(
        source.crs.to_wkt() if declared is None else parse_crs(declared, "crs.canopy")
    )
    _refuse_other_units(source, path, full)
    crs = drop_heights(full)
    grid = CanopyGrid(
        source=source,
        transform=source.transform,
        path=path,
        crs=crs,
        working=working,
        cell_m=(1.0, 1.0),
        unit_scale=(float(source.scales[0]), float(source.offsets[0])),
    )
    return _measure_cells(grid, sewers)


def _refuse_other_units(source: Any, path: Path, crs: pyproj.CRS) -> None:
    """Refuse heights that say they are in another unit than metres."""
    unit = (source.units[0] or "").strip().casefold()
    up = [axis for axis in crs.axis_info if axis.direction == "up"]
    is_other = unit not in METRE_WORDS
    if not unit and up and abs(up[0].unit_conversion_factor - 1.0) > UNIT_FACTOR_TOLERANCE:
        unit, is_other = up[0].unit_name, True
    if is_other:
        msg = (
            f'layers.canopy: {path} says that its heights are in "{unit}"; bring them to metres '
            "(feet times 0.3048), or correct the unit of the band"
        )
        raise LayerError(msg)


def _measure_cells(grid: CanopyGrid, sewers: Geometries) -> CanopyGrid:
    """Measure a cell in the working CRS, at the middle of the raster's part near the sewers."""
    left, top, right, bottom = window_near(grid, sewers, 1.0, is_strict=False)
    column, row = (left + right) / 2.0, (top + bottom) / 2.0
    corners = np.array([[column, row], [column, row + 1.0], [column + 1.0, row]])
    placed = to_working(grid, place_cells(grid, np.asarray(shapely.points(corners))), Findings())
    size = shapely.distance(placed[0], placed[1:])
    if not (np.all(np.isfinite(size)) and np.all(size > 0)):
        _refuse_far(grid)
    return replace(grid, cell_m=(float(size[0]), float(size[1])))


def _refuse_far(grid: CanopyGrid) -> None:
    """Refuse a raster that lies elsewhere."""
    msg = (
        f"layers.canopy: {grid.path} does not overlap the sewers; check its reference system "
        '(crs.canopy = "EPSG:..." in the study file), or give the raster of this place; where the '
        'study area leaves out the sewers that it covers, say crowns.use = "never"'
    )
    raise LayerError(msg)


def refuse_coarse(grid: CanopyGrid, settings: CrownSettings) -> None:
    """Refuse cells in which no crown shows.

    Parameters
    ----------
    grid : CanopyGrid
    settings : CrownSettings
        Widest cell.

    Raises
    ------
    LayerError
        If a cell is wider.
    """
    if max(grid.cell_m) > settings.coarsest_cell_m:
        msg = (
            f"layers.canopy: {grid.path} has cells of {max(grid.cell_m):.2f} m, wider than "
            f"crowns.coarsest_cell_m = {settings.coarsest_cell_m:g}; give a finer raster"
        )
        raise LayerError(msg)


def to_cells(grid: CanopyGrid, xy: Floats) -> Floats:
    """Bring points from the working CRS to columns and rows.

    Parameters
    ----------
    grid : CanopyGrid
    xy : numpy.ndarray of float, shape (n, 2)
        Easting and northing.

    Returns
    -------
    numpy.ndarray of float, shape (n, 2)
        Column and row; infinite outside the CRS.
    """
    mover = pyproj.Transformer.from_crs(grid.working, grid.crs, always_xy=True)
    x, y = mover.transform(xy[:, 0], xy[:, 1])
    back = ~grid.transform
    with np.errstate(invalid="ignore"):
        return np.column_stack([back.a * x + back.b * y + back.c, back.d * x + back.e * y + back.f])


def to_working(grid: CanopyGrid, shapes: Geometries, findings: Findings) -> Geometries:
    """Bring geometry from the raster's CRS to the working CRS.

    Parameters
    ----------
    grid : CanopyGrid
    shapes : numpy.ndarray of object, shape (n,)
        In the raster's CRS.
    findings : Findings
        Takes how accurately that is done.

    Returns
    -------
    numpy.ndarray of object, shape (n,)
    """
    with grid.guard:
        return transform_layer(shapes, grid.crs, grid.working, layer="canopy", findings=findings)


def place_cells(
    grid: CanopyGrid, shapes: Geometries, *, corner: tuple[int, int] = (0, 0)
) -> Geometries:
    """Bring geometry from columns and rows to the raster's CRS.

    Parameters
    ----------
    grid : CanopyGrid
    shapes : numpy.ndarray of object, shape (n,)
        In columns and rows; the first cell lies between 0 and 1.
    corner : tuple of int, optional
        Column and row of the whole raster at which those of the shapes begin.

    Returns
    -------
    numpy.ndarray of object, shape (n,)
    """
    to = grid.transform

    def place(cells: Floats) -> Floats:
        column, row = cells[:, 0] + corner[0], cells[:, 1] + corner[1]
        return np.column_stack(
            [to.a * column + to.b * row + to.c, to.d * column + to.e * row + to.f]
        )

    return np.asarray(shapely.transform(shapes, place))


def window_near(
    grid: CanopyGrid, sewers: Geometries, within_m: float, *, is_strict: bool = True
) -> tuple[int, int, int, int]:
    """Give the columns and rows near the sewers.

    Parameters
    ----------
    grid : CanopyGrid
    sewers : numpy.ndarray of object, shape (n,)
        Lines in the working CRS.
    within_m : float
        How near.
    is_strict : bool, optional
        Refuse a raster without a cell there.

    Returns
    -------
    tuple of int
        First column and row, and the ones after the last: left, top, right, bottom.

    Raises
    ------
    LayerError
        If the raster lies elsewhere.
    """
    low_x, low_y, high_x, high_y = shapely.total_bounds(sewers)
    box = shapely.box(low_x - within_m, low_y - within_m, high_x + within_m, high_y + within_m)
    around = max(high_x - low_x, high_y - low_y, 1.0) + 2.0 * within_m
    ring = shapely.get_coordinates(shapely.segmentize(box, around / 8.0))
    cells = to_cells(grid, ring)
    if not np.all(np.isfinite(cells)):
        _refuse_far(grid)
    size = np.array([grid.source.width, grid.source.height])
    first = np.clip(np.floor(cells.min(axis=0)), 0, size).astype(np.int64)
    last = np.clip(np.ceil(cells.max(axis=0)), 0, size).astype(np.int64)
    if is_strict and not np.all(last > first):
        _refuse_far(grid)
    return int(first[0]), int(first[1]), int(last[0]), int(last[1])


def list_cores(
    grid: CanopyGrid,
    window: tuple[int, int, int, int],
    sewers: Geometries,
    within_m: float,
    side: int,
) -> NDArray[np.int64]:
    """List the cores of the tiles with a sewer near, by rows.

    Parameters
    ----------
    grid : CanopyGrid
    window : tuple of int
        As `window_near` gives it.
    sewers : numpy.ndarray of object, shape (n,)
        Lines in the working CRS.
    within_m : float
        How near.
    side : int
        Cells along a side of a core.

    Returns
    -------
    numpy.ndarray of int, shape (m, 4)
        Left, top, right, bottom of each.

    Raises
    ------
    LayerError
        If no tile has a sewer near.
    """
    left, top, right, bottom = window
    # Cores start at multiples of their side, so that the place of the sewers moves no tile.
    columns = np.arange(left // side, -(-right // side)) * side
    rows = np.arange(top // side, -(-bottom // side)) * side
    tops, lefts = (each.ravel() for each in np.meshgrid(rows, columns, indexing="ij"))
    cores = np.column_stack(
        [
            np.maximum(lefts, left),
            np.maximum(tops, top),
            np.minimum(lefts + side, right),
            np.minimum(tops + side, bottom),
        ]
    )
    boxes = to_working(grid, place_cells(grid, shapely.box(*cores.T)), Findings())
    near = shapely.STRtree(sewers).query(boxes, predicate="dwithin", distance=within_m)[0]
    if not len(near):
        _refuse_far(grid)
    return np.asarray(cores[np.unique(near)])


def report_outside(grid: CanopyGrid, sewers: Geometries, findings: Findings) -> None:
    """Say how many runs the raster does not cover to their ends.

    Parameters
    ----------
    grid : CanopyGrid
    sewers : numpy.ndarray of object, shape (n,)
        Lines in the working CRS.
    findings : Findings
        Takes it.
    """
    xy, run = shapely.get_coordinates(sewers, return_index=True)
    cells = to_cells(grid, xy)
    size = np.array([grid.source.width, grid.source.height])
    is_out = ~np.all((cells >= 0) & (cells < size), axis=1)
    n_out = len(np.unique(run[is_out]))
    if n_out:
        seen = say(
            "{n:,} of {total:,} runs lies wholly or partly outside {file}",
            "{n:,} of {total:,} runs lie wholly or partly outside {file}",
            n=n_out,
            total=len(sewers),
            file=grid.path.name,
        )
        done = say("no trees made there: a gap in the raster is not a street without trees")
        findings.note("warning", "canopy", "", seen, done)
