"""Rows by what they belong to, for many groups or names at once."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from routekit.arrays import Ints


class Groups:
    """Rows by the group that each is in.

    Parameters
    ----------
    group : numpy.ndarray of int, shape (n,)
        Below 0 in none.
    """

    def __init__(self, group: Ints) -> None:
        order = np.argsort(group, kind="stable")
        self._row = order[np.searchsorted(group[order], 0) :].astype(np.int64)
        self._group = group[self._row]

    def find(self, groups: Ints) -> Ints:
        """Find the rows of some groups.

        Parameters
        ----------
        groups : numpy.ndarray of int
            Each once.

        Returns
        -------
        numpy.ndarray of int
            Group after group, ascending in each.
        """
        low = np.searchsorted(self._group, groups)
        count = np.searchsorted(self._group, groups, side="right") - low
        return self._row[spread_out(low, count)]


def spread_out(begin: Ints, count: Ints) -> Ints:
    """Count on from each of some numbers.

    Parameters
    ----------
    begin, count : numpy.ndarray of int, shape (n,)

    Returns
    -------
    numpy.ndarray of int, shape (count.sum(),)
        begin, begin + 1, and so on, one after the other.

    Examples
    --------
    >>> spread_out(np.array([7, 3]), np.array([2, 3])).tolist()
    [7, 8, 3, 4, 5]
    """
    total = np.cumsum(count)
    return np.asarray(
        np.repeat(begin - total + count, count) + np.arange(total[-1] if len(total) else 0)
    )


def look_up_names(names: pd.Series, known: pd.Series) -> Ints:
    """Find where names stand in a column.

    Parameters
    ----------
    names, known : Series of str
        Blank where there is none.

    Returns
    -------
    numpy.ndarray of int, shape of `names`
        Place of the first of the name; -1 where there is none.
    """
    given, column = (
        pa.array(one.astype("str").array, type=pa.large_string()) for one in (names, known)
    )
    found = pc.index_in(given, options=pc.SetLookupOptions(value_set=column, skip_nulls=True))
    return np.asarray(pc.fill_null(found, -1).to_numpy(zero_copy_only=False), dtype=np.int64)
