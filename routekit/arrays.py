"""Names for the kinds of NumPy arrays that functions take and return; a column as one of them."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Floats = NDArray[np.float64]
"""Numbers; NaN means not known."""
Ints = NDArray[np.int64]
"""Positions and counts."""
Flags = NDArray[np.bool_]
"""Yes or no, never unknown."""
Texts = NDArray[np.object_]
"""Text, one `str` each."""


def take_numbers(table: pd.DataFrame, name: str) -> Floats:
    """Take a column as numbers.

    Parameters
    ----------
    table : pandas.DataFrame, n rows
    name : str
        Column.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        NaN where a number is missing, and everywhere where there is no such column.
    """
    if name not in table.columns:
        return np.full(len(table), np.nan)
    return np.asarray(table[name].to_numpy(dtype=float, na_value=np.nan))
