"""Units of length as people write them: behind a number, in a column's name, in a raster's band."""

from __future__ import annotations

from functools import cache
from importlib.resources import files

import pandas as pd


@cache
def load_unit_words() -> pd.DataFrame:
    """Read the words for units of length.

    Returns
    -------
    pandas.DataFrame
        Columns unit (key of `METRES`), language, word (lower case); one row per word.
    """
    with (files("routekit.layers") / "unit_words.csv").open(encoding="utf-8") as stream:
        table = pd.read_csv(stream, dtype=str, keep_default_na=False)
    table = table.assign(word=table["words"].str.split(";")).explode("word", ignore_index=True)
    return table.drop(columns="words")


@cache
def unit_words() -> dict[str, str]:
    """Give the unit of each word and sign, in lower case.

    Examples
    --------
    >>> words = unit_words()
    >>> words["zoll"], words["''"], words["feet"]
    ('in', 'in', 'ft')
    """
    table = load_unit_words()
    return dict(zip(table["word"], table["unit"], strict=True))


def name_unit(word: str) -> str | None:
    """Name the unit that a word means; None if it is no word for one.

    Examples
    --------
    >>> name_unit("Feet"), name_unit("in."), name_unit("stone")
    ('ft', 'in', None)
    """
    return unit_words().get(word.casefold().removesuffix("."))
