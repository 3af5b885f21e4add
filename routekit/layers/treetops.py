"""Tree tops and crowns in an array of canopy heights: smooth, find tops, grow crowns, cut.

A top is the highest cell within a window that grows with its height. Each cell belongs to the
top that the way up over the highest neighbours leads to: the watershed of the inverted heights. A
local maximum that is no top leads on to the highest cell of its window. All cells stand in one
strict order (the higher first; of equals the one nearer to the first row and column), so that no
way runs in a circle and equal input gives equal crowns. Both the neighbours and the order are one
`scipy.ndimage.maximum_filter` over numbers that hold height and place.

`scipy.ndimage.watershed_ift` is not used: it floods by the steps between cells, not by their
height, so that a steep crown loses its edge to a flat one, and needs over 40 bytes per cell. A
watershed with a queue gives the same crowns (the tests hold one against it) in three times the
time, and leaves the order of equal cells to the queue, so that tiles need not agree.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from routekit.layers.canopy_windows import find_windows

if TYPE_CHECKING:
    from collections.abc import Callable

    from routekit.arrays import Floats
    from routekit.layers.settings import CrownSettings

Heights = NDArray[np.float32]
Cells = NDArray[np.int64]
Labels = NDArray[np.int32]
Keys = NDArray[np.float64]

UNKNOWN_M: Final = np.float32(-1.0)
"""Stands for «not known» while heights are compared: lower than any ground."""

FILL_WEIGHT: Final = 0.5
"""A cell without a height takes the smoothed one if known cells hold this much of the weight."""

RASTER_DIMENSIONS: Final = 2
"""Rows and columns."""

SMOOTHING_REACH: Final = 4.0
"""Standard deviations after which the weights of the smoothing end."""

CELLS_PER_GATHER: Final = 4_000_000

PLACES: Final = 2**28
"""Cells that can be put in one order at most."""

STEPS_PER_M: Final = 2**17
"""Heights are told apart to 8 micrometres; 120 m and `PLACES` together stay below 2**53."""


@dataclass(frozen=True, kw_only=True)
class Crowns:
    """Tops and crowns in the cells of an array, n of them.

    Attributes
    ----------
    row, column : numpy.ndarray of int, shape (n,)
        Cell of each top.
    height_m : numpy.ndarray of float, shape (n,)
        Highest cell of the crown, m.
    area_m2 : numpy.ndarray of float, shape (n,)
        Area of the crown, holes in it counted, m2.
    outline : numpy.ndarray of object, shape (n,)
        Polygon in columns and rows of the array; the first cell lies between 0 and 1.
    """

    row: Cells
    column: Cells
    height_m: Floats
    area_m2: Floats
    outline: NDArray[np.object_]


def find_crowns(
    heights: Heights,
    *,
    cell_m: tuple[float, float],
    settings: CrownSettings,
    core: tuple[slice, slice] | None = None,
    choose: Callable[[Cells, Cells], NDArray[np.bool_]] | None = None,
) -> Crowns:
    """Find the tree tops and crowns in an array of heights.

    Parameters
    ----------
    heights : numpy.ndarray of float32, shape (rows, columns)
        Heights above ground in m, NaN where not known.
    cell_m : tuple of float
        Height and width of a cell in m.
    settings : CrownSettings
        Smoothing, window, limits and cut.
    core : tuple of slice, optional
        Rows and columns that a top must lie in; the whole array if not given.
    choose : callable, optional
        Takes rows and columns of tops, and tells of which the crowns are wanted; all if not given.

    Returns
    -------
    Crowns
        In the order of the array: by row, then column.

    Raises
    ------
    ValueError
        If the heights are no table or a cell has no size.
    """
    if heights.ndim != RASTER_DIMENSIONS or min(cell_m) <= 0:
        raise ValueError("heights must have rows and columns, and cells a size above 0 m")
    smooth, filled = smooth_heights(heights, cell_m=cell_m, sigma_m=settings.smoothing_m)
    tops, cells, root = climb(smooth, cell_m=cell_m, settings=settings)
    tops = tops[_is_within(tops, heights.shape, core)]
    if choose is not None:
        tops = tops[choose(*np.divmod(tops, heights.shape[1]))]
    labels, height_m = _cut_crowns(smooth, filled, tops, (cells, root), cell_m, settings)
    outline, area = _draw_outlines(labels, len(tops))
    area_m2 = area * (cell_m[0] * cell_m[1])
    is_tree = (height_m >= settings.least_height_m) & (
        2.0 * np.sqrt(area_m2 / np.pi) >= settings.least_crown_m
    )
    row, column = np.divmod(tops[is_tree], heights.shape[1])
    return Crowns(
        row=row,
        column=column,
        height_m=height_m[is_tree],
        area_m2=area_m2[is_tree],
        outline=outline[is_tree],
    )


def smooth_heights(
    heights: Heights, *, cell_m: tuple[float, float], sigma_m: float
) -> tuple[Heights, Heights]:
    """Smooth heights with a Gaussian that leaves out the cells without a height.

    Parameters
    ----------
    heights : numpy.ndarray of float32, shape (rows, columns)
        Heights in m, NaN where not known.
    cell_m : tuple of float
        Height and width of a cell in m.
    sigma_m : float
        Standard deviation of the weights in m; 0 smooths nothing.

    Returns
    -------
    smooth, filled : numpy.ndarray of float32, shape (rows, columns)
        Smoothed heights, and the heights as they are with small holes filled from the smoothed
        ones; `UNKNOWN_M` where the known cells hold less than half of the weight.

    Notes
    -----
    ``G(h w) / G(w)`` with w = 1 where known, else 0 (normalised convolution, Knutsson & Westin
    1993, memory).
    """
    from scipy.ndimage import gaussian_filter  # noqa: PLC0415 - slow to import

    is_known = ~np.isnan(heights)
    known = np.where(is_known, np.maximum(heights, np.float32(0)), np.float32(0))
    if sigma_m <= 0:
        filled = np.where(is_known, known, UNKNOWN_M)
        return filled, filled
    sigma = [sigma_m / each for each in cell_m]
    # Ground is taken to go on as it is past the edge of the array, for heights and weights alike.
    smooth = gaussian_filter(known, sigma, truncate=SMOOTHING_REACH, mode="nearest")
    if not is_known.all():
        weight = gaussian_filter(
            is_known.astype(np.float32), sigma, truncate=SMOOTHING_REACH, mode="nearest"
        )
        is_held = is_known | (weight >= FILL_WEIGHT)
        np.divide(smooth, weight, out=smooth, where=is_held)
        smooth[~is_held] = UNKNOWN_M
    return smooth, np.where(is_known, known, smooth)


def order_cells(smooth: Heights) -> Keys:
    """Give every cell a number of its own: the higher first, of equals the one that comes first.

    Parameters
    ----------
    smooth : numpy.ndarray of float32, shape (rows, columns)
        Heights in m without NaN.

    Returns
    -------
    numpy.ndarray of float64, shape (rows, columns)
        Whole numbers below 2**53. The order of two cells does not depend on what lies around them,
        so that tiles agree; the remainder by `PLACES` is the place, counted from the last cell.

    Raises
    ------
    ValueError
        If there are more cells than `PLACES`.

    Examples
    --------
    >>> order_cells(np.array([[1.0, 2.0, 2.0]], np.float32)).argsort()[0]
    array([0, 2, 1])
    """
    if smooth.size > PLACES:
        msg = f"at most {PLACES:,} cells can be put in order; give a part of the raster"
        raise ValueError(msg)
    keys = np.rint(smooth.astype(np.float64) * STEPS_PER_M) * PLACES
    keys += np.arange(smooth.size - 1, -1, -1).reshape(smooth.shape)
    return np.asarray(keys)


def _read_places(keys: Keys) -> Cells:
    """Give the places of numbers of the order, counted from the last cell."""
    return np.asarray(keys.astype(np.int64) & (PLACES - 1))


def climb(
    smooth: Heights, *, cell_m: tuple[float, float], settings: CrownSettings
) -> tuple[Cells, Cells, Labels]:
    """Find the tops, and the cell that the way up from each cell of the canopy ends at.

    Parameters
    ----------
    smooth : numpy.ndarray of float32, shape (rows, columns)
        Smoothed heights in m without NaN.
    cell_m : tuple of float
        Height and width of a cell in m.
    settings : CrownSettings
        Window and least height.

    Returns
    -------
    tops : numpy.ndarray of int, shape (n,)
        Flat positions of the tops, ascending.
    cells : numpy.ndarray of int, shape (m,)
        Flat positions of the cells that can belong to a crown, ascending.
    root : numpy.ndarray of int32, shape (m,)
        Flat position of the cell that the way up from each ends at: a top, or a low place.

    Notes
    -----
    Basins by the way up to the highest of the eight neighbours: a watershed of the inverted
    heights without a queue (Beucher & Meyer 1993, memory).
    """
    from scipy.ndimage import maximum_filter  # noqa: PLC0415 - slow to import

    keys = order_cells(smooth)
    highest = maximum_filter(keys, size=3, mode="constant", cval=-np.inf).ravel()
    flat = smooth.ravel()
    least_m = settings.least_height_m * settings.cut_share
    cells = np.flatnonzero(flat >= least_m * settings.cut_share)
    up = np.arange(smooth.size, dtype=np.int32)
    up[cells] = smooth.size - 1 - _read_places(highest[cells])
    peaks = cells[(up[cells] == cells) & (flat[cells] >= least_m)]
    radius_m = find_windows(flat[peaks].astype(np.float64), settings) / 2.0
    best = _highest_in_window(keys, peaks, radius_m, cell_m)
    up[peaks] = best
    return peaks[best == peaks], cells, _follow(up, cells)


def _highest_in_window(
    keys: Keys, peaks: Cells, radius_m: Floats, cell_m: tuple[float, float]
) -> Cells:
    """Find the first cell of the order in the round window of each peak."""
    best = peaks.copy()
    if not len(peaks):
        return best
    step = min(cell_m) / 2.0
    size = np.ceil(radius_m / step).astype(np.int64)
    reach = [int(np.floor(size.max() * step / each)) for each in cell_m]
    padded = np.pad(keys, [(r, r) for r in reach], constant_values=-np.inf)
    row, column = np.divmod(peaks, keys.shape[1])
    place = (row + reach[0]) * padded.shape[1] + column + reach[1]
    grid = np.mgrid[-reach[0] : reach[0] + 1, -reach[1] : reach[1] + 1].reshape(2, -1)
    distance = np.hypot(grid[0] * cell_m[0], grid[1] * cell_m[1])
    for each in np.unique(size):
        # Windows of one size at a time.
        rows, columns = grid[:, distance <= each * step]
        offset = rows * padded.shape[1] + columns
        own = np.flatnonzero(size == each)
        for part in np.array_split(own, 1 + len(own) * len(offset) // CELLS_PER_GATHER):
            first = padded.ravel()[place[part, None] + offset].max(axis=1)
            best[part] = keys.size - 1 - _read_places(first)
    return best


def _follow(up: Labels, cells: Cells) -> Labels:
    """Follow the way up from each cell to its end, twice as far at each turn."""
    way = up[cells]
    while True:
        further = up[way]
        if np.array_equal(further, way):
            return way
        up[cells] = way = further


def _is_within(
    place: Cells, shape: tuple[int, ...], core: tuple[slice, slice] | None
) -> NDArray[np.bool_]:
    """Tell which cells lie in the core."""
    if core is None:
        return np.ones(len(place), dtype=bool)
    row, column = np.divmod(place, shape[1])
    rows, columns = core
    is_in = (row >= rows.start) & (row < rows.stop)
    return np.asarray(is_in & (column >= columns.start) & (column < columns.stop))


def _cut_crowns(
    smooth: Heights,
    filled: Heights,
    tops: Cells,
    basins: tuple[Cells, Labels],
    cell_m: tuple[float, float],
    settings: CrownSettings,
) -> tuple[Labels, Floats]:
    """Give each crown's cells its number from 1, and its highest cell in m.

    A cell belongs to it if it is high enough and not too far from the top.
    """
    number = np.zeros(smooth.size, dtype=np.int32)
    number[tops] = np.arange(1, len(tops) + 1)
    cells, root = basins
    own = number[root] - 1
    cells, own = cells[own >= 0], own[own >= 0]
    top_m, height_m = smooth.ravel()[tops], filled.ravel()[cells]
    is_in = height_m >= np.float32(settings.cut_share) * top_m[own]
    cells, own, height_m = cells[is_in], own[is_in], height_m[is_in]
    width = np.int32(smooth.shape[1])
    row, top_row = cells.astype(np.int32) // width, tops.astype(np.int32) // width
    down = row - top_row[own]
    right = (cells - row * width) - (tops - top_row * width)[own]
    reach = np.minimum(settings.reach_per_height * top_m, settings.largest_crown_m / 2.0)
    is_in = (down * cell_m[0]) ** 2 + (right * cell_m[1]) ** 2 <= (reach**2)[own]
    number[tops] = 0
    number[cells[is_in]] = own[is_in] + 1
    highest = np.full(len(tops), -np.inf, dtype=np.float32)
    np.maximum.at(highest, own[is_in], height_m[is_in])
    known_m = np.where(np.isfinite(highest), highest, np.nan).astype(np.float64)
    return number.reshape(smooth.shape), known_m


def _draw_outlines(labels: Labels, n: int) -> tuple[NDArray[np.object_], Floats]:
    """Draw the largest part of each crown without its holes, and its area in cells."""
    from rasterio.features import shapes  # noqa: PLC0415 - slow to import

    outline, area = np.full(n, None, dtype=object), np.zeros(n)
    drawn = [(part["coordinates"][0], value) for part, value in shapes(labels, mask=labels > 0)]
    if not drawn:
        return outline, area
    rings, values = zip(*drawn, strict=True)
    corner = np.repeat(np.arange(len(rings)), [len(ring) for ring in rings])
    points = np.concatenate([np.asarray(ring, dtype=np.float64) for ring in rings])
    polygons = np.asarray(shapely.polygons(shapely.linearrings(points, indices=corner)))
    own, size = np.asarray(values, dtype=np.int64) - 1, shapely.area(polygons)
    order = np.argsort(size, kind="stable")
    # Written in order of size, the largest part of each crown stays.
    outline[own[order]], area[own[order]] = polygons[order], size[order]
    return outline, area
