"""What is said of the trees that were made from a canopy raster."""

from __future__ import annotations

from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import shapely

from routekit.words.texts import Text, say

if TYPE_CHECKING:
    from pathlib import Path

    from routekit.layers.findings import Findings
    from routekit.layers.settings import CrownSettings


def report_made(
    made: gpd.GeoDataFrame,
    trees: gpd.GeoDataFrame,
    canopy: Path,
    settings: CrownSettings,
    findings: Findings,
) -> None:
    """Say how many trees were made, and what is and is not known of them.

    Parameters
    ----------
    made, trees : geopandas.GeoDataFrame
        Those of the raster, and the inventory.
    canopy : Path
        The raster, to be named.
    settings : CrownSettings
        How near to sewers, and how sure a place is.
    findings : Findings
        Takes what is said.
    """
    if made.empty:
        seen = say("{file} shows no tree that the inventory does not have", file=canopy.name)
        findings.note("info", "canopy", "", seen, say("none made"))
        return
    what = say(
        "{n:,} tree made from {file}",
        "{n:,} trees made from {file}",
        n=len(made),
        file=canopy.name,
    )
    findings.note(
        "warning",
        "trees",
        "origin",
        say(
            "{made} within {distance:g} m of a sewer, each named by its place",
            made=what,
            distance=settings.within_m,
        ),
        say(
            "what was felled or planted since the flight is not known, nor what stands below "
            "another crown; hedges and masts may be among them"
        ),
    )
    _report_heights(made, what, findings)
    findings.note(
        "warning",
        "trees",
        "geometry",
        say("{made}: the point is the top of the crown, not the stem", made=what),
        say(
            "position_sd_m {deviation:g}: survey the stems before any work",
            deviation=settings.position_sd_m,
        ),
    )
    findings.note(
        "warning",
        "trees",
        "is_protected",
        say(
            "{made}: species, protection, veteran status, columnar form, condition and category "
            "are not known",
            made=what,
        ),
        say("they stay not known: find out before any work"),
    )
    if trees.empty:
        return
    stems = np.asarray(trees.geometry)
    holds = shapely.STRtree(stems).query(np.asarray(made["crown"]), predicate="intersects")[0]
    findings.add(
        "warning",
        "trees",
        made["tree_id"].iloc[np.unique(holds)],
        field="origin",
        seen=say("made from the raster, and a stem of the inventory stands under its crown"),
        done=say("both kept: check on site whether they are one tree"),
    )


def report_cut(cut: gpd.GeoDataFrame, canopy: Path, findings: Findings) -> None:
    """Name the trees whose crown the raster does not show whole.

    Parameters
    ----------
    cut : geopandas.GeoDataFrame
        Those trees.
    canopy : Path
        The raster, to be named.
    findings : Findings
        Takes one finding for each.
    """
    findings.add(
        "warning",
        "trees",
        cut["tree_id"],
        field="crown_diameter_m",
        seen=say("its crown ends at «no data» or at the edge of {file}", file=canopy.name),
        done=say(
            "taken as wide as it shows; crown, stem and root zone may be larger: measure the tree"
        ),
    )


def _report_heights(made: gpd.GeoDataFrame, what: Text, findings: Findings) -> None:
    """Tell the least, the median and the greatest height of what was made."""
    height_m = made["height_m"].to_numpy(dtype=np.float64)
    seen = say(
        "{made}: the lowest is {low:.1f} m high, the median {middle:.1f} m and the highest "
        "{high:.1f} m",
        made=what,
        low=float(height_m.min()),
        middle=float(np.median(height_m)),
        high=float(height_m.max()),
    )
    done = say("taken as they are; heights that no tree here has mean another unit or levels")
    findings.note("info", "trees", "height_m", seen, done)
