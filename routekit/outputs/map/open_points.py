"""What of a result is open or has to be told, linked to the rows of a page: alerts and checks."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from routekit.advice.alerts import ALERTS
from routekit.outputs.map.tables import linked, positions
from routekit.result import Result

_KEYS = ("alert", "kind_words", "about", "text_words")


def link_alerts(result: Result, ids: Mapping[str, pd.Series]) -> pd.DataFrame:
    """Link the alerts to the runs and things of a page.

    Parameters
    ----------
    result : Result
        The tables of a study, or of one area of it.
    ids : mapping of str to Series
        Ids of the rows of each table as the page holds them: runs, strings, pits, digs and trees.

    Returns
    -------
    DataFrame
        Columns alert, kind_words, about, text_words, rank (place among all alerts, gravest
        first), item and run (row positions, -1 where there is none); one row per alert, thing and
        run.
    """
    alerts = result.alerts
    item = np.full(len(alerts), -1, dtype=np.int64)
    for about, listed in ids.items():
        mine = (alerts["about"] == about).to_numpy(dtype=bool)
        item[mine] = positions(alerts["item_id"][mine], listed)
    codes = pd.Index([alert.code for alert in ALERTS])
    return alerts[list(_KEYS)].assign(
        rank=codes.get_indexer(pd.Index(alerts["alert"].astype(object))),
        item=item,
        run=positions(alerts["run_id"], ids["runs"]),
    )


def link_open_checks(result: Result, run_ids: pd.Series) -> pd.DataFrame:
    """Link the checks that the recommended technique does not pass to the runs of a page.

    Parameters
    ----------
    result : Result
        The tables of a study, or of one area of it.
    run_ids : Series of str
        As the page holds them.

    Returns
    -------
    DataFrame
        Columns run (row position), check, verdict; sorted by run.
    """
    checks = result.checks
    kept = checks.loc[checks["is_open"].to_numpy(dtype=bool), ["run_id", "check", "verdict"]]
    return linked(kept, {"run": ("run_id", run_ids)})
