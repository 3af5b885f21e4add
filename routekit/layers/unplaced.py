"""Chainages of 0 that stand for a place nobody noted."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from routekit.words.columns import say_each
from routekit.words.texts import say

if TYPE_CHECKING:
    import pandas as pd

    from routekit.layers.findings import Findings

SEVERAL: Final = 2
"""Observations of one run from which it is no chance that all lie at its very beginning (house)."""


def blank_zero_chainages(
    table: pd.DataFrame, *, keys: pd.Series, findings: Findings
) -> pd.DataFrame:
    """Take chainages of 0 as not known where they cannot all be true.

    Parameters
    ----------
    table : pandas.DataFrame, n rows
        Observations: run_id, chainage_m.
    keys : pandas.Series of str, shape (n,)
        Row names.
    findings : Findings
        Takes each chainage blanked.

    Returns
    -------
    pandas.DataFrame
        The same rows; chainages are NaN in runs with at least `SEVERAL` of which all that are given
        are 0, and everywhere where the whole column holds nothing else.

    Examples
    --------
    >>> import pandas as pd
    >>> from routekit.layers.findings import Findings
    >>> seen = pd.DataFrame({"run_id": ["A", "A", "B", "B"], "chainage_m": [0.0, 0.0, 0.0, 3.0]})
    >>> found = blank_zero_chainages(seen, keys=seen["run_id"], findings=Findings())
    >>> found["chainage_m"].tolist()
    [nan, nan, 0.0, 3.0]
    """
    given = table[table["chainage_m"].notna()]
    if given.empty:
        return table
    runs = given.groupby(given["run_id"].fillna(""), sort=False)["chainage_m"]
    is_blank = (runs.transform("max") == 0) & (runs.transform("size") >= SEVERAL)
    is_blank |= bool((given["chainage_m"] == 0).all())
    rows = table.index.isin(given.index[is_blank.to_numpy(dtype=bool)])
    if not rows.any():
        return table
    n_alike = runs.transform("size").reindex(table.index)[rows]
    findings.add(
        "warning",
        "inspections",
        keys[rows],
        field="chainage_m",
        seen=say_each(
            "chainage 0, as all that is given of the run ({n:,} observation)",
            "chainage 0, as all that is given of the run ({n:,} observations)",
            n=n_alike.to_numpy(dtype=np.int64),
        ),
        done=say("the place is taken as not known: no dig, repair or tree is set out for it"),
    )
    return table.assign(chainage_m=table["chainage_m"].mask(rows))
