"""Which checks, trenches and near misses belong to what is recommended, and what checks ask."""

from __future__ import annotations

from typing import TypeVar

import numpy as np
import pandas as pd

from routekit.advice.open_runs import name_techniques
from routekit.arrays import Flags, Ints
from routekit.methods.checks import PASS, UNKNOWN
from routekit.techniques import OPEN_CUT
from routekit.vocabulary import SURVEYS, VERDICTS

_Table = TypeVar("_Table", bound=pd.DataFrame)


def mark_checks(checks: pd.DataFrame, advice: pd.DataFrame) -> pd.DataFrame:
    """Mark the checks of the technique recommended for their run, and which of them stay open.

    Parameters
    ----------
    checks : pandas.DataFrame, n rows
        Columns run_id, technique, verdict, remedy, survey.
    advice : pandas.DataFrame
        One row per run: run_id, technique.

    Returns
    -------
    pandas.DataFrame, n rows
        With is_recommended, is_open (recommended, and does not pass), and next_step (what is to be
        done about a check that does not pass: the survey that settles it where it is not known,
        else its remedy; blank where it passes).
    """
    mine = _mark_techniques(checks, advice)
    verdict = pd.Index(VERDICTS).get_indexer(pd.Index(checks["verdict"].astype(object)))
    return checks.assign(
        is_recommended=mine,
        is_open=mine & (verdict != PASS),
        next_step=_name_steps(checks, verdict),
    )


def _name_steps(checks: pd.DataFrame, verdict: Ints) -> pd.Categorical[str]:
    """Name what is to be done about each check that does not pass."""
    remedy, survey = (checks[name].astype("category").cat for name in ("remedy", "survey"))
    settled = [str(SURVEYS.get(name, "")) for name in survey.categories]
    # A text that is not there, -1, is the last of its list.
    offered = [*remedy.categories.astype(str), ""], [*settled, ""]
    words = pd.Index(["", *offered[0], *offered[1]]).unique()
    mending, surveying = (words.get_indexer(pd.Index(texts)) for texts in offered)
    by_survey = surveying[survey.codes.to_numpy()]
    is_surveyed = (verdict == UNKNOWN) & (by_survey > 0)
    code = np.where(is_surveyed, by_survey, mending[remedy.codes.to_numpy()])
    code[verdict == PASS] = 0
    return pd.Categorical.from_codes(code, categories=words)


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
