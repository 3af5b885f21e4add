"""Outlines of crowns in cells: the edges between cells, put in order ring by ring.

Each edge of an outline has one edge that follows, so that rings are the cycles of a graph and
`scipy.sparse.csgraph` puts all of them in order at once.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components, depth_first_order

if TYPE_CHECKING:
    from routekit.arrays import Floats

Cells = NDArray[np.int64]
Labels = NDArray[np.int32]

SIDES: Final = ((0, -1), (1, 0), (0, 1), (-1, 0))
"""Steps to the neighbours of a cell: left, below, right, above."""

RIGHT: Final = 2
"""Place of the right side in `SIDES`."""


def draw_outlines(
    cells: Cells, own: Labels, n: int, shape: tuple[int, ...]
) -> tuple[NDArray[np.object_], Floats]:
    """Draw the largest part of each crown without its holes.

    Parameters
    ----------
    cells : numpy.ndarray of int, shape (m,)
        Flat positions of the cells of the crowns.
    own : numpy.ndarray of int, shape (m,)
        Number of the crown of each.
    n : int
        Number of crowns.
    shape : tuple of int
        Rows and columns of the array.

    Returns
    -------
    outline : numpy.ndarray of object, shape (n,)
        Polygon in columns and rows of the array; None of a crown without a cell. Cells that touch
        at a corner only are parts of their own. It begins above on the left.
    area : numpy.ndarray of float, shape (n,)
        Its area in cells.

    Examples
    --------
    >>> outline, area = draw_outlines(np.array([5, 6, 9]), np.array([0, 0, 0]), 1, (3, 4))
    >>> outline[0].wkt, area.tolist()
    ('POLYGON ((1 1, 1 3, 2 3, 2 2, 3 2, 3 1, 1 1))', [3.0])
    """
    outline, area = np.full(n, None, dtype=object), np.zeros(n)
    if not len(cells):
        return outline, area
    # A frame of nothing round the array, so that all cells have neighbours.
    width = shape[1] + 2
    crown = np.full((shape[0] + 2) * width, -1, dtype=np.int32)
    crown[cells + (cells // shape[1]) * 2 + width + 1] = own
    edge, following, other = _list_edges(crown, width)
    order, first = _order_rings(following, other)
    side, place = np.divmod(edge[order], len(crown))
    # An edge begins at one corner of its cell: left above, left below, right below, right above.
    row, column = np.divmod(place - width - 1, width)
    row, column = row + np.isin(side, (1, 2)), column + (side >= RIGHT)
    onward = np.arange(1, len(order) + 1)
    onward[np.append(first[1:], len(order)) - 1] = first
    # Holes go round the other way: their area is below 0.
    across = row * column[onward] - row[onward] * column
    size = np.add.reduceat(across, first) / 2.0
    drawn = _pick_largest(crown[place[first]], size)
    number = np.full(len(first), -1)
    number[drawn] = np.arange(len(drawn))
    ring = np.repeat(number, np.diff(np.append(first, len(order))))
    is_turn = np.append(True, side[1:] != side[:-1])
    is_turn[first] = True
    kept = np.flatnonzero(is_turn & (ring >= 0))
    points = np.column_stack([column[kept], row[kept]]).astype(np.float64)
    of = crown[place[first[drawn]]]
    outline[of] = shapely.polygons(shapely.linearrings(points, indices=ring[kept]))
    area[of] = size[drawn]
    return outline, area


def _pick_largest(group: Labels, size: Floats) -> Cells:
    """Give the position of the largest of each group, ascending; of equals the last."""
    order = np.lexsort((size, group))
    return np.sort(order[np.append(np.diff(group[order]) != 0, True)])


def _list_edges(crown: Labels, width: int) -> tuple[Cells, Cells, Cells]:
    """List the edges of crowns by side and cell, and the positions of those that may follow.

    Parameters
    ----------
    crown : numpy.ndarray of int32, shape (n,)
        Number of the crown of each cell, row by row, -1 where there is none, as all round.
    width : int
        Cells in a row.

    Returns
    -------
    edge : numpy.ndarray of int, shape (e,)
        Side, as in `SIDES`, times n, and the cell: ascending. In the order of the sides the
        outline goes round a cell.
    following : numpy.ndarray of int, shape (e,)
        Position of the next edge of the outline. Where two cells of a crown touch at a corner
        only, it stays with its own.
    other : numpy.ndarray of int, shape (e,)
        Position of the edge of the other cell there, else -1.
    """
    across = np.flatnonzero(crown[1:] != crown[:-1])
    along = np.flatnonzero(crown[width:] != crown[:-width])
    by_side = (across + 1, along, across, along + width)
    n = len(crown)
    edge = np.concatenate([k * n + each[crown[each] >= 0] for k, each in enumerate(by_side)])
    side, place = np.divmod(edge, n)
    step = np.array([down * width + right for down, right in SIDES])
    onward, back = (side + 1) % len(SIDES), (side - 1) % len(SIDES)
    own, beside = crown[place], place + step[onward]
    beyond = beside + step[side]
    is_crown = crown[beyond] == own
    # Round the corner of the cell; else straight on; else back along the cell beyond.
    is_round = crown[beside] != own
    target = np.where(is_round, place, np.where(is_crown, beyond, beside))
    turned = np.where(is_round, onward, np.where(is_crown, back, side))
    other = np.full(len(edge), -1)
    met = np.flatnonzero(is_round & is_crown)
    other[met] = np.searchsorted(edge, back[met] * n + beyond[met])
    return edge, np.searchsorted(edge, turned * n + target), other


def _order_rings(following: Cells, other: Cells) -> tuple[Cells, Cells]:
    """Put edges one after the other, ring by ring; and tell where each ring begins.

    A ring begins at its first edge. Where it meets itself at a corner, `other` follows, so that
    a hole there is a ring of its own.
    """
    ring = connected_components(_chain(following), connection="strong")[1]
    is_met = (other >= 0) & (ring[other] == ring)
    if is_met.any():
        following = np.where(is_met, other, following)
        ring = connected_components(_chain(following), connection="strong")[1]
    # Written backwards, the first edge of each ring stays.
    start = np.empty(ring.max() + 1, dtype=np.int64)
    start[ring[::-1]] = np.arange(len(ring) - 1, -1, -1)
    start.sort()
    # Where a ring closes, it is cut and goes on with the next one: a single way through all.
    is_start = np.zeros(len(ring), dtype=bool)
    is_start[start] = True
    rank = np.searchsorted(start, following)
    onward = np.where(is_start[following], np.roll(start, -1)[rank % len(start)], following)
    order = depth_first_order(_chain(onward), start[0], return_predecessors=False).astype(np.int64)
    return order, np.asarray(np.flatnonzero(is_start[order]))


def _chain(following: Cells) -> csr_array:
    """Give the graph in which each thing leads to one other."""
    n = len(following)
    return csr_array((np.ones(n), following, np.arange(n + 1)), shape=(n, n))
