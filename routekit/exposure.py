"""What open cut everywhere would do to the trees."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import pandas as pd

from routekit.methods.cases import sum_breaches
from routekit.pipes.trench import build_trenches
from routekit.study import StudySettings
from routekit.trees.breach import Tiers, build_breaches, sum_tree_loss
from routekit.trees.certainty import mark_certainty
from routekit.trees.regimes import choose_regime


@dataclass(frozen=True, kw_only=True)
class Exposure:
    """What open cut everywhere would do: trenches, breaches, and loss per tree and per run."""

    trenches: gpd.GeoDataFrame
    breaches: pd.DataFrame
    tree_loss: pd.DataFrame
    per_run: pd.DataFrame
    tiers: Tiers


def measure_exposure(
    runs: gpd.GeoDataFrame,
    trees: gpd.GeoDataFrame,
    zones: gpd.GeoDataFrame,
    settings: StudySettings,
) -> Exposure:
    """Lay a trench along every run and measure the root zones it enters.

    Parameters
    ----------
    runs : GeoDataFrame
        After the ground stage.
    trees, zones : GeoDataFrame
        Trees and their zones, in one order.
    settings : StudySettings

    Returns
    -------
    Exposure
    """
    regime = choose_regime(settings.zones)
    tiers = Tiers(
        share=regime.severity_share, major_from_share=regime.major_from_share,
        least_m2=settings.zones.least_overlap_m2,
    )  # fmt: skip
    trenches = build_trenches(runs, settings.trench, tear_back_m=regime.tear_back_m)
    breaches = mark_certainty(
        build_breaches(runs, trenches, zones, tiers=tiers), zones,
        run_sd_m=runs["position_sd_m"], tree_sd_m=trees["position_sd_m"],
    )  # fmt: skip
    return Exposure(
        trenches=trenches,
        breaches=breaches,
        tree_loss=sum_tree_loss(breaches, trenches, zones, tiers=tiers),
        per_run=sum_breaches(breaches, len(runs)),
        tiers=tiers,
    )
