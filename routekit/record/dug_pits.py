"""Pits that were dug: whether each is the planned one whose name it has."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from routekit.layers.site_return import PITS_DUG
from routekit.words.columns import say_each
from routekit.words.texts import say

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from routekit.layers.findings import Findings
    from routekit.layers.site_return import SiteReturn


def hold_pits(returned: SiteReturn, pits: gpd.GeoDataFrame, findings: Findings) -> SiteReturn:
    """Take no pit for the planned one of its name where both share no ground.

    Pits are numbered anew in each result: what was dug elsewhere may be another pit, and the
    planned one is not known to have been dug.

    Parameters
    ----------
    returned : SiteReturn
        As read.
    pits : GeoDataFrame
        pit_id; planned pits.
    findings : Findings
        Takes each pit that loses its name.

    Returns
    -------
    SiteReturn

    Examples
    --------
    >>> from routekit.layers.findings import Findings
    >>> from routekit.layers.site_return import empty_return
    >>> planned = gpd.GeoDataFrame({"pit_id": []}, geometry=[])
    >>> hold_pits(empty_return(), planned, Findings()).is_given
    False
    """
    dug = returned.pits_dug
    if not len(dug):
        return returned
    row, planned = find_planned(dug, pits)
    is_apart = (row >= 0) & ~shapely.intersects(np.asarray(dug["geometry"], dtype=object), planned)
    findings.add(
        "warning",
        PITS_DUG,
        dug["row"][is_apart],
        field="pit_id",
        seen=say_each("dug apart from the planned pit {pit}", pit=dug["pit_id"][is_apart].tolist()),
        done=say(
            "taken for a pit that the plan does not have, as pits are numbered anew in each "
            "result; draw it where it was dug, or write the pit as this result names it"
        ),
    )
    named = dug["pit_id"].where(~is_apart)
    return replace(returned, pits_dug=dug.assign(pit_id=named))


def find_planned(
    dug: pd.DataFrame, pits: gpd.GeoDataFrame
) -> tuple[NDArray[np.intp], NDArray[np.object_]]:
    """Find the planned pit of the name of each that was dug.

    Parameters
    ----------
    dug : DataFrame, n rows
        pit_id.
    pits : GeoDataFrame
        pit_id; planned pits.

    Returns
    -------
    row : numpy.ndarray of int, shape (n,)
        Row of `pits`; -1 where the plan has none.
    shape : numpy.ndarray of object, shape (n,)
        Its outline; None where the plan has none.
    """
    row = pd.Index(pits["pit_id"].astype("str")).get_indexer(pd.Index(dug["pit_id"].fillna("")))
    return row, np.append(np.asarray(pits.geometry, dtype=object), [None])[row]
