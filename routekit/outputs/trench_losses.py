"""What open cut of the runs to be worked on would take of each tree, as the balance counts it."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from routekit.arrays import take_numbers
from routekit.result import Result


def open_cut_loss(result: Result) -> pd.DataFrame:
    """Give what open cut of the runs to be worked on would take of each tree.

    Parameters
    ----------
    result : Result
        Tables of one study.

    Returns
    -------
    pandas.DataFrame
        Columns of `tree_loss`, one row per tree that such a trench would reach, as the balance
        counts them: the runs that may stay as they are do not count.
    """
    balance = result.tree_balance
    names = ("footprint_m2", "footprint_share", "severed_share", "severity")
    found = balance[["tree_id", *(f"open_cut_{name}" for name in names)]]
    found = found.rename(columns=lambda name: name.removeprefix("open_cut_"))
    found = found[(found["severity"].astype("str") != "none").to_numpy()]
    zones = result.zones
    area = pd.Series(take_numbers(zones, "area_m2"), index=zones["tree_id"].astype("str"))
    ids = found["tree_id"].astype("str")
    by_tree = _worked_breaches(result).groupby(lambda row: row)
    return found.assign(
        severed_m2=found["severed_share"] * area.reindex(ids).to_numpy(),
        n_runs=by_tree.size().reindex(ids).to_numpy(),
        stem_edge_m=by_tree.min().reindex(ids).to_numpy(),
    ).reset_index(drop=True)


def is_worked_on(result: Result, run_id: pd.Series) -> NDArray[np.bool_]:
    """Mark the runs that need work, shape (n,).

    Parameters
    ----------
    result : Result
        Tables of one study.
    run_id : pandas.Series, n rows
        Ids of runs.

    Returns
    -------
    numpy.ndarray of bool, shape (n,)
    """
    needs = result.condition.set_index(result.condition["run_id"].astype("str"))["needs_work"]
    found = needs.astype("boolean").reindex(run_id.astype("str"))
    return found.fillna(value=False).to_numpy(dtype=bool)


def _worked_breaches(result: Result) -> pd.Series:
    """Give the distance from trench edge to stem centre of each breach by a run to be worked on."""
    breaches = result.breaches
    worked = is_worked_on(result, breaches["run_id"])
    edge = pd.Series(take_numbers(breaches, "stem_edge_m"), breaches["tree_id"].astype("str"))
    return edge[worked]
