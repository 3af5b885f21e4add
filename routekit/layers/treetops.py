"""Tree tops and crowns in an array of canopy heights: smooth, find tops, grow crowns, cut.

A top is the highest cell within a window that grows with its height. Each cell belongs to the
top that the way up over the highest neighbours leads to: the watershed of the inverted heights. A
local maximum that is no top leads on to the highest cell of its window. All cells stand in one
strict order (the higher first; of equals the one nearer to the first row and column), so that no
way runs in a circle and equal input gives equal crowns. Both the neighbours and the order are one
maximum over numbers that hold height and place, a few rows at a time.

`scipy.ndimage.watershed_ift` is not used: it floods by the steps between cells, not by their
height, so that a steep crown loses its edge to a flat one, and needs over 40 bytes per cell. A
watershed with a queue gives the same crowns (the tests hold one against it) in three times the
time, and leaves the order of equal cells to the queue, so that tiles need not agree.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from routekit.layers.canopy_windows import find_windows
from routekit.layers.crown_outlines import draw_outlines

if TYPE_CHECKING:
    from collections.abc import Callable

    from routekit.arrays import Floats
    from routekit.layers.settings import CrownSettings

    PickWindow = Callable[["Cells", "Cells"], NDArray[np.object_]]

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

CELLS_PER_GATHER: Final = 1_000_000
"""Cells of windows that are looked at together."""

ROWS_AT_ONCE: Final = 32
"""Rows of the array that are put in order together."""

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
    is_cut : numpy.ndarray of bool, shape (n,)
        The crown ends where no height is known, or at the edge of the array: it may be wider.
    """

    row: Cells
    column: Cells
    height_m: Floats
    area_m2: Floats
    outline: NDArray[np.object_]
    is_cut: NDArray[np.bool_]


def find_crowns(
    heights: Heights,
    *,
    cell_m: tuple[float, float],
    settings: CrownSettings,
    core: tuple[slice, slice] | None = None,
    choose: Callable[[Cells, Cells], NDArray[np.bool_]] | None = None,
    pick_window: PickWindow | None = None,
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
    pick_window : callable, optional
        Takes rows and columns, and names the window of a top there; that of the settings if not
        given, and where the word is no window.

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
    tops, cells, root = climb(smooth, cell_m=cell_m, settings=settings, pick_window=pick_window)
    tops = tops[_is_within(tops, heights.shape, core)]
    if choose is not None:
        tops = tops[choose(*np.divmod(tops, heights.shape[1]))]
    inside, own, height_m = _cut_crowns(smooth, filled, tops, (cells, root), cell_m, settings)
    outline, area = draw_outlines(inside, own, len(tops), heights.shape)
    area_m2 = area * (cell_m[0] * cell_m[1])
    is_tree = (height_m >= settings.least_height_m) & (
        2.0 * np.sqrt(area_m2 / np.pi) >= settings.least_crown_m
    )
    row, column = np.divmod(tops[is_tree], heights.shape[1])
    is_cut = np.bincount(own, _is_beside_unknown(inside, filled), minlength=len(tops)) > 0
    return Crowns(
        row=row,
        column=column,
        height_m=height_m[is_tree],
        area_m2=area_m2[is_tree],
        outline=outline[is_tree],
        is_cut=is_cut[is_tree],
    )


def _is_beside_unknown(cells: Cells, filled: Heights) -> NDArray[np.bool_]:
    """Mark the cells with a side that nothing is known beyond."""
    row, column = np.divmod(cells, filled.shape[1])
    is_beside = np.zeros(len(cells), dtype=bool)
    for down, right in ((-1, 0), (1, 0), (0, -1), (0, 1)):
        there, across = row + down, column + right
        is_out = (there < 0) | (there >= filled.shape[0])
        is_out |= (across < 0) | (across >= filled.shape[1])
        beyond = filled[np.where(is_out, row, there), np.where(is_out, column, across)]
        is_beside |= is_out | (beyond == UNKNOWN_M)
    return is_beside


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
    known = np.fmax(heights, np.float32(0))
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
        known = np.where(is_known, known, smooth)
    return smooth, known


def order_cells(smooth: Heights, place: Cells | None = None) -> Keys:
    """Give every cell a number of its own: the higher first, of equals the one that comes first.

    Parameters
    ----------
    smooth : numpy.ndarray of float32, any shape
        Heights in m without NaN.
    place : numpy.ndarray of int, shape of `smooth`, optional
        Flat positions of the cells in their raster; those in this array if not given.

    Returns
    -------
    numpy.ndarray of float64, shape of `smooth`
        Whole numbers below 2**53. The order of two cells does not depend on what lies around them,
        so that tiles agree; the remainder by `PLACES` holds the place, counted down.

    Raises
    ------
    ValueError
        If there are more cells than `PLACES`.

    Examples
    --------
    >>> order_cells(np.array([[1.0, 2.0, 2.0]], np.float32)).argsort()[0]
    array([0, 2, 1])
    """
    _refuse_too_many(smooth.size)
    if place is None:
        place = np.arange(smooth.size).reshape(smooth.shape)
    keys = smooth.astype(np.float64)
    keys *= STEPS_PER_M
    np.rint(keys, out=keys)
    keys *= PLACES
    keys -= place
    keys += PLACES - 1
    return keys


def _refuse_too_many(n: int) -> None:
    """Refuse more cells than one order holds."""
    if n > PLACES:
        msg = f"at most {PLACES:,} cells can be put in order; give a part of the raster"
        raise ValueError(msg)


def _read_places(keys: Keys) -> Cells:
    """Give the flat positions of cells that numbers of the order hold."""
    return np.asarray(PLACES - 1 - (keys.astype(np.int64) & (PLACES - 1)))


def climb(
    smooth: Heights,
    *,
    cell_m: tuple[float, float],
    settings: CrownSettings,
    pick_window: PickWindow | None = None,
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
    pick_window : callable, optional
        As `find_crowns` takes it.

    Returns
    -------
    tops : numpy.ndarray of int, shape (n,)
        Flat positions of the tops, ascending.
    cells : numpy.ndarray of int, shape (m,)
        Flat positions of the cells that can belong to a crown, ascending.
    root : numpy.ndarray of int32, shape (m,)
        Position among `cells` of the one that the way up from each ends at: a top, or a low place.

    Raises
    ------
    ValueError
        If there are more cells than `PLACES`.

    Notes
    -----
    Basins by the way up to the highest of the eight neighbours: a watershed of the inverted
    heights without a queue (Beucher & Meyer 1993, memory).
    """
    _refuse_too_many(smooth.size)
    least_m = settings.least_height_m * settings.cut_share
    cells, highest = _look_around(smooth, least_m * settings.cut_share)
    # The way up only leads to higher cells, so that it never leaves those of the canopy.
    position = np.empty(smooth.size, dtype=np.int32)
    position[cells] = np.arange(len(cells), dtype=np.int32)
    up = position[highest]
    is_peak = (highest == cells) & (smooth.ravel()[cells] >= least_m)
    peaks = cells[is_peak]
    window = None if pick_window is None else pick_window(*np.divmod(peaks, smooth.shape[1]))
    height_m = smooth.ravel()[peaks].astype(np.float64)
    radius_m = find_windows(height_m, settings, window) / 2.0
    best = _highest_in_window(smooth, peaks, radius_m, cell_m)
    up[is_peak] = position[best]
    return peaks[best == peaks], cells, _follow(up)


def _look_around(smooth: Heights, least_m: float) -> tuple[Cells, Cells]:
    """Find the cells of some height, and the first in order of each and its eight neighbours."""
    rows, columns = smooth.shape
    down = np.arange((ROWS_AT_ONCE + 2) * columns).reshape(-1, columns)
    cells, highest = [], []
    # Some rows at a time, with one more on both sides: as much as a processor keeps at hand.
    for top in range(0, rows, ROWS_AT_ONCE):
        bottom, above = min(top + ROWS_AT_ONCE, rows), max(top - 1, 0)
        part = smooth[above : bottom + 1]
        keys = order_cells(part, down[: len(part)] + above * columns)
        beside = keys.copy()
        np.maximum(keys[:, :-1], beside[:, 1:], out=beside[:, 1:])
        np.maximum(keys[:, 1:], beside[:, :-1], out=beside[:, :-1])
        best = beside.copy()
        np.maximum(beside[:-1], best[1:], out=best[1:])
        np.maximum(beside[1:], best[:-1], out=best[:-1])
        own = np.flatnonzero(smooth[top:bottom] >= least_m)
        cells.append(own + top * columns)
        highest.append(_read_places(best[top - above :].ravel()[own]))
    return np.concatenate(cells), np.concatenate(highest)


def _highest_in_window(
    smooth: Heights, peaks: Cells, radius_m: Floats, cell_m: tuple[float, float]
) -> Cells:
    """Find the first cell of the order in the round window of each peak."""
    best = peaks.copy()
    if not len(peaks):
        return best
    step = min(cell_m) / 2.0
    size = np.ceil(radius_m / step).astype(np.int64)
    reach = [int(np.floor(size.max() * step / each)) for each in cell_m]
    row, column = np.divmod(peaks, smooth.shape[1])
    grid = np.mgrid[-reach[0] : reach[0] + 1, -reach[1] : reach[1] + 1].reshape(2, -1)
    distance = np.hypot(grid[0] * cell_m[0], grid[1] * cell_m[1])
    for each in np.unique(size):
        # Windows of one size at a time.
        down, right = grid[:, distance <= each * step]
        own = np.flatnonzero(size == each)
        for part in np.array_split(own, 1 + len(own) * len(down) // CELLS_PER_GATHER):
            # Past the edge, the cell at the edge is looked at: it lies in the window, too.
            rows = np.clip(row[part, None] + down, 0, smooth.shape[0] - 1)
            columns = np.clip(column[part, None] + right, 0, smooth.shape[1] - 1)
            place = rows * smooth.shape[1] + columns
            best[part] = _read_places(order_cells(smooth.ravel()[place], place).max(axis=1))
    return best


def _follow(up: Labels) -> Labels:
    """Follow the way up from each cell to its end, twice as far at each turn."""
    while True:
        further = up[up]
        if np.array_equal(further, up):
            return up
        up = further


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
) -> tuple[Cells, Labels, Floats]:
    """Give the cells of the crowns, ascending, the number of each's top, and its highest cell in m.

    A cell belongs to a crown if it is high enough and not too far from the top.
    """
    cells, root = basins
    number = np.full(len(cells), -1, dtype=np.int32)
    number[np.searchsorted(cells, tops)] = np.arange(len(tops), dtype=np.int32)
    own = number[root]
    kept = np.flatnonzero(own >= 0)
    cells, own = cells[kept], own[kept]
    top_m, height_m = smooth.ravel()[tops], filled.ravel()[cells]
    kept = np.flatnonzero(height_m >= (np.float32(settings.cut_share) * top_m)[own])
    cells, own, height_m = cells[kept], own[kept], height_m[kept]
    width = np.int32(smooth.shape[1])
    place = cells.astype(np.int32)
    row, (top_row, top_column) = place // width, np.divmod(tops.astype(np.int32), width)
    down, right = row - top_row[own], place - row * width - top_column[own]
    reach = np.minimum(settings.reach_per_height * top_m, settings.largest_crown_m / 2.0)
    kept = np.flatnonzero((down * cell_m[0]) ** 2 + (right * cell_m[1]) ** 2 <= (reach**2)[own])
    highest = np.full(len(tops), -np.inf, dtype=np.float32)
    np.maximum.at(highest, own[kept], height_m[kept])
    known_m = np.where(np.isfinite(highest), highest, np.nan).astype(np.float64)
    return cells[kept], own[kept], known_m
