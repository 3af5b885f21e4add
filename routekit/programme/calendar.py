"""Working days as dates, and the days of the year that seasons leave open."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from routekit.arrays import Flags, Objects

Dates = NDArray[np.datetime64]


def list_dates(start: str, count: int, holidays: Sequence[str] = ()) -> Dates:
    """List working days: Monday to Friday, without holidays.

    Parameters
    ----------
    start : str
        First day as YYYY-MM-DD; the first working day from there on is day 0.
    count : int
    holidays : sequence of str

    Returns
    -------
    numpy.ndarray of datetime64[D], shape (count,)
    """
    free = np.array(holidays, dtype="datetime64[D]")
    first = np.datetime64(start, "D")
    return np.asarray(np.busday_offset(first, np.arange(count), roll="forward", holidays=free))


def find_season(dates: Dates, first: str, last: str) -> Flags:
    """Tell which days lie in a season, its first and last day included.

    Parameters
    ----------
    dates : numpy.ndarray of datetime64[D], shape (h,)
    first, last : str
        MM-DD; a season may run over the turn of the year.

    Returns
    -------
    numpy.ndarray of bool, shape (h,)
    """
    month = dates.astype("datetime64[M]")
    number = (month.astype(int) % 12 + 1) * 100 + (dates - month).astype(int) + 1
    low, high = (int(day.replace("-", "")) for day in (first, last))
    if low <= high:
        return np.asarray((number >= low) & (number <= high))
    return np.asarray((number >= low) | (number <= high))


def write_dates(dates: Dates | None, day: ArrayLike) -> Objects:
    """Write days of the programme as dates.

    Parameters
    ----------
    dates : numpy.ndarray of datetime64[D] or None
        Dates of the working days; None where no start is set.
    day : array_like of float, shape (n,)
        Working days from 1; NaN for not known.

    Returns
    -------
    numpy.ndarray of str or None, shape (n,)
        YYYY-MM-DD; None where not known.
    """
    number = np.asarray(day, dtype=float)
    texts: Objects = np.full(number.shape, None, dtype=object)
    if dates is not None:
        known = ~np.isnan(number)
        texts[known] = np.datetime_as_string(dates[number[known].astype(int) - 1]).astype(object)
    return texts
