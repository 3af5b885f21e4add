"""Whether the ground of a canopy raster stands at height 0, or at the levels of a surface.

A model of the surface is refused where its ground lies high (`canopy_heights`). On a coast it lies
near 0 and no cell is odd: there it gives itself away by holding the levels of the ground where
these are known, or by open ground that is nowhere at 0. Neither is proof, so that both ask.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import shapely

from routekit.errors import RoutekitError
from routekit.layers.terrain import sample_terrain
from routekit.words.texts import say

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    import geopandas as gpd
    from numpy.typing import NDArray

    from routekit.arrays import Floats
    from routekit.layers.findings import Findings
    from routekit.layers.settings import CrownSettings, InputSettings

SAME_M: Final = 0.3
"""Two heights this near are one: noise of a flight and of a survey, kerbs (house choice)."""

LEAST_PLACES: Final = 10
"""Fewer places tell nothing."""

ALONG: Final = np.array([0.1, 0.3, 0.5, 0.7, 0.9])
"""Where the terrain is sampled, as shares of the length of a run."""

LEVEL_SHARE: Final = 0.3
"""Of the places, this share at the level of the ground is no chance: crowns hide the others."""

LEAST_OPEN_SHARE: Final = 0.25
"""Less low cells than this are no open ground, but the lower parts of crowns."""

LEAST_BARE_SHARE: Final = 0.1
"""Of the low cells, fewer at 0 mean that the ground stands elsewhere: roads and lawns are most."""


@dataclass(frozen=True, kw_only=True)
class KnownGround:
    """Places in the working CRS whose ground level is known, n of them.

    Attributes
    ----------
    xy : numpy.ndarray of float, shape (n, 2)
        Easting and northing, m.
    level_m : numpy.ndarray of float, shape (n,)
        Ground level, m.
    """

    xy: Floats
    level_m: Floats


NO_GROUND: Final = KnownGround(xy=np.empty((0, 2)), level_m=np.empty(0))


def gather_ground(
    layers: Mapping[str, gpd.GeoDataFrame], terrain: Path | None, inputs: InputSettings
) -> KnownGround:
    """Gather the ground levels that are known without the canopy raster.

    Parameters
    ----------
    layers : mapping of str to geopandas.GeoDataFrame
        `manholes` with cover_level_m, and `sewers`, in the working CRS.
    terrain : Path or None
        Raster of ground levels; sampled along the runs where few covers are known.
    inputs : InputSettings
        Unit of the terrain, and formats.

    Returns
    -------
    KnownGround
    """
    manholes, sewers = layers["manholes"], layers["sewers"]
    level_m = manholes["cover_level_m"].to_numpy(dtype=np.float64, na_value=np.nan)
    xy = np.column_stack([shapely.get_x(manholes.geometry), shapely.get_y(manholes.geometry)])
    is_known = np.isfinite(level_m) & np.isfinite(xy).all(axis=1)
    if is_known.sum() >= LEAST_PLACES or terrain is None:
        return KnownGround(xy=xy[is_known], level_m=level_m[is_known])
    lines = np.repeat(np.asarray(sewers.geometry), len(ALONG))
    along = np.tile(ALONG, len(sewers))
    xy = shapely.get_coordinates(shapely.line_interpolate_point(lines, along, normalized=True))
    try:
        level_m = sample_terrain(
            xy,
            terrain,
            crs=sewers.crs,
            unit=inputs.units.get("terrain", {}).get("level_m"),
            also_open=inputs.study.also_open,
        )
    except RoutekitError:
        # What is wrong with the terrain is told where the depths of the runs are taken from it.
        level_m = np.full(len(xy), np.nan)
    is_known = np.isfinite(level_m)
    return KnownGround(xy=xy[is_known], level_m=level_m[is_known])


def ask_about_ground(
    path: Path,
    height_m: NDArray[np.float32],
    level_m: Floats,
    counts: NDArray[np.int64],
    settings: CrownSettings,
    findings: Findings,
) -> None:
    """Ask whether a canopy raster is a model of the surface, where its ground says so.

    Parameters
    ----------
    path : Path
        The raster, to be named.
    height_m : numpy.ndarray of float32, shape (n,)
        What it holds at the places whose ground is known, NaN where nothing.
    level_m : numpy.ndarray of float, shape (n,)
        Level of the ground there, m.
    counts : numpy.ndarray of int, shape (6,)
        Sums of `count_heights`.
    settings : CrownSettings
        Least height of a tree.
    findings : Findings
        Takes the question.
    """
    # Where the ground lies at 0 itself, both kinds of raster hold the same.
    is_told = np.isfinite(height_m) & (np.abs(level_m) > 2.0 * SAME_M)
    height, level = height_m[is_told].astype(np.float64), level_m[is_told]
    n_level = int((np.abs(height - level) <= SAME_M).sum())
    n_bare = int((np.abs(height) <= SAME_M).sum())
    done = say(
        "taken as heights above ground all the same: if it is a model of the surface, take the "
        "ground level from it, or its trees are too high by the level of the ground"
    )
    if len(height) >= LEAST_PLACES:
        if n_level >= LEVEL_SHARE * len(height) and n_level > 2 * n_bare:
            seen = say(
                "at {n:,} of {total:,} places whose ground level is known, {file} holds that level "
                "and not height 0",
                n=n_level,
                total=len(height),
                file=path.name,
            )
            findings.note("warning", "canopy", "", seen, done)
        return
    n_known, n_open, n_zero = int(counts[1]), int(counts[3]), int(counts[5])
    if n_open >= LEAST_OPEN_SHARE * n_known and n_zero < LEAST_BARE_SHARE * n_open:
        seen = say(
            "only {share:.1f} % of the cells of {file} below {least:g} m lie within {near:g} m of "
            "height 0, where open ground lies",
            share=100.0 * n_zero / n_open,
            file=path.name,
            least=settings.least_height_m,
            near=SAME_M,
        )
        findings.note("warning", "canopy", "", seen, done)
