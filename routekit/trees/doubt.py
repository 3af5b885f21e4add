"""Root zones as large as they may be, where what draws them is estimated or not recorded.

The largest zone hangs on no estimate: what is not known of a tree takes the value that makes its
zone largest, so that to know less never makes it smaller.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd

from routekit.arrays import Flags, Floats
from routekit.layers.assumed import LEAST_DISTANCE, SHARES, STRUCTURAL, ZONES, is_assumed
from routekit.layers.findings import Findings
from routekit.trees.breach import Tiers, build_breaches, sum_breaches
from routekit.trees.estimates import widest_crown
from routekit.trees.least_distance import WITHIN
from routekit.trees.regimes import Regime, choose_regime, read_table
from routekit.trees.settings import ZoneSettings
from routekit.trees.sizes import read_crowns
from routekit.trees.zones import build_zones

KINDS: Final = ("is_veteran", "is_columnar")
"""Flags that change a zone; a tree of which they are not recorded is drawn as if they were not."""

_WIDTHS: Final = ["area_m2", "structural_radius_m", "min_distance_m"]
_COUNTS: Final = {"n_trees": ZONES, "n_major": SHARES, "n_structural": STRUCTURAL}
"""What is counted of the breaches of a run, and the doubt that is about it."""


def draw_largest(
    trees: gpd.GeoDataFrame,
    zones: gpd.GeoDataFrame,
    root_zones: gpd.GeoDataFrame | None,
    settings: ZoneSettings,
) -> gpd.GeoDataFrame:
    """Draw the zones that are in doubt as large as they may be.

    Parameters
    ----------
    trees, zones : GeoDataFrame, n rows
        In one order; zones from `routekit.trees.zones.build_zones`.
    root_zones : GeoDataFrame or None
        Polygons of an arborist; they stay as they are.
    settings : ZoneSettings

    Returns
    -------
    GeoDataFrame
        The zones; none is smaller than drawn. A stem that was not measured is as thick as
        `unknown_stem_mm`, a crown that is not known as wide as one over such a stem may be, a tree
        of which it is not recorded veteran and columnar, a species that is not recorded a palm or
        not, whichever zone is larger, and of poor tolerance; an age that is not, over-mature. The
        least distance is missing where it may be any.
    """
    regime = choose_regime(settings)
    rows, worst = _take_worst(trees, zones, settings)
    area, inner, least = (zones[name].to_numpy(dtype=float, copy=True) for name in _WIDTHS)
    radius = zones["radius_m"].to_numpy(dtype=float, copy=True)
    polygon = zones["zone"].to_numpy(dtype=object, copy=True)
    most = settings.model_copy(update={"default_tolerance": "poor", "default_age": "over_mature"})
    for one in _list_species(worst, regime):
        found, _ = build_zones(one, root_zones, settings=most, stated=one["tree_id"])
        wide, structural, apart = (found[name].to_numpy(dtype=float) for name in _WIDTHS)
        grows = (wide > area[rows]) | np.isnan(area[rows])
        area[rows[grows]] = wide[grows]
        radius[rows[grows]] = found["radius_m"].to_numpy(dtype=float)[grows]
        polygon[rows[grows]] = found["zone"].to_numpy(dtype=object)[grows]
        inner[rows] = np.fmax(inner[rows], structural)
        least[rows] = np.maximum(least[rows], apart)
    return zones.assign(
        radius_m=radius,
        area_m2=area,
        structural_radius_m=inner,
        min_distance_m=least,
        zone=gpd.GeoSeries(polygon, index=zones.index, crs=zones.crs),
    )


def _take_worst(
    trees: gpd.GeoDataFrame, zones: gpd.GeoDataFrame, settings: ZoneSettings
) -> tuple[np.ndarray, gpd.GeoDataFrame]:
    """Take the trees of which something is not known: their rows, and the worst that they may be.

    Their species is as recorded.
    """
    crowns = read_crowns(trees, Findings())
    crown_m = np.where(crowns.is_stand_in, np.nan, crowns.diameter_m)
    if "assumed" in trees:
        names = {name for name in (*KINDS, "species", "age_class") if name in trees}
        told = {name: ~is_assumed(trees["assumed"], (name,)) for name in names}
        trees = trees.assign(**{name: trees[name].where(told[name]) for name in names})
    is_open = zones["is_stem_estimated"].to_numpy(dtype=bool, na_value=True)
    high_mm = zones["stem_high_mm"].to_numpy(dtype=float)
    stem_mm: Floats = np.where(is_open, np.fmax(high_mm, settings.unknown_stem_mm), high_mm)
    unsaid: dict[str, Flags] = {
        name: trees[name].isna().to_numpy(dtype=bool)
        for name in (*KINDS, "species", "age_class")
        if name in trees
    }
    rows = np.flatnonzero(np.any([is_open, np.isnan(crown_m), *unsaid.values()], axis=0))
    widest = np.fmax(widest_crown(stem_mm, settings), crowns.diameter_m)
    crown_m = np.where(np.isnan(crown_m), widest, crown_m)
    known = {name: trees[name].fillna(value=True) for name in KINDS if name in trees}
    worst = trees.assign(stem_diameter_mm=stem_mm, crown_diameter_m=crown_m, assumed="", **known)
    return rows, worst.iloc[rows]


def _list_species(trees: gpd.GeoDataFrame, regime: Regime) -> list[gpd.GeoDataFrame]:
    """List the trees as they are, and as palms where no species is recorded and it matters."""
    if regime.palm_margin_m is None or "species" not in trees:
        return [trees]
    palm = str(read_table("palm_genera.csv")["genus"].iloc[0])
    return [trees, trees.assign(species=trees["species"].astype(object).fillna(palm))]


def find_grown(zones: pd.DataFrame, largest: pd.DataFrame) -> Flags:
    """Tell which zones of `draw_largest` are larger than drawn, shape (n,)."""
    widths = ["radius_m", *_WIDTHS]
    grown = largest[widths].fillna(-1.0) != zones[widths].fillna(-1.0)
    return grown.any(axis=1).to_numpy(dtype=bool)


def find_doubt(
    runs: gpd.GeoDataFrame,
    trenches: gpd.GeoDataFrame,
    breaches: pd.DataFrame,
    zones: gpd.GeoDataFrame,
    largest: gpd.GeoDataFrame,
    tiers: Tiers,
) -> pd.DataFrame:
    """Tell which runs would meet more trees, or worse, if the zones were as large as they may be.

    Parameters
    ----------
    runs, trenches : GeoDataFrame, n rows
    breaches : DataFrame
        From `routekit.trees.breach.build_breaches`, of the zones as drawn.
    zones, largest : GeoDataFrame
        As drawn, and from `draw_largest`.
    tiers : Tiers

    Returns
    -------
    pandas.DataFrame of bool, n rows
        Columns `ZONES` (more trees met), `SHARES` (more by a major share), `STRUCTURAL` (more
        structural zones) and `LEAST_DISTANCE` (nearer to a stem than the least distance).

    Notes
    -----
    Of all zones up to the largest the severed share grows with the radius and holds the footprint,
    while the footprint's own share may shrink: the largest zone is held by the severed one
    (geometry: behind a wall the share of each ray from the stem is 1 - (wall / radius)^2).
    """
    rows = np.flatnonzero(find_grown(zones, largest))
    severed = replace(tiers, share="severed")
    met = build_breaches(runs, trenches, largest.iloc[rows], tiers=severed)
    most = sum_breaches(met, len(runs))
    drawn = sum_breaches(breaches[breaches["tree"].isin(rows)], len(runs))
    within = [
        one[WITHIN].to_numpy(dtype=bool, na_value=is_open)
        for one, is_open in ((most, True), (drawn, False))
    ]
    return pd.DataFrame(
        {doubt: most[name] > drawn[name] for name, doubt in _COUNTS.items()}
        | {LEAST_DISTANCE: within[0] & ~within[1]}
    )
