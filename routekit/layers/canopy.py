"""A raster of canopy heights: the trees in it, tile by tile near the sewers.

Tiles overlap by the widest window, crown and smoothing; each top counts in the one tile whose
core it lies in. Tiles without a sewer near are not read, so that memory does not grow with the
raster. One thread reads the file while others look for crowns in the tiles read before; the order
of the trees does not depend on which of them is done first.
"""

from __future__ import annotations

from collections import deque
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from routekit.errors import CrsError, LayerError
from routekit.layers.canopy_grid import (
    list_cores,
    place_cells,
    place_grid,
    refuse_coarse,
    report_outside,
    to_cells,
    to_working,
    told_errors,
    window_near,
)
from routekit.layers.canopy_ground import NO_GROUND, ask_about_ground
from routekit.layers.canopy_heights import LOWEST_M, TALLEST_M, count_heights, judge_heights
from routekit.layers.canopy_windows import find_windows
from routekit.layers.findings import Findings
from routekit.layers.opening import open_raster
from routekit.layers.terrain import UNTAGGED_NO_DATA
from routekit.layers.treetops import SMOOTHING_REACH, Crowns, find_crowns
from routekit.vocabulary import CROWN_WINDOWS

if TYPE_CHECKING:
    from collections.abc import Collection
    from concurrent.futures import Future
    from pathlib import Path

    import pyproj

    from routekit.arrays import Floats
    from routekit.layers.canopy_grid import CanopyGrid
    from routekit.layers.canopy_ground import KnownGround
    from routekit.layers.settings import CrownSettings
    from routekit.layers.stands import Stands

Geometries = NDArray[np.object_]
Heights = NDArray[np.float32]

CORE_CELLS: Final = 2048
"""Side of the core of a tile: with its margin some 5 to 9 million cells at 0.5 to 0.1 m."""

TILES_AT_ONCE: Final = 2
"""Tiles in which crowns are looked for at the same time: each takes some 250 MB."""

CACHE_BYTES: Final = 128 * 1024**2
"""Blocks of the file that are kept while it is read; GDAL's own rule is 5 % of the memory."""

MOST_CACHE_BYTES: Final = 512 * 1024**2
"""Kept at most, where one block goes across the raster and serves a whole row of tiles."""

COLUMN_TILES: Final = 3
"""Tiles side by side that are read from above to below, so that the blocks which a tile shares with
the one above it are still kept: one tile with its blocks takes up to 40 MB."""


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
    is_cut : numpy.ndarray of bool, shape (n,)
        The crown ends at «no data» or at the edge of the raster: it may be wider.
    """

    top: Geometries
    crown: Geometries
    crown_diameter_m: Floats
    height_m: Floats
    is_cut: NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True)
class _Search:
    """What is looked for in each tile, and near which sewers."""

    grid: CanopyGrid
    streets: shapely.STRtree
    settings: CrownSettings
    stands: Stands | None


@dataclass(frozen=True, kw_only=True)
class _Tile:
    """Heights in m with the margin, the column and row where they begin, and the core in them."""

    heights: NDArray[np.float32]
    corner: tuple[int, int]
    core: tuple[slice, slice]


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
    ground: KnownGround | None = None,
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
    ground : KnownGround, optional
        Where the level of the ground is known, which the raster must not hold.

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

    with told_errors(path):
        with open_raster("layers.canopy", path, also_open) as source:
            grid = place_grid(source, path, sewers, crs, declared)
            window = window_near(grid, sewers, settings.within_m)
            refuse_coarse(grid, settings)
            cores = list_cores(grid, window, sewers, settings.within_m, CORE_CELLS)
            report_outside(grid, sewers, findings)
            streets = shapely.STRtree(sewers)
            search = _Search(grid=grid, streets=streets, settings=settings, stands=stands)
            order, cache_bytes = _plan_reading(search, cores)
            known = NO_GROUND if ground is None else ground
            places = np.floor(to_cells(grid, known.xy))
            with Env(GDAL_CACHEMAX=cache_bytes):
                parts, counts, at_m = _search_tiles(search, cores[order], places)
        judge_heights(path, counts, settings, findings)
        ask_about_ground(path, at_m, known.level_m, counts, settings, findings)
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
        with told_errors(path), open_raster("layers.canopy", path):
            return True
    except (CrsError, LayerError):
        return False


def _read_heights(
    grid: CanopyGrid, window: tuple[tuple[int, int], tuple[int, int]]
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


def _plan_reading(search: _Search, cores: NDArray[np.int64]) -> tuple[NDArray[np.intp], int]:
    """Put tiles in the order in which few blocks of the file are read twice; and size the cache.

    Blocks across the whole raster serve a row of tiles, so that the cache must hold one; others
    are read a few tiles wide from above to below.
    """
    source = search.grid.source
    block = source.block_shapes[0]
    if block[1] > CORE_CELLS:
        rows = CORE_CELLS + 2 * _measure_margin(search)[0] + 2 * block[0]
        row_bytes = rows * source.width * np.dtype(source.dtypes[0]).itemsize
        return np.arange(len(cores)), min(max(row_bytes, CACHE_BYTES), MOST_CACHE_BYTES)
    column = cores[:, 0] // (COLUMN_TILES * CORE_CELLS)
    return np.lexsort((cores[:, 0], cores[:, 1], column)), CACHE_BYTES


def _search_tiles(
    search: _Search, cores: NDArray[np.int64], places: Floats
) -> tuple[list[Crowns], NDArray[np.int64], Heights]:
    """Find the crowns of all tiles, in their order, and count their cells as `count_heights` does.

    One tile is read ahead, and no more, so that memory does not grow with their number. The last
    that is given are the heights at columns and rows `places`, NaN where none was read.
    """
    at_m = np.full(len(places), np.nan, dtype=np.float32)
    margin = _measure_margin(search)
    at_work: deque[Future[tuple[Crowns, NDArray[np.int64]]]] = deque()
    found = []
    with ThreadPoolExecutor(TILES_AT_ONCE) as workers:
        for core in cores:
            tile = _read_tile(search.grid, core, margin)
            mine = np.flatnonzero(((places >= core[:2]) & (places < core[2:])).all(axis=1))
            column, row = (places[mine] - tile.corner).astype(np.int64).T
            at_m[mine] = tile.heights[row, column]
            at_work.append(workers.submit(_search_tile, search, tile))
            if len(at_work) > TILES_AT_ONCE:
                found.append(at_work.popleft().result())
        found += [each.result() for each in at_work]
    return [each for each, _ in found], np.sum([each for _, each in found], axis=0), at_m


def _measure_margin(search: _Search) -> tuple[int, int]:
    """Give the rows and columns round a core that the trees in it may depend on."""
    settings = search.settings
    named = None if search.stands is None else np.array(CROWN_WINDOWS, dtype=object)
    tallest_m = np.full(len(CROWN_WINDOWS), TALLEST_M)
    widest_window_m = find_windows(tallest_m, settings, named).max()
    margin_m = (settings.largest_crown_m + widest_window_m) / 2.0
    margin_m += SMOOTHING_REACH * settings.smoothing_m
    down, right = (int(np.ceil(margin_m / each)) for each in search.grid.cell_m)
    return down, right


def _read_tile(grid: CanopyGrid, core: NDArray[np.int64], margin: tuple[int, int]) -> _Tile:
    """Read one tile with its margin, as far as the raster goes."""
    left, right = max(0, core[0] - margin[1]), min(grid.source.width, core[2] + margin[1])
    top, bottom = max(0, core[1] - margin[0]), min(grid.source.height, core[3] + margin[0])
    inner = (slice(core[1] - top, core[3] - top), slice(core[0] - left, core[2] - left))
    heights = _read_heights(grid, ((top, bottom), (left, right)))
    return _Tile(heights=heights, corner=(left, top), core=inner)


def _search_tile(search: _Search, tile: _Tile) -> tuple[Crowns, NDArray[np.int64]]:
    """Find the crowns of one tile near the sewers, and count the cells of its core.

    Tops are columns and rows of the whole raster, outlines in its CRS.
    """
    heights, settings, stands = tile.heights, search.settings, search.stands
    left, top = tile.corner
    counts = count_heights(heights[tile.core], settings.least_height_m)
    heights[(heights < LOWEST_M) | (heights > TALLEST_M)] = np.nan

    def place(row: NDArray[np.int64], column: NDArray[np.int64]) -> Geometries:
        return _place_tops(search.grid, column + left, row + top, Findings())

    def is_near(row: NDArray[np.int64], column: NDArray[np.int64]) -> NDArray[np.bool_]:
        tops = place(row, column)
        near = search.streets.query(tops, predicate="dwithin", distance=settings.within_m)[0]
        return np.isin(np.arange(len(tops)), near)

    found = find_crowns(
        heights,
        cell_m=search.grid.cell_m,
        settings=settings,
        core=tile.core,
        choose=is_near,
        pick_window=None if stands is None else lambda row, column: stands.find(place(row, column)),
    )
    outline = place_cells(search.grid, _drop_steps(found.outline), corner=tile.corner)
    return replace(found, row=found.row + top, column=found.column + left, outline=outline), counts


def _drop_steps(outline: Geometries) -> Geometries:
    """Take out the steps between cells: an outline moves by a cell at most."""
    plain = shapely.simplify(outline, 1.0, preserve_topology=False)
    # Few outlines would cross themselves: for those the way that heeds it, eight times as slow.
    is_bad = shapely.is_empty(plain) | ~shapely.is_valid(plain)
    plain[is_bad] = shapely.simplify(outline[is_bad], 1.0)
    return np.asarray(plain)


def _place_tops(
    grid: CanopyGrid, column: NDArray[np.int64], row: NDArray[np.int64], findings: Findings
) -> Geometries:
    """Give the middles of cells in the working CRS."""
    centres = shapely.points(np.column_stack([column + 0.5, row + 0.5]))
    return to_working(grid, place_cells(grid, np.asarray(centres)), findings)


def _join_parts(grid: CanopyGrid, parts: list[Crowns], findings: Findings) -> RasterTrees:
    """Put the tiles together in the working CRS, by row and column of the tops."""
    row = np.concatenate([each.row for each in parts])
    column = np.concatenate([each.column for each in parts])
    order = np.lexsort((column, row))
    area_m2 = np.concatenate([each.area_m2 for each in parts])[order]
    outline = np.concatenate([each.outline for each in parts])[order]
    return RasterTrees(
        top=_place_tops(grid, column[order], row[order], findings),
        crown=to_working(grid, outline, Findings()),
        crown_diameter_m=2.0 * np.sqrt(area_m2 / np.pi),
        height_m=np.concatenate([each.height_m for each in parts])[order],
        is_cut=np.concatenate([each.is_cut for each in parts])[order],
    )
