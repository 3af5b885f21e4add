"""Which checks, trenches and near misses belong to what is recommended, and who chose it."""

from __future__ import annotations

from typing import Final, TypeVar

import numpy as np
import pandas as pd

from routekit.advice.open_runs import name_techniques
from routekit.arrays import Flags, Objects
from routekit.techniques import OPEN_CUT
from routekit.vocabulary import VERDICTS
from routekit.words.texts import fill, join, say

_DECIDERS: Final = ("force", "exclude")
_Table = TypeVar("_Table", bound=pd.DataFrame)


def mark_checks(checks: pd.DataFrame, advice: pd.DataFrame) -> pd.DataFrame:
    """Mark the checks of the technique recommended for their run, and which of them stay open.

    Parameters
    ----------
    checks : pandas.DataFrame, n rows
        Columns run_id, technique, verdict.
    advice : pandas.DataFrame
        One row per run: run_id, technique.

    Returns
    -------
    pandas.DataFrame, n rows
        With is_recommended, and is_open (recommended, and does not pass).
    """
    mine = _mark_techniques(checks, advice)
    passes = (checks["verdict"].astype(object) == VERDICTS[0]).to_numpy(dtype=bool)
    return checks.assign(is_recommended=mine, is_open=mine & ~passes)


def _mark_techniques(table: pd.DataFrame, advice: pd.DataFrame) -> Flags:
    """Mark the rows of the technique recommended for their run, shape (n,)."""
    runs = table["run_id"].astype("category").cat
    techniques = table["technique"].astype("category").cat
    chosen = advice.set_index(advice["run_id"].astype("str"))["technique"].astype("str")
    by_run = pd.Index(chosen.reindex(runs.categories.astype("str")))
    wanted = techniques.categories.get_indexer(by_run)
    codes = runs.codes.to_numpy()
    return np.asarray((codes >= 0) & (wanted[codes] == techniques.codes.to_numpy()))


def mark_trenches(table: _Table, advice: pd.DataFrame) -> _Table:
    """Mark the runs whose trench of open cut is recommended.

    Parameters
    ----------
    table : pandas.DataFrame, n rows
        Column run_id.
    advice : pandas.DataFrame
        One row per run: run_id, technique.

    Returns
    -------
    pandas.DataFrame, n rows
        With is_recommended.

    Examples
    --------
    >>> advice = pd.DataFrame({"run_id": ["A", "B"], "technique": ["open_cut", None]})
    >>> mark_trenches(pd.DataFrame({"run_id": ["B", "A"]}), advice)["is_recommended"].tolist()
    [False, True]
    """
    cut = advice.loc[(name_techniques(advice["technique"]) == OPEN_CUT), "run_id"]
    return table.assign(is_recommended=table["run_id"].isin(cut).to_numpy(dtype=bool))


def name_choosers(advice: pd.DataFrame, decisions: pd.DataFrame) -> Objects:
    """Name who forced the technique of each run, or left no other.

    Parameters
    ----------
    advice : pandas.DataFrame, n rows
        Columns run_id, is_forced.
    decisions : pandas.DataFrame
        Columns run_id, decision, by.

    Returns
    -------
    numpy.ndarray of Text, shape (n,)
        Each name once, «a decision» where it is not said who; blank where nobody forced one.
    """
    rows = decisions[decisions["run_id"].notna().to_numpy()]
    names = rows["by"].astype("str").fillna("")
    names.index = pd.Index(rows["run_id"].astype("str"))
    forced, excluded = (
        names[rows["decision"].eq(what).to_numpy(dtype=bool, na_value=False)]
        .groupby(level=0)
        .agg(_list_once)
        for what in _DECIDERS
    )
    by = forced.combine_first(excluded).reindex(advice["run_id"].astype("str"))
    return fill(
        join([name or say("a decision") for name in (who if isinstance(who, list) else [""])], ", ")
        if is_forced
        else ""
        for who, is_forced in zip(by, advice["is_forced"], strict=True)
    )


def _list_once(who: pd.Series) -> list[str]:
    """List those who decided, each once; blank where it is not said who."""
    return list(dict.fromkeys(who))
