"""What open cut does to trees where more is dug along a line than its trench."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from routekit.arrays import Objects
from routekit.layers.read import Layers
from routekit.trees.breach import build_breaches, sum_breaches
from routekit.trees.certainty import mark_certainty
from routekit.trees.doubt import draw_largest, find_doubt
from routekit.trees.exposure import Exposure, add_chances
from routekit.trees.least_distance import WITHIN
from routekit.trees.near_misses import find_near_misses
from routekit.trees.near_stem import judge_digging, prepare_stems
from routekit.trees.settings import ZoneSettings

_COUNTED: Final = ("n_trees", "n_major", "n_structural", "footprint_m2", "severed_m2")


def measure_all_dug(
    trench_only: Exposure,
    dug: Objects,
    lines: gpd.GeoDataFrame,
    layers: Layers,
    zones: gpd.GeoDataFrame,
    rules: ZoneSettings,
) -> Exposure:
    """Let what open cut does to trees be that of all that is dug, as far as it is known.

    Parameters
    ----------
    trench_only : Exposure
        Of the trenches along the lines.
    dug : numpy.ndarray of object, shape (n,)
        All that is dug for each line, with what digging tears back; None where not known.
    lines : GeoDataFrame, n rows
        With position_sd_m.
    layers : Layers
    zones : GeoDataFrame
        One zone per tree.
    rules : ZoneSettings

    Returns
    -------
    Exposure
    """
    trenches = trench_only.trenches.assign(corridor=gpd.GeoSeries(dug, crs=lines.crs))
    tiers, size = trench_only.tiers, len(lines)
    tree_sd_m = layers.trees["position_sd_m"]
    breaches = mark_certainty(
        build_breaches(lines, trenches, zones, tiers=tiers),
        zones,
        run_sd_m=lines["position_sd_m"],
        tree_sd_m=tree_sd_m,
    )
    near_misses = find_near_misses(lines, trenches, zones, breaches, tree_sd_m=tree_sd_m)
    breaches, near_misses = add_chances(
        breaches, near_misses, lines, layers.trees, zones, trenches, tiers, rules
    )
    sums = sum_breaches(breaches, size)
    largest = draw_largest(layers.trees, zones, layers.root_zones, rules)
    doubt = find_doubt(lines, trenches, breaches, zones, largest, tiers)
    stems = prepare_stems(zones, layers.trees["position_sd_m"], rules)
    near = judge_digging(dug, stems, lines["position_sd_m"].to_numpy(dtype=float))
    lost = shapely.is_missing(dug)
    counts = {name: np.where(lost, np.nan, sums[name].to_numpy(dtype=float)) for name in _COUNTED}
    least = {
        "least_structural": counts["n_structural"],
        "least_major": counts["n_major"],
        "least_severed_m2": counts["severed_m2"],
    }
    within = sums[WITHIN].astype("boolean").mask(lost)
    per_run = trench_only.per_run.assign(
        **counts,
        **{name: np.nan_to_num(value) for name, value in least.items()},
        **{WITHIN: within.to_numpy()},
        **{name: near[name] for name in near.columns},
    )
    return replace(
        trench_only,
        trenches=trenches,
        breaches=breaches,
        near_misses=near_misses,
        per_run=per_run,
        in_doubt=trench_only.in_doubt | doubt,
    )


def count_harm(exposure: Exposure) -> pd.DataFrame:
    """Count the harm of all that is dug, by the terms that a score is made of.

    Parameters
    ----------
    exposure : Exposure
        From `measure_all_dug`.

    Returns
    -------
    DataFrame
        n_trees, n_structural, n_careful, n_major (beyond the structural) and root_m2 of each
        line.
    """
    found = exposure.per_run
    return pd.DataFrame(
        {
            "n_trees": found["n_trees"],
            "n_structural": found["n_structural"],
            "n_careful": 0.0,
            "n_major": found["n_major"] - found["n_structural"],
            "root_m2": found["severed_m2"],
        }
    )
