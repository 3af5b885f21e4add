"""Long tables of a result stored folded: what rows share stands once, and a view shows them whole.

Of the checks, all but the run and the value repeats: a district of 10,000 runs has 1.2 million
checks and some 6,000 kinds of them. The file holds the kinds, and for each check its run, its kind
and its value; the view of the table's own name joins them, and is read like any table.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd

from routekit.arrays import Ints
from routekit.outputs.gis_layers import Layer

KINDS: Final = "check_kinds"
"""Name of the table that holds once what checks share."""
ROWS: Final = "check_rows"
"""Name of the table with a row for each check."""
STORED: Final = (KINDS, ROWS)
"""Tables that are read through a view, and are none of the result by themselves."""

_FOLDED: Final = "checks"
_PARENT: Final = "runs"
_KEY: Final = "run_id"
_OWN: Final = ("value",)
_REGISTER: Final = """
INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change, srs_id)
VALUES (?, 'attributes', ?, ?, ?, 0)"""


@dataclass(frozen=True, kw_only=True)
class FoldedLayers:
    """Layers as they are stored, and the one that a view shows whole.

    Attributes
    ----------
    stored : list of Layer
        All layers, with the folded one in its parts.
    whole : Layer or None
        The one that was folded.
    """

    stored: list[Layer]
    whole: Layer | None


def fold_layers(layers: list[Layer]) -> FoldedLayers:
    """Fold the table of checks of a result.

    Parameters
    ----------
    layers : list of Layer
        Of one result, with its runs.

    Returns
    -------
    FoldedLayers

    Raises
    ------
    ValueError
        If checks name a run that is not among the runs.
    """
    by_name = {layer.name: layer for layer in layers}
    whole, runs = by_name.get(_FOLDED), by_name.get(_PARENT)
    if whole is None or runs is None:
        return FoldedLayers(stored=layers, whole=None)
    kinds, rows = fold_checks(whole.table, runs.table[_KEY])
    parts = [
        replace(
            whole,
            name=KINDS,
            description="What checks share: read it through the table checks",
            table=kinds,
        ),
        replace(
            whole,
            name=ROWS,
            description="Run, kind and value of each check, by the row numbers of runs and "
            "check_kinds: read it through the table checks",
            table=rows,
        ),
    ]
    stored = [part for one in layers for part in (parts if one is whole else [one])]
    return FoldedLayers(stored=stored, whole=whole)


def fold_checks(checks: pd.DataFrame, run_ids: pd.Series) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Part the checks into what they share and what is their own.

    Parameters
    ----------
    checks : pandas.DataFrame, n rows
        With `run_id` and `value`.
    run_ids : pandas.Series
        Ids of the runs, in the order of their layer.

    Returns
    -------
    kinds : pandas.DataFrame
        Each combination of the other columns once, in the order in which it comes first.
    rows : pandas.DataFrame, n rows
        `run` and `kind`, row numbers from 1 in the layer of runs and in `kinds`, and `value`.

    Raises
    ------
    ValueError
        If a check names a run that is not there.

    Examples
    --------
    >>> import pandas as pd
    >>> checks = pd.DataFrame({"run_id": ["b", "a"], "check": ["Cover"] * 2, "value": [1.2, 0.9]})
    >>> kinds, rows = fold_checks(checks, pd.Series(["a", "b"]))
    >>> len(kinds), rows["run"].tolist(), rows["kind"].tolist()
    (1, [2, 1], [1, 1])
    """
    run = pd.Index(run_ids.astype("str")).get_indexer(pd.Index(checks[_KEY].astype("str")))
    if (run < 0).any():
        message = (
            f"checks name the run {checks[_KEY].iloc[int(np.argmin(run))]}, which is not there"
        )
        raise ValueError(message)
    shared = checks[[name for name in checks.columns if name not in (_KEY, *_OWN)]]
    kind = _number_rows(shared)
    first = np.unique(kind, return_index=True)[1]
    rows = pd.DataFrame(
        {
            "run": (run + 1).astype(np.int32),
            "kind": (kind + 1).astype(np.int32),
            **{name: checks[name].to_numpy() for name in _OWN},
        }
    )
    return shared.iloc[first].reset_index(drop=True), rows


def _number_rows(table: pd.DataFrame) -> Ints:
    """Give equal rows of a table the same number, from 0 in the order in which they come."""
    number = np.zeros(len(table), dtype=np.int64)
    for name in table.columns:
        codes, found = pd.factorize(table[name], use_na_sentinel=False)
        number = pd.factorize(number * max(len(found), 1) + codes)[0].astype(np.int64)
    return number


def write_view(base: sqlite3.Connection, whole: Layer, time_stamp: str) -> None:
    """Add the view that shows the folded table whole, and list it among the contents.

    Parameters
    ----------
    base : sqlite3.Connection
        A GeoPackage that holds the parts.
    whole : Layer
        The table that was folded.
    time_stamp : str
        Time of the last change, as the contents want it.
    """
    places = {_KEY: "r", **dict.fromkeys(_OWN, "v")}
    columns = ", ".join(f'{places.get(name, "k")}."{name}"' for name in whole.table.columns)
    base.execute(
        f'CREATE VIEW "{whole.name}" AS SELECT v.fid AS OGC_FID, {columns} FROM {ROWS} AS v '
        f"LEFT JOIN {_PARENT} AS r ON r.fid = v.run LEFT JOIN {KINDS} AS k ON k.fid = v.kind"
    )
    base.execute(_REGISTER, (whole.name, whole.name, whole.description, time_stamp))
