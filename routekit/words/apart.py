"""Two numbers held against each other, written so that they differ where they do."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from routekit.words.texts import Number, message, word

_MOST_DECIMALS: Final = 17
"""Decimals that tell numbers of everyday size apart; smaller ones are written whole."""
_NOT_KNOWN: Final = message("not known")


def write_apart(
    value: float, other: float, decimals: int, other_decimals: int | None = None
) -> tuple[Number, Number]:
    """Write a number and what it is held against, such as its limit.

    Parameters
    ----------
    value, other : float
        Known both.
    decimals : int
        Decimals of the value, where that many tell the two apart.
    other_decimals : int, optional
        Those of the other number; as many where not given.

    Returns
    -------
    tuple of Number
        With more decimals where these would show two different numbers as one.

    Examples
    --------
    >>> write_apart(151.2, 150.0, 0), write_apart(150.4, 150.0, 0)
    (('151', '150'), ('150.4', '150.0'))
    """
    own = decimals
    others = decimals if other_decimals is None else other_decimals
    pair = f"{value:.{own}f}", f"{other:.{others}f}"
    is_told = value == other or not (math.isfinite(value) and math.isfinite(other))
    while not is_told and float(pair[0]) == float(pair[1]):
        own = others = max(own, others) + 1
        if own > _MOST_DECIMALS:
            pair = repr(float(value)), repr(float(other))
            break
        pair = f"{value:.{own}f}", f"{other:.{others}f}"
    return Number(pair[0]), Number(pair[1])


def write_rows_apart(
    values: ArrayLike, others: ArrayLike, decimals: int
) -> tuple[NDArray[np.object_], NDArray[np.object_]]:
    """Write numbers and what they are held against, row by row; see `write_apart`.

    Parameters
    ----------
    values, others : array_like of float, shape (n,)
        One number stands for all rows.
    decimals : int

    Returns
    -------
    tuple of numpy.ndarray of str, shape (n,) each
        «not known» for NaN.
    """
    lost = word(_NOT_KNOWN)
    arrays = (np.asarray(one, dtype=float) for one in (values, others))
    pairs = np.broadcast_arrays(*arrays)
    written = np.empty((2, len(pairs[0])), dtype=object)
    for row, (value, other) in enumerate(zip(*(one.tolist() for one in pairs), strict=True)):
        said = write_apart(value, other, decimals)
        for side, (number, text) in enumerate(zip((value, other), said, strict=True)):
            written[side, row] = lost if math.isnan(number) else text
    return written[0], written[1]
