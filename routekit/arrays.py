"""Arrays that functions take and return: names for their kinds, and inputs turned into them."""

from __future__ import annotations

import ctypes
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from routekit.memory import seldom_collecting

Floats = NDArray[np.float64]
"""Numbers; NaN means not known."""
Ints = NDArray[np.int64]
"""Positions and counts."""
Flags = NDArray[np.bool_]
"""Yes or no, never unknown."""
Texts = NDArray[np.object_]
"""Text, one `str` each."""
Objects = NDArray[np.object_]
"""Shapes, None where there is none."""


TEXTS_AS_OBJECTS: Final = {"mode.string_storage": "python"}
"""How tables hold text while the package is at work (`pandas.option_context`).

The tables of a study are many and small, and each row taken from a column of Arrow's, or set in
one, costs several times as much: to decide the sample took 12 s of CPU with these, and takes 10.
"""


@contextmanager
def at_work() -> Iterator[None]:
    """Hold tables and objects as serves a stage that makes many of them.

    Text is held as objects (`TEXTS_AS_OBJECTS`), and rings of objects are looked for seldom
    (`routekit.memory.seldom_collecting`).

    Yields
    ------
    None
        Afterwards both are as before, also if an error ends it.

    Examples
    --------
    >>> with at_work():
    ...     pd.get_option("mode.string_storage")
    'python'
    """
    with pd.option_context(TEXTS_AS_OBJECTS), seldom_collecting():
        yield


ID_MARK: Final = ";"
"""Parts ids where a cell of the result lists several; no id holds it."""


def split_ids(cells: pd.Series) -> pd.Series:
    """Take cells that list ids apart, such as the runs of each string.

    Parameters
    ----------
    cells : pandas.Series of str, shape (n,)
        Ids joined by `ID_MARK`.

    Returns
    -------
    pandas.Series of list of str, shape (n,)
        In the order written, on the index of `cells`; missing where a cell is.

    Examples
    --------
    >>> split_ids(pd.Series(["A;B", "C"])).explode().tolist()
    ['A', 'B', 'C']
    """
    return cells.astype("str").str.split(ID_MARK)


def list_run_ids(works: pd.DataFrame, *columns: str) -> pd.DataFrame:
    """List the runs of each string, or of each package.

    Parameters
    ----------
    works : pandas.DataFrame
        run_ids (joined by `;`) and the columns named.
    *columns : str
        What is kept of each; string_id where none is named.

    Returns
    -------
    pandas.DataFrame
        These columns, run_id; one row per run of a string or package.
    """
    rows = works[list(columns or ("string_id",))].assign(run_id=split_ids(works["run_ids"]))
    return rows.explode("run_id", ignore_index=True).dropna(subset="run_id")


def list_ids(cells: pd.Series) -> list[str]:
    """List all ids that cells name, such as the runs of some packages.

    Parameters
    ----------
    cells : pandas.Series of str, shape (n,)
        Ids joined by `ID_MARK`; blank or missing where there are none.

    Returns
    -------
    list of str
        In the order written.

    Examples
    --------
    >>> list_ids(pd.Series(["A;B", "", "C"]))
    ['A', 'B', 'C']
    """
    named = split_ids(cells).explode().dropna()
    return [name for name in named.astype(str) if name]


def join_ids(cells: Iterable[str], group: Ints, size: int) -> Texts:
    """Join the ids of each group, each once, in the order in which they come.

    Parameters
    ----------
    cells : iterable of str, shape (n,)
        Ids; blank ones are left out.
    group : numpy.ndarray of int, shape (n,)
        Group of each, from 0.
    size : int
        Number of groups.

    Returns
    -------
    numpy.ndarray of str, shape (size,)
        Joined by `ID_MARK`; blank for a group of none.

    Examples
    --------
    >>> join_ids(["A", "B", "A", ""], np.array([0, 0, 0, 1]), 2).tolist()
    ['A;B', '']
    """
    # Most groups have one id: only those of several are worth a dictionary.
    found: list[str | dict[str, None]] = [""] * size
    for place, cell in zip(group.tolist(), cells, strict=True):
        known = found[place]
        if not cell or known == cell:
            continue
        if isinstance(known, dict):
            known[cell] = None
        else:
            found[place] = {known: None, cell: None} if known else cell
    return np.array(
        [one if isinstance(one, str) else ID_MARK.join(one) for one in found], dtype=object
    )


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


def as_floats(*values: ArrayLike) -> tuple[Floats, ...]:
    """Turn inputs into float arrays of one common shape.

    Parameters
    ----------
    *values : array_like of float
        Scalars or arrays that broadcast against each other; NaN and None mean not known.

    Returns
    -------
    tuple of numpy.ndarray of float
        One array for each input.
    """
    arrays = [np.asarray(value, dtype=np.float64) for value in values]
    return tuple(np.broadcast_arrays(*arrays))


def as_text(values: Any, shape: tuple[int, ...]) -> Texts:
    """Turn text or a sequence of texts into an object array of a given shape.

    Parameters
    ----------
    values : str or sequence of str
        Texts; a single text holds everywhere. None and NaN become "unknown".
    shape : tuple of int
        Shape of the numbers that go with them; the two are broadcast together.

    Returns
    -------
    numpy.ndarray of object
        Texts.
    """
    texts = np.asarray(values, dtype=object)
    known = np.where(pd.isna(texts), "unknown", texts)
    joint = np.broadcast_shapes(np.shape(known), shape)
    return np.broadcast_to(np.asarray(known, dtype=object), joint)


def check_positive(name: str, values: Floats, *, zero_allowed: bool = False) -> None:
    """Refuse values that cannot be.

    Parameters
    ----------
    name : str
        What the values are, for the message.
    values : numpy.ndarray of float
        Values; NaN is let through.
    zero_allowed : bool, optional
        Whether zero is possible.

    Raises
    ------
    ValueError
        If a value is below zero, infinite, or zero where that is impossible. The message
        gives the first positions and values.
    """
    bad = np.atleast_1d((values < 0) | np.isinf(values) | ((values == 0) & (not zero_allowed)))
    if bad.any():
        where = np.flatnonzero(bad)[:5]
        seen = np.atleast_1d(values).ravel()[where]
        least = "zero or more" if zero_allowed else "more than zero"
        raise ValueError(f"{name} must be {least}: positions {where.tolist()}, {seen.tolist()}")


def check_share(name: str, values: Floats) -> None:
    """Refuse shares outside 0..1.

    Parameters
    ----------
    name : str
        What the values are, for the message.
    values : numpy.ndarray of float
        Shares; NaN is let through.

    Raises
    ------
    ValueError
        If a share is below 0 or above 1.
    """
    bad = np.atleast_1d((values < 0) | (values > 1))
    if bad.any():
        where = np.flatnonzero(bad)[:5]
        seen = np.atleast_1d(values).ravel()[where]
        raise ValueError(f"{name} must lie in 0..1: positions {where.tolist()}, {seen.tolist()}")


def any_by(
    owner: Ints, flags: pd.Series | pd.arrays.BooleanArray, size: int
) -> pd.arrays.BooleanArray:
    """Tell of each owner whether any of its flags is set.

    Parameters
    ----------
    owner : numpy.ndarray of int, shape (p,)
        Positions below `size`.
    flags : Series or BooleanArray, shape (p,)
        Missing is not known.
    size : int

    Returns
    -------
    pandas.arrays.BooleanArray, shape (size,)
        True where one is set, missing where none is but one is not known, else False.
    """
    told = pd.Series(flags, dtype="boolean")
    is_open = told.isna().to_numpy()
    is_set = told.to_numpy(dtype=bool, na_value=False)
    any_set, any_open = (
        np.bincount(owner[where], minlength=size).astype(bool) for where in (is_set, is_open)
    )
    return pd.arrays.BooleanArray(any_set, any_open & ~any_set)


def count_within(counts: Ints) -> Ints:
    """Count from 0 within each group of things that lie group after group.

    Parameters
    ----------
    counts : numpy.ndarray of int, shape (n,)
        Things in each group.

    Returns
    -------
    numpy.ndarray of int, shape (p,)
        Place of each thing in its group.

    Examples
    --------
    >>> count_within(np.array([2, 0, 3])).tolist()
    [0, 1, 0, 1, 2]
    """
    return np.asarray(np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts))


def accumulate_each(values: Floats, rank: Ints) -> Floats:
    """Sum up values from the first of each group on, whatever other groups there are.

    Parameters
    ----------
    values : numpy.ndarray of float, shape (n,)
        Group after group.
    rank : numpy.ndarray of int, shape (n,)
        Place of each in its group, from 0.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Sums up to and with each value, by doubling: rounding depends on the group alone.

    Examples
    --------
    >>> accumulate_each(np.array([1.0, 2.0, 3.0, 5.0]), np.array([0, 1, 2, 0])).tolist()
    [1.0, 3.0, 6.0, 5.0]
    """
    total, step = np.asarray(values, dtype=np.float64).copy(), 1
    while step <= int(rank.max(initial=0)):
        later = np.flatnonzero(rank >= step)
        total[later] += total[later - step].copy()
        step *= 2
    return total


def give_back() -> None:
    """Give the system the memory that was let go, where it takes it piece by piece."""
    import pyarrow as pa  # noqa: PLC0415 - only large studies need it here

    pa.default_memory_pool().release_unused()
    if sys.platform == "linux":
        trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
        if trim is not None:
            trim(0)
