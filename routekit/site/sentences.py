"""Sentences for many rows at once."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from routekit.arrays import Texts

Bools = NDArray[np.bool_]

_MARK = "\x1e"


def number_text(values: ArrayLike, decimals: int) -> Texts:
    """Write numbers with a fixed number of decimals.

    Parameters
    ----------
    values : array_like of float, shape (n,)
    decimals : int

    Returns
    -------
    numpy.ndarray of object, shape (n,)
        Texts; «not known» for NaN.
    """
    numbers = np.asarray(values, dtype=float)
    text = np.char.mod(f"%.{decimals}f", np.nan_to_num(numbers)).astype(object)
    return np.asarray(np.where(np.isnan(numbers), "not known", text), dtype=object)


def join_causes(causes: Sequence[tuple[Bools, ArrayLike]], size: int) -> Texts:
    """Join the texts that hold in each row, with semicolons.

    Parameters
    ----------
    causes : sequence of (numpy.ndarray of bool, array_like of str)
        Where each text holds, and the text: one for all rows or one per row.
    size : int
        Number of rows.

    Returns
    -------
    numpy.ndarray of object, shape (size,)
        Texts; empty where none holds.
    """
    joined = np.full(size, "", dtype=object)
    for holds, text in causes:
        words = np.broadcast_to(np.asarray(text, dtype=object), (size,))
        rows = np.flatnonzero(holds)
        separator = np.where(joined[rows] != "", "; ", "").astype(object)
        joined[rows] = joined[rows] + separator + words[rows]
    return joined


def join_groups(text: ArrayLike, owner: ArrayLike, size: int, separator: str) -> Texts:
    """Join the texts of each owner.

    Parameters
    ----------
    text : array_like of str, shape (p,)
        Texts; none holds the record separator (U+001E).
    owner : array_like of int, shape (p,)
        Owners below `size`, ascending.
    size : int
        Number of owners.
    separator : str
        Between two texts of one owner.

    Returns
    -------
    numpy.ndarray of object, shape (size,)
        Texts in the order given; empty for owners that have none.
    """
    words, group = np.asarray(text, dtype=object), np.asarray(owner, dtype=np.int64)
    joined = np.full(size, "", dtype=object)
    if not len(words):
        return joined
    ends = np.append(group[1:] != group[:-1], True)
    between = np.where(ends, _MARK, separator).astype(object)
    joined[group[ends]] = "".join((words + between).tolist()).split(_MARK)[:-1]
    return joined
