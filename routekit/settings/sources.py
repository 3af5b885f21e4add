"""Where each number comes from: a key, the work it names, and how sure we are of it.

The standing of a source is one of

- `published`: the text or table was seen quoted on a public page;
- `memory`: recalled from the standard or paper, to be checked against a bought copy;
- `derived`: geometry or arithmetic, shown where it is used;
- `practice`: common practice, no source;
- `house`: a choice of this project, with the reason in its note;
- `study file`: set by the user, in place of the default.
"""

from __future__ import annotations

from functools import cache
from importlib.resources import files

import pandas as pd

from routekit.words.texts import Text, message, say, word

STANDINGS = (
    message("published"),
    message("memory"),
    message("derived"),
    message("practice"),
    message("house"),
    message("study file"),
)


@cache
def _read_sources() -> pd.DataFrame:
    """Read the table of sources that is shipped with the package."""
    with (files("routekit.settings") / "sources.csv").open(encoding="utf-8") as stream:
        return pd.read_csv(stream, dtype=str, keep_default_na=False).set_index("key")


def load_sources() -> pd.DataFrame:
    """Read the table of sources.

    Returns
    -------
    pandas.DataFrame
        Columns title, standing, note; index key, in file order.
    """
    return _read_sources().copy()


def describe_source(key: str) -> Text:
    """Give a source as a reader sees it: title and standing.

    Parameters
    ----------
    key : str
        A key of the table.

    Returns
    -------
    Text
        «title (standing)»; the title is a name, and stands as it is in any language.

    Raises
    ------
    KeyError
        If the key is not in the table.
    """
    row = _read_sources().loc[key]
    return say("{title} ({standing})", title=row["title"], standing=word(str(row["standing"])))
