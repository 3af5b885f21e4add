"""Stands of trees: areas in which a treetop has a window of its own."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

from routekit.vocabulary import CROWN_WINDOWS
from routekit.words.texts import say

if TYPE_CHECKING:
    import geopandas as gpd
    from numpy.typing import NDArray

    from routekit.layers.findings import Findings


@dataclass(frozen=True, kw_only=True)
class Stands:
    """Areas in the working CRS, n of them, the smallest first, and the window in each."""

    tree: shapely.STRtree
    window: NDArray[np.object_]

    def find(self, points: NDArray[np.object_]) -> NDArray[np.object_]:
        """Name the window at points.

        Parameters
        ----------
        points : numpy.ndarray of object, shape (m,)
            In the working CRS.

        Returns
        -------
        numpy.ndarray of object, shape (m,)
            That of the smallest stand in which a point lies; blank outside all.
        """
        found = np.full(len(points), "", dtype=object)
        point, stand = self.tree.query(points, predicate="intersects")
        # Written from the largest to the smallest, the smallest stays.
        order = np.argsort(-stand, kind="stable")
        found[point[order]] = self.window[stand[order]]
        return found


def read_stands(table: gpd.GeoDataFrame, default: str, *, findings: Findings) -> Stands | None:
    """Take the stands that name a window.

    Parameters
    ----------
    table : geopandas.GeoDataFrame
        Canonical layer `stands` in the working CRS: window, areas.
    default : str
        Window outside all stands: `crowns.window`.
    findings : Findings
        Takes how many stands count, and which overlap.

    Returns
    -------
    Stands or None
        None without a stand that names a window.
    """
    used = table[table["window"].isin(CROWN_WINDOWS).to_numpy(dtype=bool)]
    if used.empty:
        return None
    area = np.asarray(used.geometry)
    order = np.lexsort((used["stand_id"].to_numpy(dtype=object).astype(str), shapely.area(area)))
    area, window = area[order], used["window"].to_numpy(dtype=object)[order]
    seen = say(
        "{n:,} stand names the window of its treetops",
        "{n:,} stands name the window of their treetops",
        n=len(used),
    )
    done = say('elsewhere crowns.window = "{window}" counts', window=default)
    findings.note("info", "stands", "window", seen, done)
    tree = shapely.STRtree(area)
    one, other = tree.query(area, predicate="overlaps")
    n_met = len(np.unique(one[window[one] != window[other]]))
    if n_met:
        seen = say(
            "{n:,} stand overlaps one with another window",
            "{n:,} stands overlap others with another window",
            n=n_met,
        )
        done = say("the smaller stand counts where both lie; draw them apart if it should not")
        findings.note("warning", "stands", "geometry", seen, done)
    return Stands(tree=tree, window=window)


def report_unused(table: gpd.GeoDataFrame, findings: Findings) -> None:
    """Say that stands are given and no tree comes from a raster.

    Parameters
    ----------
    table : geopandas.GeoDataFrame
        Canonical layer `stands`.
    findings : Findings
        Takes it.
    """
    if len(table):
        seen = say("stands are given, but no tree is made from a canopy raster")
        done = say('not used: give layers.canopy and crowns.use = "gaps" or "only"')
        findings.note("warning", "stands", "", seen, done)
