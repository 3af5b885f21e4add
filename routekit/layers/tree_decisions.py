"""What people decided about a tree itself: that it is gone, or that its stem is another."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pandas as pd

from routekit.layers.decisions import NO_PIT, NO_TREE, STEM, TREE_GONE, find_tree_decisions
from routekit.layers.mending import leave_out
from routekit.layers.stem_columns import CLASSES, LISTED, STEM_COLUMNS, list_stems
from routekit.words.columns import say_each
from routekit.words.texts import say

if TYPE_CHECKING:
    from collections import Counter

    import geopandas as gpd

    from routekit.layers.findings import Findings

_ASKED: Final = {
    "force": ("run_id", "technique"),
    "exclude": ("run_id", "technique"),
    NO_PIT: ("tree_id",),
    NO_TREE: ("tree_id",),
    TREE_GONE: ("tree_id",),
    STEM: ("tree_id", "stem_diameter_mm"),
}
"""Columns beside who and why that each kind of decision reads."""

_STEM_NAMES = (*STEM_COLUMNS, "stem_count", *CLASSES)


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
    is_thinner = is_new & (new < _find_thickest(trees)).to_numpy(dtype=bool)
    thinner = say_each(
        "{size:g} mm by decision: its root zone is smaller than by the inventory; check the "
        "measure, and that it is in mm",
        size=new[is_thinner],
    )
    plain = is_new & ~is_thinner
    for severity, which, done in (
        ("info", plain, say_each("{size:g} mm by decision", size=new[plain])),
        ("warning", is_thinner, thinner),
    ):
        findings.add(
            severity,
            "trees",
            trees.loc[which, "row_key"],
            field="stem_diameter_mm",
            seen=say_each(
                "{old} in the inventory", old=before[which].fillna("not known").astype("str")
            ),
            done=done,
        )
    names = trees["assumed"].fillna("").astype("str").str.split(";")
    left = names.map(lambda found: ";".join(one for one in found if one not in _STEM_NAMES))
    if LISTED in trees:
        trees = trees.assign(**{LISTED: trees[LISTED].mask(is_new, None)})
    return trees.assign(
        stem_diameter_mm=trees["stem_diameter_mm"].mask(is_new, new),
        stems_mm=trees["stems_mm"].mask(is_new),
        stem_count=trees["stem_count"].mask(is_new, 1.0),
        assumed=trees["assumed"].mask(is_new, left),
    )


def _find_thickest(trees: gpd.GeoDataFrame) -> pd.Series:
    """Find the stem diameter of the inventory, of several stems the thickest; mm."""
    size_mm, row = list_stems(trees)
    thickest = pd.Series(size_mm).groupby(row).max().reindex(range(len(trees)))
    found: pd.Series = thickest.set_axis(trees.index).fillna(trees["stem_diameter_mm"])
    return found.astype("float64")


def tell_unread_cells(decisions: pd.DataFrame, findings: Findings) -> None:
    """Tell what is written beside a decision that its kind does not ask for.

    Parameters
    ----------
    decisions : pandas.DataFrame
        With decision, run_id, tree_id, technique, stem_diameter_mm and row_key.
    findings : Findings
        Takes each such cell.
    """
    kind = decisions["decision"].astype("str").fillna("")
    for name in ("run_id", "tree_id", "technique", "stem_diameter_mm"):
        cells = decisions[name]
        is_told = cells.notna() & cells.astype("str").fillna("").str.strip().ne("")
        asked = [one for one, names in _ASKED.items() if name in names]
        is_beside = (is_told & kind.isin(_ASKED) & ~kind.isin(asked)).to_numpy(dtype=bool)
        findings.add(
            "warning",
            "decisions",
            decisions["row_key"][is_beside],
            field=name,
            seen=say_each(
                '"{value}" beside the decision {kind}',
                value=cells[is_beside].astype("str"),
                kind=kind[is_beside],
            ),
            done=say("not read; if it was to be decided too, write a row of its own"),
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
