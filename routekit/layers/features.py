"""How rows that come from the file of the map are named: by their feature, not by a row."""

from __future__ import annotations

from typing import Final

import pandas as pd

_FEATURE: Final = "feature "
_ROW: Final = "row "


def name_features(number: pd.Series) -> pd.Series:
    """Give the keys of rows that features became.

    Parameters
    ----------
    number : Series of int
        Of the feature in its file, from 1.

    Returns
    -------
    Series of str

    Examples
    --------
    >>> name_features(pd.Series([1, 3])).tolist()
    ['feature 1', 'feature 3']
    """
    return _FEATURE + number.astype("str")


def is_feature(row_key: str) -> bool:
    """Tell whether a key is that of a feature.

    Examples
    --------
    >>> is_feature("feature 2"), is_feature("R1")
    (True, False)
    """
    return row_key.startswith(_FEATURE)


def name_place(row_key: str, row: int | None = None) -> str:
    """Name where a row stands: by its feature; else as a row, by its number if one is given.

    Parameters
    ----------
    row_key : str
    row : int, optional
        Number of the row in its table, from 1; without it the key names the row.

    Returns
    -------
    str

    Examples
    --------
    >>> name_place("R1"), name_place("R1", 4), name_place("feature 2", 5)
    ('row R1', 'row 4', 'feature 2')
    >>> name_place("row 10")
    'row 10'
    """
    is_whole = is_feature(row_key) or (row is None and row_key.startswith(_ROW))
    return row_key if is_whole else f"{_ROW}{row or row_key}"
