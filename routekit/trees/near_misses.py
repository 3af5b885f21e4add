"""What the doubt about positions leaves open of open cut: zones that it may reach, and how badly.

A near miss is a zone outside a trench's corridor as drawn, by no more than twice the standard
deviation of both positions together. Where the deviation of one is not known, that of the other is
the least that both can be: what is found by it is a lower bound.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike, NDArray

from routekit.arrays import Flags, Floats, Ints, take_numbers
from routekit.trees.breach import Tiers, grade_pairs
from routekit.trees.certainty import DEVIATIONS, combine_deviations, judge_margin

LIKELY_SHARE: Final = 0.1
"""Chance from which near misses are counted apart (house choice)."""


@dataclass(frozen=True, kw_only=True)
class Bounds:
    """Severity of pairs of run and tree if trench and stem lie further apart, and nearer.

    Arrays of shape (p,): positions of run and tree, and codes of `routekit.vocabulary.SEVERITIES`
    two standard deviations apart (`low`) and together (`high`); `is_least` where the deviation of
    one of the two is not known.
    """

    run: Ints
    tree: Ints
    low: Ints
    high: Ints
    is_least: Flags


def find_near_misses(
    runs: gpd.GeoDataFrame,
    trenches: gpd.GeoDataFrame,
    zones: gpd.GeoDataFrame,
    breaches: pd.DataFrame,
    *,
    tree_sd_m: ArrayLike,
) -> pd.DataFrame:
    """List the zones that an open-cut trench misses as drawn and may reach all the same.

    Parameters
    ----------
    runs, trenches : GeoDataFrame, n rows
        run_id and position_sd_m (m; NaN not known); corridor.
    zones : GeoDataFrame, k rows
        tree_id, radius_m, structural_radius_m, zone, and stems as geometry.
    breaches : DataFrame
        Pairs that are no near miss: run and tree.
    tree_sd_m : array_like of float, shape (k,)
        Standard deviation of each stem's position, m; NaN not known.

    Returns
    -------
    pandas.DataFrame
        Columns as `near_misses` in the schema, sorted by run and tree. `chance_share` is that of a
        normal error in the one direction that closes the gap.

    Notes
    -----
    ``P = Phi(-gap / sd)``. Source: arithmetic (normal distribution).
    """
    from scipy.special import ndtr  # noqa: PLC0415 - slow to import

    run_sd = runs["position_sd_m"].to_numpy(dtype=float)
    tree_sd = np.asarray(tree_sd_m, dtype=float)
    corridors = np.asarray(trenches["corridor"])
    run, tree = _pair_within_doubt(corridors, zones, run_sd, tree_sd)
    met = pd.MultiIndex.from_arrays([breaches["run"], breaches["tree"]])
    kept = ~pd.MultiIndex.from_arrays([run, tree]).isin(met)
    run, tree = run[kept], tree[kept]
    gap, inner = _measure_gaps(corridors[run], zones.iloc[tree])
    deviation = combine_deviations(run_sd[run], tree_sd[tree], unknown_m=0.0)
    is_near = (deviation > 0) & (gap <= DEVIATIONS * deviation)
    run, tree = run[is_near], tree[is_near]
    gap, inner, deviation = gap[is_near], inner[is_near], deviation[is_near]
    return pd.DataFrame(
        {
            "run_id": runs["run_id"].to_numpy()[run],
            "tree_id": zones["tree_id"].to_numpy()[tree],
            "run": run,
            "tree": tree,
            "to_zone_m": gap,
            "to_structural_m": inner,
            "position_sd_m": deviation,
            "is_least": np.isnan(run_sd[run] + tree_sd[tree]),
            "chance_share": ndtr(-gap / deviation),
            "is_likely": ndtr(-gap / deviation) >= LIKELY_SHARE,
            "may_be_structural": judge_margin(inner, run_sd[run], tree_sd[tree]),
        }
    )


def _pair_within_doubt(
    corridors: NDArray[np.object_], zones: gpd.GeoDataFrame, run_sd: Floats, tree_sd: Floats
) -> tuple[Ints, Ints]:
    """Pair corridors with the zones that the known doubt could bring to them."""
    widest = np.nanmax(run_sd, initial=0.0)
    spare = DEVIATIONS * combine_deviations(tree_sd, widest, unknown_m=0.0)
    index = shapely.STRtree(corridors)
    radius = np.nan_to_num(zones["radius_m"].to_numpy(dtype=float))
    polygons = np.asarray(zones["zone"], dtype=object)
    shapes = np.where(shapely.is_missing(polygons), np.asarray(zones.geometry), polygons)
    reach = spare + np.where(shapely.is_missing(polygons), radius, 0.0)
    has_zone = np.isfinite(zones["area_m2"].to_numpy(dtype=float))
    rows = np.flatnonzero(has_zone & ~shapely.is_missing(shapes))
    tree, run = index.query(shapes[rows], predicate="dwithin", distance=reach[rows])
    # The structural zone may reach beyond the other one.
    stems, inner = np.asarray(zones.geometry), take_numbers(zones, "structural_radius_m")
    beyond = np.flatnonzero(has_zone & (inner > radius) & ~shapely.is_missing(stems))
    far = inner[beyond] + spare[beyond]
    tree_2, run_2 = index.query(stems[beyond], predicate="dwithin", distance=far)
    pairs = np.stack([np.append(run, run_2), np.append(rows[tree], beyond[tree_2])])
    pairs = np.unique(pairs.astype(np.int64), axis=1)
    return pairs[0], pairs[1]


def _measure_gaps(corridors: NDArray[np.object_], zones: gpd.GeoDataFrame) -> tuple[Floats, Floats]:
    """Measure from corridors to zones, structural ones too, and to these alone, by pair, m."""
    away = shapely.distance(corridors, np.asarray(zones.geometry))
    polygons = np.asarray(zones["zone"], dtype=object)
    drawn = shapely.distance(corridors, polygons)
    gap = np.where(np.isnan(drawn), away - zones["radius_m"].to_numpy(dtype=float), drawn)
    to_structural = away - zones["structural_radius_m"].to_numpy(dtype=float)
    return np.fmin(gap, to_structural), to_structural


def bound_severity(
    runs: gpd.GeoDataFrame,
    trenches: gpd.GeoDataFrame,
    zones: gpd.GeoDataFrame,
    pairs: pd.DataFrame,
    *,
    tree_sd_m: ArrayLike,
    tiers: Tiers,
) -> Bounds:
    """Grade pairs of trench and zone with the stem two standard deviations further off, and nearer.

    Parameters
    ----------
    runs, trenches, zones : GeoDataFrame
        As for `find_near_misses`.
    pairs : DataFrame, p rows
        run and tree: breaches and near misses together.
    tree_sd_m : array_like of float, shape (k,)
        Standard deviation of each stem's position, m; NaN not known.
    tiers : Tiers

    Returns
    -------
    Bounds
        In the order of `pairs`. The stem moves square to the run, as far as its line at most.
    """
    run, tree = (pairs[name].to_numpy(dtype=np.int64) for name in ("run", "tree"))
    run_sd = runs["position_sd_m"].to_numpy(dtype=float)[run]
    tree_sd = np.asarray(tree_sd_m, dtype=float)[tree]
    shift = DEVIATIONS * combine_deviations(run_sd, tree_sd, unknown_m=0.0)
    near = zones.iloc[tree].reset_index(drop=True)
    step, away = _point_away(np.asarray(runs.geometry)[run], np.asarray(near.geometry))
    corridors, own = np.asarray(trenches["corridor"]), np.arange(len(run))
    codes = [
        grade_pairs(corridors, _move(near, step * size[:, None]), run, own, tiers)
        for size in (shift, -np.minimum(shift, away))
    ]
    return Bounds(
        run=run, tree=tree, low=codes[0], high=codes[1], is_least=np.isnan(run_sd + tree_sd)
    )


def _point_away(lines: NDArray[np.object_], stems: NDArray[np.object_]) -> tuple[Floats, Floats]:
    """Give the direction from each line to its stem, of length 1, and the distance, m."""
    foot = shapely.line_interpolate_point(lines, shapely.line_locate_point(lines, stems))
    step = shapely.get_coordinates(stems) - shapely.get_coordinates(foot)
    away = np.hypot(step[:, 0], step[:, 1])
    # A stem on the line itself may lie on either side: north is as good as any.
    step[away == 0] = (0.0, 1.0)
    return step / np.where(away > 0, away, 1.0)[:, None], away


def _move(zones: gpd.GeoDataFrame, by: Floats) -> gpd.GeoDataFrame:
    """Move stems and drawn zones, each by its own vector."""
    stems = np.asarray(zones.geometry)
    placed = shapely.points(shapely.get_coordinates(stems) + by)
    polygons = np.asarray(zones["zone"], dtype=object).copy()
    xy, owner = shapely.get_coordinates(polygons, return_index=True)
    if len(xy):
        polygons = shapely.set_coordinates(polygons, xy + by[owner])
    moved = zones.assign(zone=polygons)
    return moved.set_geometry(gpd.GeoSeries(placed, index=zones.index, crs=zones.crs))
