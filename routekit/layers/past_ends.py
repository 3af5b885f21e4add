"""Observations noted beyond the end of their run: where they lie is not known."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
import shapely

from routekit.words.columns import say_each
from routekit.words.texts import say

if TYPE_CHECKING:
    import geopandas as gpd

    from routekit.layers.findings import Findings

PAST_END_M: Final = 2.0
"""A camera may count so far past the end of a run as it is drawn: from the wall or from the middle
of a manhole, m (house choice)."""

PAST_END_SHARE: Final = 0.05
"""And so much more for each metre of the run: cables stretch, lines are drawn by hand (house)."""


def blank_past_ends(
    inspections: pd.DataFrame, runs: gpd.GeoDataFrame, *, findings: Findings
) -> pd.DataFrame:
    """Take the place of observations as not known that lie beyond the end of their run.

    Parameters
    ----------
    inspections : pandas.DataFrame
        With run_id, chainage_m and row_key.
    runs : geopandas.GeoDataFrame
        With run_id and lines in m.
    findings : Findings
        Takes each observation whose place is given up.

    Returns
    -------
    pandas.DataFrame
        The same rows; chainage_m is NaN where it lies beyond the end. The observation itself
        still counts for its run.

    Examples
    --------
    >>> import geopandas as gpd
    >>> from routekit.layers.findings import Findings
    >>> runs = gpd.GeoDataFrame({"run_id": ["A"]},
    ...     geometry=gpd.GeoSeries.from_wkt(["LINESTRING (0 0, 40 0)"]))
    >>> seen = pd.DataFrame({"run_id": ["A", "A"], "chainage_m": [43.0, 61.0],
    ...     "row_key": ["A", "A"]})
    >>> blank_past_ends(seen, runs, findings=Findings())["chainage_m"].tolist()
    [43.0, nan]
    """
    if inspections.empty or "chainage_m" not in inspections:
        return inspections
    lengths = pd.Series(shapely.length(np.asarray(runs.geometry)), index=runs["run_id"])
    lengths = lengths[~lengths.index.duplicated()]
    length = inspections["run_id"].map(lengths).to_numpy(dtype=np.float64, na_value=np.nan)
    at = inspections["chainage_m"].to_numpy(dtype=np.float64, na_value=np.nan)
    is_past = at > length * (1 + PAST_END_SHARE) + PAST_END_M
    if not is_past.any():
        return inspections
    findings.add(
        "warning",
        "inspections",
        inspections.loc[is_past, "row_key"],
        field="chainage_m",
        seen=say_each(
            "at {chainage:.1f} m, and the run is {length:.1f} m long",
            chainage=at[is_past],
            length=length[is_past],
        ),
        done=say(
            "its place taken as not known; it counts for its run. Is it of another run, or the "
            "unit or the line of the run wrong?"
        ),
    )
    return inspections.assign(chainage_m=inspections["chainage_m"].mask(is_past))
