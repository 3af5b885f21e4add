"""A raster of canopy heights: what it must be, and the trees in it, tile by tile near the sewers.

Tiles overlap by the widest window, crown and smoothing; each top counts in the one tile whose
core it lies in. Tiles without a sewer near are not read, so that memory does not grow with the
raster.
"""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyproj
import shapely
from numpy.typing import NDArray
from pyproj.exceptions import ProjError

from routekit.errors import CrsError, LayerError
from routekit.layers.canopy_heights import LOWEST_M, TALLEST_M, count_heights, judge_heights
from routekit.layers.canopy_windows import find_windows
from routekit.layers.crs import UNIT_FACTOR_TOLERANCE, drop_heights, parse_crs, transform_layer
from routekit.layers.findings import Findings
from routekit.layers.opening import open_raster
from routekit.layers.terrain import UNTAGGED_NO_DATA
from routekit.layers.treetops import SMOOTHING_REACH, Crowns, find_crowns
from routekit.vocabulary import CROWN_WINDOWS
from routekit.words.texts import say

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator
    from pathlib import Path

    from routekit.arrays import Floats
    from routekit.layers.settings import CrownSettings
    from routekit.layers.stands import Stands

Geometries = NDArray[np.object_]

METRE_WORDS: Final = ("", "m", "metre", "metres", "meter", "meters")

CORE_CELLS: Final = 2048
"""Side of the core of a tile: with its margin some 5 to 9 million cells at 0.5 to 0.1 m."""

CACHE_BYTES: Final = 128 * 1024**2
"""Blocks of the file that are kept while it is read; GDAL's own rule is 5 % of the memory."""


@dataclass(frozen=True, kw_only=True)
class RasterTrees:
    """Trees of a raster in the working CRS, n of them, by row and column of their tops.

    Attributes
    ----------
    top : numpy.ndarray of object, shape (n,)
        Points at the tops.
    crown : numpy.ndarray of object, shape (n,)
        Polygons.
    crown_diameter_m, height_m : numpy.ndarray of float, shape (n,)
        Diameter of the circle of the same area, and height above ground, m.
    """

    top: Geometries
    crown: Geometries
    crown_diameter_m: Floats
    height_m: Floats


@dataclass(frozen=True, kw_only=True)
class _Grid:
    """An open raster, with what brings it to the working CRS."""

    source: Any
    path: Path
    crs: pyproj.CRS
    working: pyproj.CRS
    cell_m: tuple[float, float]
    unit_scale: tuple[float, float]


def find_raster_trees(
    path: Path,
    sewers: Geometries,
    *,
    crs: pyproj.CRS,
    declared: str | None,
    settings: CrownSettings,
    findings: Findings,
    also_open: Collection[str] = (),
    stands: Stands | None = None,
) -> RasterTrees:
    """Find the trees of a canopy raster near the sewers.

    Parameters
    ----------
    path : Path
        Raster of one band: heights above ground in m.
    sewers : numpy.ndarray of object, shape (n,)
        Lines in the working CRS.
    crs : pyproj.CRS
        Working CRS.
    declared : str or None
        `crs.canopy` of the study file; goes before what the raster says.
    settings : CrownSettings
        How near, and what a tree is.
    findings : Findings
        Takes what the raster does not cover or cannot tell.
    also_open : collection of str, optional
        Formats opened besides those on the list: `study.also_open`.
    stands : Stands, optional
        Where a treetop has another window than `settings.window`.

    Returns
    -------
    RasterTrees
        Those whose top lies within `settings.within_m` of a sewer.

    Raises
    ------
    LayerError
        If the raster cannot be read or used, or does not overlap the sewers.
    CrsError
        If it names no reference system, or one that leads nowhere near the sewers.
    """
    from rasterio import Env  # noqa: PLC0415 - slow to import, needed only here

    with (
        _told_errors(path),
        Env(GDAL_CACHEMAX=CACHE_BYTES),
        open_raster("layers.canopy", path, also_open) as source,
    ):
        grid = _place_grid(source, path, sewers, crs, declared)
        window = _window_near(grid, sewers, settings.within_m)
        _refuse_coarse(grid, settings)
        cores = _list_cores(grid, window, sewers, settings.within_m)
        _report_outside(grid, sewers, findings)
        counts = np.zeros(5, dtype=np.int64)
        streets = shapely.STRtree(sewers)
        parts = [_read_tile(grid, core, streets, settings, counts, stands) for core in cores]
        judge_heights(path, counts, settings, findings)
        return _join_parts(grid, parts, findings)


def is_readable(path: Path) -> bool:
    """Tell whether a file can be read as a raster.

    Parameters
    ----------
    path : Path
        A file.

    Returns
    -------
    bool
    """
    try:
        with _told_errors(path), open_raster("layers.canopy", path):
            return True
    except (CrsError, LayerError):
        return False


@contextmanager
def _told_errors(path: Path) -> Iterator[None]:
    """Turn what rasterio and PROJ raise into errors that name the file and the remedy."""
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


def _place_grid(
    source: Any, path: Path, sewers: Geometries, working: pyproj.CRS, declared: str | None
) -> _Grid:
    """Find the CRS and the size of a cell in m, and refuse what is no canopy raster."""
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
    grid = _Grid(
        source=source,
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


def _measure_cells(grid: _Grid, sewers: Geometries) -> _Grid:
    """Measure a cell in the working CRS, at the middle of the raster's part near the sewers."""
    left, top, right, bottom = _window_near(grid, sewers, 1.0, is_strict=False)
    column, row = (left + right) / 2.0, (top + bottom) / 2.0
    corners = np.array([[column, row], [column, row + 1.0], [column + 1.0, row]])
    placed = _to_working(grid, np.asarray(shapely.points(corners)), Findings())
    size = shapely.distance(placed[0], placed[1:])
    if not (np.all(np.isfinite(size)) and np.all(size > 0)):
        _refuse_far(grid)
    return _Grid(**(vars(grid) | {"cell_m": (float(size[0]), float(size[1]))}))


def _refuse_far(grid: _Grid) -> None:
    """Refuse a raster that lies elsewhere."""
    msg = (
        f"layers.canopy: {grid.path} does not overlap the sewers; check its reference system "
        '(crs.canopy = "EPSG:..." in the study file), or give the raster of this place'
    )
    raise LayerError(msg)


def _refuse_coarse(grid: _Grid, settings: CrownSettings) -> None:
    """Refuse cells in which no crown shows."""
    if max(grid.cell_m) > settings.coarsest_cell_m:
        msg = (
            f"layers.canopy: {grid.path} has cells of {max(grid.cell_m):.2f} m, wider than "
            f"crowns.coarsest_cell_m = {settings.coarsest_cell_m:g}; give a finer raster"
        )
        raise LayerError(msg)


def _to_cells(grid: _Grid, xy: Floats) -> Floats:
    """Bring points from the working CRS to columns and rows; infinite outside the CRS."""
    mover = pyproj.Transformer.from_crs(grid.working, grid.crs, always_xy=True)
    x, y = mover.transform(xy[:, 0], xy[:, 1])
    back = ~grid.source.transform
    with np.errstate(invalid="ignore"):
        return np.column_stack([back.a * x + back.b * y + back.c, back.d * x + back.e * y + back.f])


def _to_working(grid: _Grid, shapes: Geometries, findings: Findings) -> Geometries:
    """Bring geometry from columns and rows to the working CRS."""
    to = grid.source.transform

    def place(cells: Floats) -> Floats:
        column, row = cells[:, 0], cells[:, 1]
        return np.column_stack(
            [to.a * column + to.b * row + to.c, to.d * column + to.e * row + to.f]
        )

    placed = np.asarray(shapely.transform(shapes, place))
    return transform_layer(placed, grid.crs, grid.working, layer="canopy", findings=findings)


def _window_near(
    grid: _Grid, sewers: Geometries, within_m: float, *, is_strict: bool = True
) -> tuple[int, int, int, int]:
    """Give the first and last column and row near the sewers: left, top, right, bottom."""
    low_x, low_y, high_x, high_y = shapely.total_bounds(sewers)
    box = shapely.box(low_x - within_m, low_y - within_m, high_x + within_m, high_y + within_m)
    around = max(high_x - low_x, high_y - low_y, 1.0) + 2.0 * within_m
    ring = shapely.get_coordinates(shapely.segmentize(box, around / 8.0))
    cells = _to_cells(grid, ring)
    if not np.all(np.isfinite(cells)):
        _refuse_far(grid)
    size = np.array([grid.source.width, grid.source.height])
    first = np.clip(np.floor(cells.min(axis=0)), 0, size).astype(np.int64)
    last = np.clip(np.ceil(cells.max(axis=0)), 0, size).astype(np.int64)
    if is_strict and not np.all(last > first):
        _refuse_far(grid)
    return int(first[0]), int(first[1]), int(last[0]), int(last[1])


def _list_cores(
    grid: _Grid, window: tuple[int, int, int, int], sewers: Geometries, within_m: float
) -> NDArray[np.int64]:
    """List the cores of the tiles with a sewer near: left, top, right, bottom, by rows."""
    left, top, right, bottom = window
    # Cores start at multiples of their side, so that the place of the sewers moves no tile.
    columns = np.arange(left // CORE_CELLS, -(-right // CORE_CELLS)) * CORE_CELLS
    rows = np.arange(top // CORE_CELLS, -(-bottom // CORE_CELLS)) * CORE_CELLS
    tops, lefts = (each.ravel() for each in np.meshgrid(rows, columns, indexing="ij"))
    cores = np.column_stack(
        [
            np.maximum(lefts, left),
            np.maximum(tops, top),
            np.minimum(lefts + CORE_CELLS, right),
            np.minimum(tops + CORE_CELLS, bottom),
        ]
    )
    boxes = _to_working(grid, np.asarray(shapely.box(*cores.T)), Findings())
    near = shapely.STRtree(sewers).query(boxes, predicate="dwithin", distance=within_m)[0]
    if not len(near):
        _refuse_far(grid)
    return np.asarray(cores[np.unique(near)])


def _report_outside(grid: _Grid, sewers: Geometries, findings: Findings) -> None:
    """Say how many runs the raster does not cover to their ends."""
    xy, run = shapely.get_coordinates(sewers, return_index=True)
    cells = _to_cells(grid, xy)
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


def _read_heights(
    grid: _Grid, window: tuple[tuple[int, int], tuple[int, int]]
) -> NDArray[np.float32]:
    """Read heights in m from a window; NaN where there are none."""
    band = grid.source.read(1, window=window, masked=True)
    heights = np.ma.filled(band.astype(np.float32, copy=False), np.nan)
    for code in UNTAGGED_NO_DATA:
        heights[heights == np.float32(code)] = np.nan
    scale, offset = grid.unit_scale
    if (scale, offset) != (1.0, 0.0):
        heights = (heights * scale + offset).astype(np.float32)
    return heights


def _read_tile(
    grid: _Grid,
    core: NDArray[np.int64],
    streets: shapely.STRtree,
    settings: CrownSettings,
    counts: NDArray[np.int64],
    stands: Stands | None,
) -> Crowns:
    """Find the crowns of one tile near the sewers, in columns and rows of the whole raster.

    `counts` takes the cells of the core, as `count_heights` counts them.
    """
    named = np.array(CROWN_WINDOWS, dtype=object) if stands else None
    tallest_m = np.full(len(CROWN_WINDOWS), TALLEST_M)
    widest_window_m = find_windows(tallest_m, settings, named).max()
    margin_m = (settings.largest_crown_m + widest_window_m) / 2.0
    margin_m += SMOOTHING_REACH * settings.smoothing_m
    margin = [int(np.ceil(margin_m / each)) for each in grid.cell_m]
    left, right = max(0, core[0] - margin[1]), min(grid.source.width, core[2] + margin[1])
    top, bottom = max(0, core[1] - margin[0]), min(grid.source.height, core[3] + margin[0])
    heights = _read_heights(grid, ((top, bottom), (left, right)))
    inner = (slice(core[1] - top, core[3] - top), slice(core[0] - left, core[2] - left))
    counts += count_heights(heights[inner], settings.least_height_m)
    heights[(heights < LOWEST_M) | (heights > TALLEST_M)] = np.nan

    def is_near(row: NDArray[np.int64], column: NDArray[np.int64]) -> NDArray[np.bool_]:
        tops = _place_tops(grid, column + left, row + top, Findings())
        near = streets.query(tops, predicate="dwithin", distance=settings.within_m)[0]
        return np.isin(np.arange(len(tops)), near)

    pick_window = (
        None
        if stands is None
        else lambda row, column: stands.find(
            _place_tops(grid, column + left, row + top, Findings())
        )
    )
    found = find_crowns(
        heights,
        cell_m=grid.cell_m,
        settings=settings,
        core=inner,
        choose=is_near,
        pick_window=pick_window,
    )
    moved = shapely.transform(
        _drop_steps(found.outline), lambda cells: cells + np.array([left, top])
    )
    return replace(
        found, row=found.row + top, column=found.column + left, outline=np.asarray(moved)
    )


def _drop_steps(outline: Geometries) -> Geometries:
    """Take out the steps between cells: an outline moves by a cell at most."""
    plain = shapely.simplify(outline, 1.0, preserve_topology=False)
    # Few outlines would cross themselves: for those the way that heeds it, eight times as slow.
    is_bad = shapely.is_empty(plain) | ~shapely.is_valid(plain)
    plain[is_bad] = shapely.simplify(outline[is_bad], 1.0)
    return np.asarray(plain)


def _place_tops(
    grid: _Grid, column: NDArray[np.int64], row: NDArray[np.int64], findings: Findings
) -> Geometries:
    """Give the middles of cells in the working CRS."""
    centres = shapely.points(np.column_stack([column + 0.5, row + 0.5]))
    return _to_working(grid, np.asarray(centres), findings)


def _join_parts(grid: _Grid, parts: list[Crowns], findings: Findings) -> RasterTrees:
    """Put the tiles together in the working CRS, by row and column of the tops."""
    row = np.concatenate([each.row for each in parts])
    column = np.concatenate([each.column for each in parts])
    order = np.lexsort((column, row))
    area_m2 = np.concatenate([each.area_m2 for each in parts])[order]
    outline = np.concatenate([each.outline for each in parts])[order]
    return RasterTrees(
        top=_place_tops(grid, column[order], row[order], findings),
        crown=_to_working(grid, outline, Findings()),
        crown_diameter_m=2.0 * np.sqrt(area_m2 / np.pi),
        height_m=np.concatenate([each.height_m for each in parts])[order],
    )
