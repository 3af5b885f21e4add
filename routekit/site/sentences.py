"""Sentences for many rows at once."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from routekit.arrays import Texts
from routekit.words.texts import Number, fill, join, say

Bools = NDArray[np.bool_]


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
    lost = say("not known")
    numbers = np.asarray(values, dtype=float)
    return fill(lost if np.isnan(one) else Number(f"{one:.{decimals}f}") for one in numbers)


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
        for row in np.flatnonzero(holds):
            joined[row] = join([joined[row], words[row]], "; ")
    return joined


def join_groups(text: ArrayLike, owner: ArrayLike, size: int, separator: str) -> Texts:
    """Join the texts of each owner.

    Parameters
    ----------
    text : array_like of str, shape (p,)
        Texts.
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
    starts = np.flatnonzero(np.append(True, group[1:] != group[:-1])).tolist()
    for start, end in zip(starts, [*starts[1:], len(group)], strict=True):
        joined[group[start]] = join(words[start:end], separator)
    return joined
