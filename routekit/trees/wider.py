"""What the trench of a larger pipe would meet, where the flow that must be carried is not settled.

A trench is as wide as the pipe that is laid in it asks for, and that pipe as large as the required
flow asks for. Where no design flow is known, or the old pipe's material or fall, the pipe may have
to be larger: what its trench would meet then is in doubt, and no check of the trench passes by it.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from routekit.arrays import Flags
from routekit.pipes.settings import TrenchSettings
from routekit.pipes.trench import build_trenches
from routekit.trees.breach import Tiers, build_breaches, sum_breaches
from routekit.trees.least_distance import WITHIN
from routekit.trees.near_stem import Stems, draw_trenches, judge_digging

HARMS = ("trees", "major", "structural")

WIDER = (*(f"is_wider_{kind}" for kind in (*HARMS, "within_least", "near_stem")), "wider_m")
"""Columns that tell what the trench of the largest pipe adds to that of the pipe laid."""


def find_wider(
    runs: gpd.GeoDataFrame,
    trenches: gpd.GeoDataFrame,
    zones: gpd.GeoDataFrame,
    stems: Stems,
    per_run: pd.DataFrame,
    *,
    widest_outside_mm: ArrayLike,
    trench: TrenchSettings,
    tiers: Tiers,
) -> pd.DataFrame:
    """Find what the trench of the largest pipe that may have to be laid meets over the one laid.

    Parameters
    ----------
    runs : GeoDataFrame, n rows
        After the ground stage.
    trenches : GeoDataFrame, n rows
        From `routekit.pipes.trench.build_trenches`.
    zones : GeoDataFrame
    stems : Stems
        From `routekit.trees.near_stem.prepare_stems`.
    per_run : DataFrame, n rows
        n_trees, n_major, n_structural, is_within_least and is_near_stem of the trenches.
    widest_outside_mm : array_like of float, shape (n,) or ()
        Outside diameter of the largest pipe, mm; NaN where the pipe is settled.
    trench : TrenchSettings
    tiers : Tiers

    Returns
    -------
    pandas.DataFrame
        `WIDER`, n rows: whether the larger trench enters a zone at all, by a major share, a
        structural zone, comes nearer than the least distance or near a stem where the one laid does
        not; and how much farther out its edge lies, m (0 where the pipe is settled).
    """
    outside = np.broadcast_to(np.asarray(widest_outside_mm, dtype=float), (len(runs),))
    open_ = np.flatnonzero(np.isfinite(outside))
    wide = build_trenches(
        runs.iloc[open_],
        trench,
        tear_back_m=float(trenches["tear_back_m"].iloc[0]) if len(runs) else 0.0,
        new_outside_mm=outside[open_],
    )
    width = wide["width_m"].to_numpy(dtype=float)
    grown = width - trenches["width_m"].to_numpy(dtype=float)[open_]
    kept = grown > 0
    rows, wide = open_[kept], wide[kept]
    met = sum_breaches(build_breaches(runs.iloc[rows], wide, zones, tiers=tiers), len(rows))
    dug = draw_trenches(np.asarray(runs.geometry)[rows], width[kept])
    near = judge_digging(dug, stems, runs["position_sd_m"].to_numpy(dtype=float)[rows])
    found = {
        **{f"is_wider_{kind}": (met[f"n_{kind}"] > 0, per_run[f"n_{kind}"] > 0) for kind in HARMS},
        "is_wider_within_least": (met[WITHIN], per_run[WITHIN]),
        "is_wider_near_stem": (near["is_near_stem"], per_run["is_near_stem"]),
    }
    table = {name: _spread(rows, *pair) for name, pair in found.items()}
    moved = np.zeros(len(runs))
    moved[rows] = grown[kept] / 2
    return pd.DataFrame({**table, "wider_m": moved})


def _spread(rows: np.ndarray, wide: pd.Series, laid: pd.Series) -> Flags:
    """Mark the rows that the wide trench harms, or may, and the one laid does not."""
    flags = np.zeros(len(laid), dtype=bool)
    flags[rows] = wide.to_numpy(dtype=bool, na_value=True)
    return np.asarray(flags & ~laid.to_numpy(dtype=bool, na_value=False))
