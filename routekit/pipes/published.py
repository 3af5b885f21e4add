"""Published tables of this folder."""

from __future__ import annotations

from functools import cache
from importlib.resources import files

import pandas as pd


@cache
def _read_table(name: str) -> pd.DataFrame:
    """Read one published table that is shipped with the package."""
    path = files("routekit.pipes") / "tables" / name
    with path.open(encoding="utf-8") as stream:
        return pd.read_csv(stream)


def load_table(name: str) -> pd.DataFrame:
    """Read one published table of this folder.

    Parameters
    ----------
    name : str
        File name in `tables/`.

    Returns
    -------
    pandas.DataFrame
        The table as it stands in the file; each row names its source.
    """
    return _read_table(name).copy(deep=False)
