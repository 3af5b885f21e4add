"""Ids of works while a study is in parts: marked in each part, numbered along the whole at last."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from typing import Final, TypeVar

import numpy as np
import pandas as pd

from routekit.arrays import Objects
from routekit.site.layout import Works

Table = TypeVar("Table", bound=pd.DataFrame)

BEGIN, END = "\ue000", "\ue001"
"""Characters for private use, which no id of a layer holds: between them stands an id of a part."""
_MARKED: Final = re.compile("(?:\ue000|\\\\ue000)([A-Z]+[0-9]+)(?:\ue001|\\\\ue001)")


def mark_works(works: Works) -> Works:
    """Mark the ids of strings and pits as those of a part.

    Parameters
    ----------
    works : Works

    Returns
    -------
    Works
    """
    strings, pits = works.strings, works.pits
    return replace(
        works,
        strings=strings.assign(
            string_id=_mark(strings["string_id"]),
            launch_pit=_mark(strings["launch_pit"]),
            reception_pit=_mark(strings["reception_pit"]),
        ),
        pits=pits.assign(pit_id=_mark(pits["pit_id"])),
        string_of_run=_mark(pd.Series(works.string_of_run, dtype=object)),
    )


def _mark(ids: pd.Series) -> Objects:
    """Put ids between marks; a blank stays blank."""
    values = ids.to_numpy(dtype=object)
    marked = np.empty(len(values), dtype=object)
    marked[:] = [f"{BEGIN}{one}{END}" if one else one for one in values]
    return marked


def number_texts(table: Table, names: Mapping[str, str]) -> Table:
    """Put ids of the whole study in place of marked ones, in ids and in texts.

    Parameters
    ----------
    table : DataFrame
    names : mapping of str to str
        Id of the whole by id of the part.

    Returns
    -------
    DataFrame
    """
    changed: dict[str, pd.Series] = {}
    for name in table.columns:
        column = table[name]
        if isinstance(column.dtype, pd.CategoricalDtype):
            words = column.cat.categories
            if any(_has_mark(one) for one in words):
                changed[str(name)] = column.cat.rename_categories([_put(x, names) for x in words])
        elif column.dtype == object or pd.api.types.is_string_dtype(column.dtype):
            values = column.to_numpy(dtype=object)
            rows = [row for row, one in enumerate(values) if _has_mark(one)]
            if rows:
                new = values.copy()
                new[rows] = [_put(values[row], names) for row in rows]
                changed[str(name)] = pd.Series(new, index=table.index).astype(column.dtype)
    return table.assign(**changed) if changed else table


def _has_mark(value: object) -> bool:
    """Tell whether a text holds a marked id."""
    return isinstance(value, str) and (BEGIN in value or "\\ue000" in value)


def _put(value: str, names: Mapping[str, str]) -> str:
    """Put the ids of the whole into a text."""
    return _MARKED.sub(lambda found: names[found[1]], value)
