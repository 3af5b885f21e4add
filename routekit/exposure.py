"""What open cut everywhere would do to the trees."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from routekit.arrays import Flags, Floats
from routekit.layers.columns import load_columns
from routekit.methods.cases import sum_breaches
from routekit.pipes.trench import build_trenches
from routekit.study import StudySettings
from routekit.trees.breach import Tiers, build_breaches, sum_tree_loss
from routekit.trees.certainty import mark_certainty
from routekit.trees.doubt import draw_largest, find_doubtful, is_more_harmed
from routekit.trees.regimes import choose_regime
from routekit.trees.unsized import (
    add_unknown_losses,
    blank_sums,
    bound_pairs,
    least_columns,
    measure_axes,
)

_WIDE_BORE_MM = 1000.0
"""A run of unknown size is taken to be at most as wide as this, or as the widest known one."""


@dataclass(frozen=True, kw_only=True)
class Exposure:
    """What open cut everywhere would do: trenches, breaches, and loss per tree and per run.

    `doubt` lists run, tree and is_structural for runs of unknown size and the trees that they could
    reach; see `routekit.trees.unsized`.
    """

    trenches: gpd.GeoDataFrame
    breaches: pd.DataFrame
    tree_loss: pd.DataFrame
    per_run: pd.DataFrame
    doubt: pd.DataFrame
    tiers: Tiers
    in_doubt: Flags
    """Runs that would meet more trees, or worse, were zones in doubt as large as they may be."""


def measure_exposure(
    runs: gpd.GeoDataFrame,
    trees: gpd.GeoDataFrame,
    zones: gpd.GeoDataFrame,
    settings: StudySettings,
    *,
    new_outside_mm: Floats,
    root_zones: gpd.GeoDataFrame | None = None,
) -> Exposure:
    """Lay a trench along every run and measure the root zones it enters.

    Parameters
    ----------
    runs : GeoDataFrame
        After the ground stage.
    trees, zones : GeoDataFrame
        Trees and their zones, in one order.
    settings : StudySettings
    new_outside_mm : numpy.ndarray of float, shape (n,)
        Outside diameter of the pipe that open cut would lay, mm.
    root_zones : GeoDataFrame, optional
        Polygons of an arborist, which are never in doubt.

    Returns
    -------
    Exposure
    """
    regime = choose_regime(settings.zones)
    tiers = Tiers(
        share=regime.severity_share, major_from_share=regime.major_from_share,
        least_m2=settings.zones.least_overlap_m2,
    )  # fmt: skip
    trenches = build_trenches(
        runs, settings.trench, tear_back_m=regime.tear_back_m, new_outside_mm=new_outside_mm
    )
    breaches = mark_certainty(
        build_breaches(runs, trenches, zones, tiers=tiers), zones,
        run_sd_m=runs["position_sd_m"], tree_sd_m=trees["position_sd_m"],
    )  # fmt: skip
    sums = sum_breaches(breaches, len(runs))
    unsized = shapely.is_missing(np.asarray(trenches["corridor"]))
    rows = np.flatnonzero(unsized)
    least, reach = (
        build_trenches(_take_size(runs.iloc[rows], bore), settings.trench,
                       tear_back_m=regime.tear_back_m)
        for bore in _bound_bores(runs)
    )  # fmt: skip
    certain = build_breaches(runs.iloc[rows], least, zones, tiers=tiers)
    doubt = bound_pairs(rows, certain, np.asarray(reach["corridor"]), zones)
    losses = sum_tree_loss(breaches, trenches, zones, tiers=tiers)
    return Exposure(
        trenches=trenches,
        breaches=breaches,
        tree_loss=add_unknown_losses(losses, doubt, zones),
        per_run=blank_sums(sums, unsized).assign(
            **measure_axes(np.asarray(runs.geometry), zones),
            **least_columns(sums, rows, sum_breaches(certain, len(rows))),
        ),
        doubt=doubt,
        tiers=tiers,
        in_doubt=_find_doubt(runs, trees, zones, root_zones, trenches, sums, tiers, settings),
    )


def _bound_bores(runs: gpd.GeoDataFrame) -> tuple[float, float]:
    """Give the least and the largest bore that a run of unknown size is taken to have, mm."""
    widest = np.nanmax(np.append(runs["diameter_mm"].to_numpy(dtype=float), _WIDE_BORE_MM))
    return load_columns("sewers")["diameter_mm"].low, float(widest)


def _take_size(runs: gpd.GeoDataFrame, bore_mm: float) -> gpd.GeoDataFrame:
    """Give all runs one bore."""
    return runs.assign(diameter_mm=bore_mm, height_mm=bore_mm)


def _find_doubt(
    runs: gpd.GeoDataFrame,
    trees: gpd.GeoDataFrame,
    zones: gpd.GeoDataFrame,
    root_zones: gpd.GeoDataFrame | None,
    trenches: gpd.GeoDataFrame,
    per_run: pd.DataFrame,
    tiers: Tiers,
    settings: StudySettings,
) -> Flags:
    """Tell which runs' breaches rest on zones that may be larger than they are drawn."""
    which = find_doubtful(trees, zones)
    if not which.any():
        return np.zeros(len(runs), dtype=bool)
    largest = draw_largest(trees, zones, root_zones, settings.zones)
    met = build_breaches(runs, trenches, largest, tiers=tiers)
    return is_more_harmed(sum_breaches(met, len(runs)), per_run)
