"""The ground along each run, between its manholes: where the pipe lies deepest and shallowest.

The invert falls evenly from end to end. The ground is the terrain, lifted so that it meets the
ground levels in force at both ends: what the terrain tells is how it bulges and dips between them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from routekit.arrays import Flags, Floats, Ints
from routekit.layers.terrain import sample_terrain
from routekit.words.columns import say_each
from routekit.words.texts import say

if TYPE_CHECKING:
    from pathlib import Path

    from routekit.layers.findings import Findings
    from routekit.layers.settings import InputSettings

PROFILE_COLUMNS: Final = (
    "depth_min_m",
    "shallowest_at_m",
    "deepest_at_m",
    "is_ground_between_known",
    "ground_profile",
)

DRAWN_M: Final = 0.02
"""The drawn profile leaves out what lies this near to a straight line, m."""

DEEPER_M: Final = 0.5
"""Runs deeper than this between their ends than at them are counted (house choice)."""


class Stations(NamedTuple):
    """Points along runs, in order: shape (k,)."""

    run: Ints
    chainage_m: Floats
    terrain_m: Floats
    """NaN where the terrain has no level."""


def sample_along(runs: gpd.GeoDataFrame, terrain: Path, inputs: InputSettings) -> Stations:
    """Sample the terrain along all runs, both ends among the stations.

    Parameters
    ----------
    runs : geopandas.GeoDataFrame, n rows
        Lines.
    terrain : Path
        Raster of ground levels.
    inputs : InputSettings
        Spacing (`ground.along_step_m`), unit of the levels, formats.

    Returns
    -------
    Stations

    Raises
    ------
    LayerError
        If the terrain cannot be read.
    """
    lines = np.asarray(runs.geometry)
    length = np.nan_to_num(shapely.length(lines))
    parts = np.maximum(np.ceil(length / inputs.ground.along_step_m), 1).astype(np.int64)
    run = np.repeat(np.arange(len(lines)), parts + 1)
    first = np.concatenate([[0], np.cumsum(parts + 1)[:-1]]).astype(np.int64)
    number = np.arange(len(run)) - first[run] if len(run) else np.empty(0, dtype=np.int64)
    chainage = length[run] * number / parts[run]
    points = shapely.line_interpolate_point(lines[run], chainage)
    levels = sample_terrain(
        np.column_stack([shapely.get_x(points), shapely.get_y(points)]),
        terrain,
        crs=runs.crs,
        unit=inputs.units.get("terrain", {}).get("level_m"),
        also_open=inputs.study.also_open,
    )
    return Stations(run.astype(np.int64), chainage, levels)


def profile_runs(runs: gpd.GeoDataFrame, stations: Stations | None) -> gpd.GeoDataFrame:
    """Add what the ground between the manholes makes of the depths of each run.

    Parameters
    ----------
    runs : geopandas.GeoDataFrame, n rows
        ground_up_m, ground_down_m, depth_up_m, depth_down_m, depth_max_m and lines.
    stations : Stations or None
        None without a terrain.

    Returns
    -------
    geopandas.GeoDataFrame
        With `PROFILE_COLUMNS` and depth_max_m along the way: least and greatest depth to invert,
        m, and where (chainage, m); whether the ground is known all the way; its vertices as text
        «chainage level; ...» (m), blank where it is not known. Runs whose ground is not known all
        the way keep the depths of their ends where these are worse.
    """
    up, down = (runs[f"depth_{end}_m"].to_numpy(dtype=float) for end in ("up", "down"))
    length = shapely.length(np.asarray(runs.geometry))
    if stations is None:
        stations = Stations(np.empty(0, dtype=np.int64), np.empty(0), np.empty(0))
    bulge, share = _bulge(stations, length)
    depth = up[stations.run] + (down - up)[stations.run] * share + bulge
    # Stations first, so that of equal depths the one with a chainage of its own is named.
    run = np.concatenate([stations.run, np.arange(len(runs)), np.arange(len(runs))])
    at = np.concatenate([stations.chainage_m, np.zeros(len(runs)), length])
    depths = np.concatenate([depth, up, down])
    least, shallowest_at = _extreme(run, at, depths, len(runs))
    most, deepest_at = _extreme(run, at, -depths, len(runs))
    # Of a run without a depth at one end nothing is known along the way.
    is_blind = np.isnan(up) | np.isnan(down)
    known = _is_known_between(stations, bulge, len(runs))
    return runs.assign(
        depth_max_m=np.where(is_blind, np.maximum(up, down), -most),
        depth_min_m=np.where(is_blind, np.minimum(up, down), least),
        shallowest_at_m=np.where(is_blind, np.nan, shallowest_at),
        deepest_at_m=np.where(is_blind, np.nan, deepest_at),
        is_ground_between_known=known,
        ground_profile=_write_profiles(runs, stations, bulge, share, known),
    )


def _bulge(stations: Stations, length: Floats) -> tuple[Floats, Floats]:
    """Give how high each station's terrain stands above the straight line between its ends, m.

    And the share of the way; NaN where the terrain is not known there or at an end.
    """
    if not len(stations.run):
        return np.empty(0), np.empty(0)
    starts = np.flatnonzero(np.diff(stations.run, prepend=-1))
    ends = np.append(starts[1:], len(stations.run)) - 1
    first, last = np.full(len(length), np.nan), np.full(len(length), np.nan)
    first[stations.run[starts]] = stations.terrain_m[starts]
    last[stations.run[ends]] = stations.terrain_m[ends]
    whole = np.where(length > 0, length, np.nan)[stations.run]
    share = np.nan_to_num(stations.chainage_m / whole)
    chord = first[stations.run] + (last - first)[stations.run] * share
    return stations.terrain_m - chord, share


def _extreme(run: Ints, at: Floats, values: Floats, size: int) -> tuple[Floats, Floats]:
    """Give the least value of each run and where it is; NaN counts for nothing."""
    known = np.flatnonzero(~np.isnan(values))
    order = known[np.lexsort((at[known], values[known], run[known]))]
    which, place = np.unique(run[order], return_index=True)
    least, where = np.full(size, np.nan), np.full(size, np.nan)
    least[which], where[which] = values[order[place]], at[order[place]]
    return least, where


def _is_known_between(stations: Stations, bulge: Floats, size: int) -> Flags:
    """Tell of which runs every station has a level."""
    count = np.bincount(stations.run, minlength=size)
    lacks = np.bincount(stations.run[np.isnan(bulge)], minlength=size)
    return np.asarray((count > 0) & (lacks == 0))


def _write_profiles(
    runs: gpd.GeoDataFrame, stations: Stations, bulge: Floats, share: Floats, known: Flags
) -> pd.Series:
    """Write the vertices of the ground that is drawn."""
    up, down = (runs[f"ground_{end}_m"].to_numpy(dtype=float) for end in ("up", "down"))
    text = np.full(len(runs), "", dtype=object)
    is_drawn = known & np.isfinite(up) & np.isfinite(down)
    mine = is_drawn[stations.run]
    if mine.any():
        own = stations.run[mine]
        level = up[own] + (down - up)[own] * share[mine] + bulge[mine]
        rows, place = np.unique(own, return_inverse=True)
        vertices = np.column_stack([stations.chainage_m[mine], level])
        lines = shapely.linestrings(vertices, indices=place)
        xy, owner = shapely.get_coordinates(shapely.simplify(lines, DRAWN_M), return_index=True)
        pairs = pd.Series([f"{m:.2f} {z:.2f}" for m, z in xy.tolist()])
        text[rows] = pairs.groupby(owner).agg("; ".join).to_numpy()
    return pd.Series(text, index=runs.index).astype("str")


def report_profiles(runs: gpd.GeoDataFrame, inputs: InputSettings, findings: Findings) -> None:
    """Name the runs that lie too shallow, out of the ground or much deeper between their ends.

    Parameters
    ----------
    runs : geopandas.GeoDataFrame
        From `profile_runs`.
    inputs : InputSettings
        Plausible depths.
    findings : Findings
    """
    limits = inputs.ground
    least, most = (runs[f"depth_{end}_m"].to_numpy(dtype=float) for end in ("min", "max"))
    ends = runs[["depth_up_m", "depth_down_m"]].to_numpy(dtype=float)
    shallow = (least < limits.shallowest_m) & (least < ends.min(axis=1))
    if shallow.any():
        findings.add(
            "error",
            "sewers",
            runs.loc[shallow, "run_id"],
            field="depth_max_m",
            seen=say_each(
                "{deep:.2f} m deep at {at:.1f} m by the terrain between its ends, less than "
                "ground.shallowest_m = {limit:g} m",
                deep=least[shallow],
                at=runs.loc[shallow, "shallowest_at_m"],
                limit=limits.shallowest_m,
            ),
            done=say("the pipe is out of the ground there, or levels or terrain are wrong: survey"),
        )
    deep = (most > limits.deepest_m) & (most > ends.max(axis=1))
    if deep.any():
        findings.add(
            "error",
            "sewers",
            runs.loc[deep, "run_id"],
            field="depth_max_m",
            seen=say_each(
                "{deep:.2f} m deep at {at:.1f} m by the terrain between its ends, more than "
                "ground.deepest_m = {limit:g} m",
                deep=most[deep],
                at=runs.loc[deep, "deepest_at_m"],
                limit=limits.deepest_m,
            ),
            done=say("taken as it is: check levels and terrain"),
        )
    deeper = int((most - ends.max(axis=1) > DEEPER_M).sum())
    if deeper:
        told = say(
            "{n:,} of {total:,} runs lies over {limit:g} m deeper between its ends than at them",
            "{n:,} of {total:,} runs lie over {limit:g} m deeper between their ends than at them",
            n=deeper,
            total=len(runs),
            limit=DEEPER_M,
        )
        findings.note("info", "terrain", "", told, say("the greatest depth counts"))
