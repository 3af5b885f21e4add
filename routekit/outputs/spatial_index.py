"""The spatial index of a layer, written full: all its boxes are known beforehand.

An index that grows box by box is little more than half full, as its nodes are parted when they
overflow. Here boxes that lie together fill one node after the other (sort-tile-recursive packing;
Leutenegger, Lopez and Edgington 1997), and nodes have a size of which four fit a page.

Source of the format: SQLite, The R*Tree Module, 6 (shadow tables) and the head of `rtree.c`.
"""

from __future__ import annotations

import sqlite3
from typing import Final

import numpy as np

from routekit.arrays import Floats, Ints

_CELLS: Final = 42
"""Boxes of a node: four nodes of 4 + 24 * 42 bytes fill a page of 4,096 bytes."""
_CELL: Final = np.dtype([("id", ">i8"), ("box", ">f4", (4,))])
_HEAD: Final = np.dtype([("depth", ">u2"), ("cells", ">u2"), ("cell", _CELL, (_CELLS,))])
_EXTENSION: Final = (
    "gpkg_rtree_index",
    "http://www.geopackage.org/spec120/#extension_rtree",
    "write-only",
)
_EXTENSIONS: Final = (
    "CREATE TABLE IF NOT EXISTS gpkg_extensions (table_name TEXT, column_name TEXT, "
    "extension_name TEXT NOT NULL, definition TEXT NOT NULL, scope TEXT NOT NULL, "
    "CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name))"
)
"""Source: OGC 12-128r19, table 24."""


def write_index(base: sqlite3.Connection, layer: str, column: str, boxes: Floats) -> None:
    """Write the spatial index of a layer, and tell it among the extensions of the file.

    Parameters
    ----------
    base : sqlite3.Connection
        A GeoPackage.
    layer, column : str
        Of the shapes; rows are numbered from 1.
    boxes : numpy.ndarray of float, shape (n, 4)
        West, south, east, north of each row; NaN for rows without a shape.

    Raises
    ------
    sqlite3.Error
        If it cannot be written.

    Notes
    -----
    A connection learns the size of the nodes as it opens an index: this one cannot read it yet.
    """
    name = f"rtree_{layer}_{column}"
    base.execute(_EXTENSIONS)
    base.execute(f'CREATE VIRTUAL TABLE "{name}" USING rtree(id, minx, maxx, miny, maxy)')
    base.execute(
        "INSERT INTO gpkg_extensions "
        "(table_name, column_name, extension_name, definition, scope) VALUES (?, ?, ?, ?, ?)",
        (layer, column, *_EXTENSION),
    )
    rows = np.flatnonzero(np.isfinite(boxes).all(axis=1))
    if not len(rows):
        return
    nodes, parents, leaf_of = pack_boxes(boxes[rows], rows + 1)
    base.execute(f'DELETE FROM "{name}_node"')
    base.executemany(
        f'INSERT INTO "{name}_node" (nodeno, data) VALUES (?, ?)',
        enumerate((node.tobytes() for node in nodes), start=1),
    )
    base.executemany(
        f'INSERT INTO "{name}_parent" (nodeno, parentnode) VALUES (?, ?)',
        enumerate(parents.tolist(), start=2),
    )
    base.executemany(
        f'INSERT INTO "{name}_rowid" (rowid, nodeno) VALUES (?, ?)',
        zip((rows + 1).tolist(), leaf_of.tolist(), strict=True),
    )


def pack_boxes(boxes: Floats, ids: Ints) -> tuple[np.ndarray, Ints, Ints]:
    """Pack boxes into the nodes of a tree.

    Parameters
    ----------
    boxes : numpy.ndarray of float, shape (n, 4), n > 0
        West, south, east, north.
    ids : numpy.ndarray of int, shape (n,)
        Numbers of the boxes.

    Returns
    -------
    nodes : numpy.ndarray, shape (m,)
        As they are stored, the root first; leaves name boxes by their number, others nodes by
        theirs.
    parents : numpy.ndarray of int, shape (m - 1,)
        Number of the node above each but the root.
    leaf_of : numpy.ndarray of int, shape (n,)
        Number of the node that names each box.

    Examples
    --------
    >>> import numpy as np
    >>> nodes, parents, leaf_of = pack_boxes(np.zeros((50, 4)), np.arange(50))
    >>> nodes["depth"].tolist(), nodes["cells"].tolist(), parents.tolist(), leaf_of.max()
    ([1, 0, 0], [2, 42, 8], [1, 1], np.int64(3))
    """
    levels: list[tuple[Ints, Floats]] = []
    box = np.stack(
        [
            _round(boxes[:, 0], -1),
            _round(boxes[:, 2], 1),
            _round(boxes[:, 1], -1),
            _round(boxes[:, 3], 1),
        ],
        axis=1,
    )
    while True:
        order = _order_tiles(box)
        levels.append((order, box[order]))
        if len(order) <= _CELLS:
            break
        starts = np.arange(0, len(order), _CELLS)
        least, most = (
            ufunc.reduceat(box[order], starts, axis=0) for ufunc in (np.minimum, np.maximum)
        )
        box = np.stack([least[:, 0], most[:, 1], least[:, 2], most[:, 3]], axis=1)
    parts, parents = [], []
    number, below = 1, 1
    for depth in range(len(levels) - 1, -1, -1):
        order, cells = levels[depth]
        n_nodes = -(-len(order) // _CELLS)
        below = number + n_nodes
        node_of = number + np.arange(len(order)) // _CELLS
        above = np.empty(len(order), dtype=np.int64)
        above[order] = node_of
        parents.append(above)
        level = np.zeros(n_nodes, dtype=_HEAD)
        level["depth"] = depth if depth == len(levels) - 1 else 0
        level["cells"] = np.bincount(node_of - number)
        flat = np.zeros(n_nodes * _CELLS, dtype=_CELL)
        flat["id"][: len(order)] = order + below if depth else ids[order]
        flat["box"][: len(order)] = cells
        level["cell"] = flat.reshape(n_nodes, _CELLS)
        parts.append(level.tobytes())
        number = below
    # Joined as bytes: arrays that numpy joins get the byte order of the machine.
    nodes = np.frombuffer(b"".join(parts), dtype=_HEAD)
    above_nodes = np.concatenate([*parents[:-1], np.zeros(0, dtype=np.int64)])
    return nodes, above_nodes, parents[-1]


def _order_tiles(box: Floats) -> Ints:
    """Order boxes by strips from west to east, and from south to north in each."""
    n_nodes = -(-len(box) // _CELLS)
    per_strip = int(np.ceil(np.sqrt(n_nodes))) * _CELLS
    strip = np.empty(len(box), dtype=np.int64)
    strip[np.argsort(box[:, 0] + box[:, 1], kind="stable")] = np.arange(len(box)) // per_strip
    return np.lexsort((box[:, 2] + box[:, 3], strip)).astype(np.int64)


def _round(values: Floats, side: int) -> np.ndarray:
    """Round numbers to 32 bits, down or up."""
    found = values.astype(np.float32)
    off = (found > values) if side < 0 else (found < values)
    found[off] = np.nextafter(found[off], np.float32(side * np.inf))
    return found
