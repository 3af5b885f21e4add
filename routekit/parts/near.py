"""What lies near the runs of each part, found for all parts at once in cells of ground."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import shapely

from routekit.arrays import Floats, Ints, Objects
from routekit.parts.lookup import spread_out

_CELL_M: Final = 100.0
"""Ground round the runs of a part is taken in cells of this side, m; house."""
_FEW: Final = 64
"""What may lie in so many cells is near all of them; what is larger is looked at itself."""
_AT_ONCE: Final = 200_000
"""So many rows of a layer are looked at together."""
_MOST: Final = 1 << 40
"""More than there are rows of any layer."""


def mark_cells(lines: Objects, reach_m: float) -> Ints:
    """Find the cells within reach of lines.

    Parameters
    ----------
    lines : numpy.ndarray of shapely geometry
    reach_m : float
        m.

    Returns
    -------
    numpy.ndarray of int, shape (k, 2)
        Number of each cell to the east and to the north; each once.
    """
    west, south, east, north = (shapely.bounds(lines).reshape(-1, 4) / _CELL_M).T
    reach = reach_m / _CELL_M
    low = np.floor(np.stack([west, south], axis=1) - reach).astype(np.int64)
    high = np.floor(np.stack([east, north], axis=1) + reach).astype(np.int64)
    # Boxes of cells that are the same are listed once.
    boxes = np.unique(np.concatenate([low, high], axis=1), axis=0)
    return np.unique(_list_cells(boxes[:, :2], boxes[:, 2:])[1], axis=0)


def draw_cells(cells: Ints) -> Objects:
    """Draw cells.

    Parameters
    ----------
    cells : numpy.ndarray of int, shape (k, 2)

    Returns
    -------
    numpy.ndarray of shapely Polygon, shape (k,)
    """
    low, high = cells * _CELL_M, (cells + 1) * _CELL_M
    return np.asarray(shapely.box(*low.T, *high.T), dtype=object)


def _list_cells(low: Ints, high: Ints) -> tuple[Ints, Ints]:
    """List the cells of boxes by their first and last cell: the box, and the cell."""
    wide = np.maximum(high - low + 1, 0)
    count = wide.prod(axis=1)
    owner = np.repeat(np.arange(len(low)), count)
    step = spread_out(np.zeros_like(count), count)
    along = np.stack([step // wide[owner, 1], step % wide[owner, 1]], axis=1)
    return owner, low[owner] + along


class Ground:
    """The cells of all parts.

    Parameters
    ----------
    cells : sequence of numpy.ndarray of int
        Of each part, from `mark_cells`.
    """

    def __init__(self, cells: Sequence[Ints]) -> None:
        self._cells = cells
        every = np.concatenate([np.zeros((1, 2), dtype=np.int64), *cells])
        self._first, self._last = (
            every[1:].min(axis=0, initial=_MOST),
            every[1:].max(axis=0, initial=-_MOST),
        )
        part = np.repeat(np.arange(len(cells)), [len(one) for one in cells])
        number = self._number(every[1:])
        order = np.argsort(number, kind="stable")
        self._known, self._part = number[order], part[order]

    def find_boxes(self, boxes: Floats) -> list[Ints]:
        """Find the boxes that meet the cells of each part.

        Parameters
        ----------
        boxes : numpy.ndarray of float, shape (n, 4)
            West, south, east, north, m; NaN for none.

        Returns
        -------
        list of numpy.ndarray of int
            Rows by part, ascending.
        """
        rows = np.flatnonzero(~np.isnan(boxes).any(axis=1))
        pairs = [
            self._pair(some, *self._bound(boxes[some]))
            for some in np.split(rows, range(_AT_ONCE, len(rows), _AT_ONCE))
        ]
        pair = np.sort(np.concatenate(pairs))
        cuts = np.searchsorted(pair, np.arange(1, len(self._cells)) * _MOST)
        return [one % _MOST for one in np.split(pair, cuts)][: len(self._cells)]

    def find_shapes(self, shapes: Objects) -> list[Ints]:
        """Find the shapes in the cells of each part, and some in small boxes that meet these.

        Parameters
        ----------
        shapes : numpy.ndarray of shapely geometry, shape (n,)
            None for none.

        Returns
        -------
        list of numpy.ndarray of int
            Rows by part, ascending.
        """
        boxes = np.asarray(shapely.bounds(shapes)).reshape(-1, 4)
        wide = boxes[:, 2:] - boxes[:, :2]
        is_large = wide.prod(axis=1) > _FEW * _CELL_M**2
        near = self.find_boxes(np.where(is_large[:, None], np.nan, boxes))
        if not is_large.any():
            return near
        large = np.flatnonzero(is_large)
        index = shapely.STRtree(shapes[large])
        met = (index.query(draw_cells(one), predicate="intersects")[1] for one in self._cells)
        return [np.union1d(few, large[some]) for few, some in zip(near, met, strict=True)]

    def _number(self, cells: Ints) -> Ints:
        """Give cells numbers within the bounds of all."""
        place = cells - self._first
        return np.asarray(place[:, 0] * (self._last[1] - self._first[1] + 1) + place[:, 1])

    def _bound(self, boxes: Floats) -> tuple[Ints, Ints]:
        """Give the first and last cell of boxes, within the bounds of all; what touches is in."""
        low = np.ceil(boxes[:, :2] / _CELL_M).astype(np.int64) - 1
        high = np.floor(boxes[:, 2:] / _CELL_M).astype(np.int64)
        return np.maximum(low, self._first), np.minimum(high, self._last)

    def _pair(self, rows: Ints, low: Ints, high: Ints) -> Ints:
        """Pair rows with the parts of their cells: a number for both, each once."""
        owner, cell = _list_cells(low, high)
        number = self._number(cell)
        begin = np.searchsorted(self._known, number)
        count = np.searchsorted(self._known, number, side="right") - begin
        part = self._part[spread_out(begin, count)]
        return np.unique(part * _MOST + np.repeat(rows[owner], count))
