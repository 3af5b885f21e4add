"""What people decided about a tree itself: that it is gone, or that its stem is another."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from routekit.layers.decisions import STEM, TREE_GONE, find_tree_decisions
from routekit.layers.mending import leave_out
from routekit.words.columns import say_each
from routekit.words.texts import say

if TYPE_CHECKING:
    from collections import Counter

    import geopandas as gpd

    from routekit.layers.findings import Findings

_STEM_NAMES = ("stem_diameter_mm", "stems_mm", "stem_count")


def correct_stems(
    trees: gpd.GeoDataFrame,
    decisions: pd.DataFrame,
    *,
    findings: Findings,
    tally: Counter[str],
) -> gpd.GeoDataFrame:
    """Put the stem diameters that people measured in place of those of the inventory.

    Parameters
    ----------
    trees : geopandas.GeoDataFrame
        tree_id, stem_diameter_mm, stems_mm, stem_count, assumed, row_key.
    decisions : pandas.DataFrame
        With tree_id, decision and stem_diameter_mm (mm). Two diameters for one tree are refused
        later, with all that excludes each other.
    findings : Findings
        Takes each stem that is corrected, with what it was.
    tally : collections.Counter of str
        Not changed: no row is left out.

    Returns
    -------
    geopandas.GeoDataFrame
        A list of several stems gives way to the one diameter.
    """
    del tally
    size_mm = find_tree_decisions(decisions, STEM).set_index("tree_id")["stem_diameter_mm"].dropna()
    size_mm = size_mm[~size_mm.index.duplicated()]
    new = trees["tree_id"].map(size_mm).astype("float64")
    is_new = new.notna().to_numpy(dtype=bool)
    if not is_new.any():
        return trees
    before = trees["stems_mm"].fillna(trees["stem_diameter_mm"].map("{:g} mm".format, "ignore"))
    findings.add(
        "info",
        "trees",
        trees.loc[is_new, "row_key"],
        field="stem_diameter_mm",
        seen=say_each(
            "{old} in the inventory", old=before[is_new].fillna("not known").astype("str")
        ),
        done=say_each("{size:g} mm by decision", size=new[is_new]),
    )
    names = trees["assumed"].fillna("").astype("str").str.split(";")
    left = names.map(lambda found: ";".join(one for one in found if one not in _STEM_NAMES))
    return trees.assign(
        stem_diameter_mm=trees["stem_diameter_mm"].mask(is_new, new),
        stems_mm=trees["stems_mm"].mask(is_new),
        stem_count=trees["stem_count"].mask(is_new, 1.0),
        assumed=trees["assumed"].mask(is_new, left),
    )


def strike_out_gone(
    trees: gpd.GeoDataFrame,
    decisions: pd.DataFrame,
    *,
    findings: Findings,
    tally: Counter[str],
) -> gpd.GeoDataFrame:
    """Leave out the trees of which somebody decided that they are gone.

    Parameters
    ----------
    trees : geopandas.GeoDataFrame
        With tree_id.
    decisions : pandas.DataFrame
        With tree_id and decision.
    findings : Findings
        Takes each tree that is left out.
    tally : collections.Counter of str
        Counts under left_out.

    Returns
    -------
    geopandas.GeoDataFrame
    """
    is_out = trees["tree_id"].isin(find_tree_decisions(decisions, TREE_GONE)["tree_id"])
    seen = say("left out by a decision: the tree is gone")
    return leave_out(
        trees, is_out.to_numpy(dtype=bool), "trees", seen, findings, tally, severity="info"
    )
