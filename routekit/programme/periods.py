"""Periods in which there is work in a street: packages that lie far apart are no single one.

A street whose packages are done in spring and in autumn is not dug up all summer. Packages that
follow each other within a fortnight are one period to whoever lives there. Common practice, no
source.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from routekit.arrays import Ints

GAP_DAYS: Final = 14
"""So many days without work, from one package to the next, are no end of the works."""
MOST_PERIODS: Final = 4
"""Of a street with more, the whole time is told: nobody keeps a longer list in mind."""

DATES: Final = ("start_date", "finish_date", "late_finish_date")


def list_periods(packages: pd.DataFrame) -> pd.DataFrame:
    """List the periods of each street.

    Parameters
    ----------
    packages : pandas.DataFrame, n rows
        street, start_date, finish_date (likely), late_finish_date (if all takes long), each
        YYYY-MM-DD or missing; a package once for each street that it works in.

    Returns
    -------
    pandas.DataFrame
        street, period (from 0), the same dates: first, likely last and late last day, in the order
        of street and time. A street of which any package has no start or likely last day is left
        out; a late day is missing where that of any package in its period is.

    Examples
    --------
    >>> packages = pd.DataFrame(
    ...     {
    ...         "street": ["Elm Row"] * 3,
    ...         "start_date": ["2027-03-01", "2027-03-10", "2027-08-02"],
    ...         "finish_date": ["2027-03-05", "2027-03-12", "2027-08-06"],
    ...         "late_finish_date": ["2027-03-09", "2027-03-20", None],
    ...     }
    ... )
    >>> list_periods(packages)[["start_date", "finish_date"]].values.tolist()
    [['2027-03-01', '2027-03-12'], ['2027-08-02', '2027-08-06']]
    """
    table = packages[["street", *DATES]].astype(dict.fromkeys(DATES, object))
    is_open = table[["start_date", "finish_date"]].isna().any(axis=1)
    whole = ~is_open.groupby(table["street"]).transform("any").to_numpy(dtype=bool)
    table = table[whole].sort_values(["street", "start_date"], kind="stable", ignore_index=True)
    table["period"] = _number(table)
    most = table.groupby("street")["period"].transform("max")
    table["period"] = table["period"].where(most < MOST_PERIODS, 0)
    groups = table.groupby(["street", "period"])
    late_open = table["late_finish_date"].isna().groupby([table["street"], table["period"]]).any()
    found = pd.DataFrame(
        {
            "start_date": groups["start_date"].min(),
            "finish_date": groups["finish_date"].max(),
            "late_finish_date": groups["late_finish_date"].max().mask(late_open),
        }
    )
    return found.astype(object).reset_index()


def _number(table: pd.DataFrame) -> Ints:
    """Give the number of each package's period from 0; rows by street and first day."""
    start, last = (pd.to_datetime(table[name]) for name in ("start_date", "finish_date"))
    so_far = last.groupby(table["street"]).cummax().groupby(table["street"]).shift()
    is_new = (start - so_far) > pd.Timedelta(days=GAP_DAYS)
    number = is_new.astype(np.int64).groupby(table["street"]).cumsum()
    return np.asarray(number, dtype=np.int64)
